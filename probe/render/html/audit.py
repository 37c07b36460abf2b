"""A page of an audit."""

from collections.abc import Iterable

from probe.audit.document import AuditDocument
from probe.audit.names import title
from probe.audit.outcome import exit_status
from probe.audit.verdict_headline import headline, nothing_to_judge
from probe.counted import counted
from probe.exit_status import ExitStatus
from probe.render import styles
from probe.render.html import sections
from probe.render.html.page import Page, Section
from probe.render.html.tree_picture import by_verdict, tree_pictures

_OUTCOMES = {
    ExitStatus.CLEAN: "nothing to report",
    ExitStatus.FOUND: "something was found",
    ExitStatus.URGENT: "something was found that cannot wait",
    ExitStatus.NOTHING_JUDGED: "nothing could be judged",
}


def render(document: AuditDocument) -> Page:
    """The page."""
    status = exit_status(document)
    reasons = [f"{title(link)}: {headline(link)}" for link in document.links if link.alarming or link.urgent]
    reasons += [f"{item.place or item.rule}: {item.sentence}" for item in document.deviations]
    return Page(
        title=f"PCI Express links of {document.host.name or 'a machine'}",
        verdict=_OUTCOMES[status],
        colour=styles.GOOD if status is ExitStatus.CLEAN else styles.BAD,
        reasons=tuple(reasons) or (nothing_to_judge(document) or _judged(document),),
        tree=tree_pictures(document.links, document.host.sockets, by_verdict),
        sections=(sections.links(document.links), sections.environment(document.host), *_notes(document)),
    )


def _judged(document: AuditDocument) -> str:
    return f"{counted(len(document.links), 'link was', 'links were')} judged"


def _notes(document: AuditDocument) -> Iterable[Section]:
    rows = tuple((note.subject, note.meaning) for note in document.observations)
    if rows:
        yield Section(title="Notes", columns=("subject", "meaning"), rows=rows)
