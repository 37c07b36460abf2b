"""The audit on a terminal: the machine at a glance, worst first, grouped so that the eye finds the slot."""

from collections.abc import Iterable

from rich.console import Console
from rich.table import Table
from rich.text import Text

from probe.audit.document import AuditDocument, LinkDocument
from probe.audit.outcome import found_if_strict
from probe.audit.verdict_headline import headline, nothing_to_judge, where
from probe.counted import counted
from probe.errors.attribution import sentence
from probe.evidence import Unread, Why
from probe.links.kind_of_link import KindOfLink
from probe.links.state import LinkState
from probe.render import styles
from probe.verdict.verdicts import WORST_FIRST, Verdict

_NARROW = 100
_ADDRESS_WIDTH = 13
_LEAST = 8
_NOT_WORKING = frozenset({Verdict.UNJUDGED, Verdict.EMPTY})


def order(link: LinkDocument) -> tuple[bool, bool, int, str]:
    """Worst first: urgent, then alarming, then by verdict, then by address."""
    return not link.urgent, not link.alarming, link.verdict.rank, where(link)


def render(
    document: AuditDocument,
    screen: Console,
    *,
    only: frozenset[Verdict] | None = None,
    quiet: bool = False,
    strict: bool = False,
) -> None:
    """Draw an audit; `only` keeps the links of some verdicts, `quiet` one line a finding, of `strict` ones too."""
    if quiet:
        _findings_only(document, screen, strict=strict)
    else:
        _whole(document, screen, only)


def _whole(document: AuditDocument, screen: Console, only: frozenset[Verdict] | None) -> None:
    links = sorted((link for link in document.links if only is None or link.verdict in only), key=order)
    screen.print(_title(document))
    quiet = [link for link in links if not link.alarming]
    slots = [link for link in quiet if link.kind is KindOfLink.SLOT]
    groups = (
        ("Look at these", [link for link in links if link.alarming]),
        ("Working", [link for link in slots if link.verdict not in _NOT_WORKING]),
        ("Not judged, or nothing there", [link for link in slots if link.verdict in _NOT_WORKING]),
        ("Not a slot: shown, never a finding", [link for link in quiet if link.kind is not KindOfLink.SLOT]),
    )
    for title, members in groups:
        if members:
            screen.print()
            screen.print(Text(title, style="bold"))
            screen.print(_table(members, screen.width))
    calm = nothing_to_judge(document)
    if calm is not None:
        screen.print(f"\n{calm}")
    findings = [link for link in links if link.alarming]
    if findings:
        screen.print()
        for link in findings:
            screen.print(Text.assemble((where(link), "bold"), f"  {headline(link)}."))
        screen.print(Text("Reasons and next steps: linkprobe explain ADDRESS", style="dim"))
    for link in links:
        for finding in link.error_findings:
            told = f"  {sentence(finding)} since boot"
            screen.print(Text.assemble("errors  ", (where(link), "bold"), told))
    for item in document.deviations:
        urgent = "  (urgent)" if item.urgent else ""
        screen.print(Text.assemble(f"{item.label}  ", (item.place or item.rule, "bold"), f"  {item.sentence}{urgent}"))
    for note in document.observations:
        screen.print(Text.assemble("note  ", (note.subject, "bold"), f"  {note.meaning}"))
    _privilege(document.unread, screen)


def _title(document: AuditDocument) -> Text:
    host = document.host
    counts = [f"{document.summary[word]} {word}" for word in WORST_FIRST if document.summary.get(word)]
    name = host.name or "this machine"
    return Text.assemble((name, "bold"), f"  {counted(len(document.links), 'link')}: ", ", ".join(counts) or "none")


def _table(links: Iterable[LinkDocument], width: int) -> Table:
    """Fixed widths, so that the groups line up; the component takes what is left and is cut first, the place never."""
    place = 12 if width < _NARROW else 24
    fixed = (("verdict", 11), ("place", place), ("runs at", 12), ("can do", 12))
    left = width - sum(size for _, size in fixed) - _ADDRESS_WIDTH - len(fixed) - 1
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 1, 0, 0))
    for title, size in (*fixed, ("what is there", max(left, _LEAST)), ("address", _ADDRESS_WIDTH)):
        whole = title == "place"
        table.add_column(title, no_wrap=not whole, overflow="fold" if whole else "ellipsis", width=size)
    for link in links:
        table.add_row(
            Text(link.verdict, style=styles.TERMINAL[link.verdict]),
            _place(link),
            "" if link.component is None else _state(link.negotiated.speed_gts, link.negotiated.width),
            _possible(link),
            _component(link),
            where(link),
        )
    return table


def _state(speed: float | None, lanes: int | None) -> str:
    return "not read" if speed is None or lanes is None else f"{speed:g} GT/s x{lanes}"


def _possible(link: LinkDocument) -> str:
    if link.component is None:
        return _state(link.port_best.speed_gts, link.port_best.width)
    if link.possible == link.negotiated and link.possible != LinkState():
        return "the same"
    return _state(link.possible.speed_gts, link.possible.width)


def _place(link: LinkDocument) -> str:
    if link.kind is not KindOfLink.SLOT:
        return link.kind.value
    if link.slot is not None and link.slot.title:
        title = link.slot.title
        return f"slot {title}" if title[0].isdecimal() else title
    return "" if link.downstream_port else "port hidden"


def _component(link: LinkDocument) -> str:
    if link.component is None:
        return ""
    names = link.component.names
    numbers = f"vendor {link.component.vendor_id} device {link.component.device_id}"
    text = names.device or names.kind or numbers
    count = len(link.component.functions)
    return f"{text} ({counted(count, 'function')})" if count > 1 else text


def _privilege(unread: Iterable[Unread], screen: Console) -> None:
    closed = sum(1 for item in unread if item.why in {Why.SHORT, Why.DENIED})
    if closed:
        files = counted(closed, "file")
        screen.print(
            f"\nRead without privilege ({files} closed or cut short): judged from the kernel's attributes. "
            "As root it adds each end's own registers: slot numbers and power, Target Link Speed, lane errors, "
            "equalization, payload sizes."
        )


def _findings_only(document: AuditDocument, screen: Console, *, strict: bool) -> None:
    """One line a finding, nothing where there is none: for cron."""
    for link in sorted(document.links, key=order):
        if link.alarming or (strict and found_if_strict(link)):
            place = _place(link)
            screen.print(
                f"{link.verdict} {where(link)}{f' in {place}' if place else ''}: {headline(link)}", soft_wrap=True
            )
    for item in document.deviations:
        screen.print(f"{item.label}, {item.place or item.rule}: {item.sentence}", soft_wrap=True)
