"""How a step that writes to hardware ended: judged anew from what was seen, never taken at its word. Pure."""

from collections.abc import Sequence

import msgspec

from probe.active.documents import LinkSpeeds, LinkTraining
from probe.active.judging import speeds_document, speeds_result, training_document, training_result
from probe.active.margining.document import MarginedLink
from probe.active.trainings import Trained as TrainingsSeen
from probe.audit.choosing import chosen
from probe.audit.document import LinkDocument
from probe.exceptions import InputError
from probe.qualify.document import StepLink
from probe.qualify.entries import Margined, PartBegun, Sped, Taken, Trained
from probe.qualify.evidence_of import Seen
from probe.qualify.found import Found, step_link, unknown
from probe.qualify.plan import MarginsStep, SpeedsStep, TrainingsStep
from probe.registers.errors import Severity
from probe.result import Result, overall

Tested = LinkTraining | LinkSpeeds | MarginedLink


def trainings(seen: Seen) -> Found:
    """How trainings ended."""
    step = seen.turn.step
    entry = next((item for item in seen.measured if isinstance(item, Trained)), None)
    if entry is None or not isinstance(step, TrainingsStep):
        return unknown("no training was done")
    saw = entry.document
    links = [
        training_result(
            msgspec.structs.replace(link, restored=True),
            TrainingsSeen(attempts=link.attempts, stopped=link.stopped, back=link.back is not False),
        )
        for link in saw.links
    ]
    document = training_document(saw.host, links, saw.leftovers)
    allowed = [_within(link, step.most_short) for link in document.links]
    return _of_tests(allowed, saw.leftovers, step.links, seen)


def _within(link: LinkTraining, most_short: int) -> LinkTraining:
    """A link that fails by its short trainings alone, and has no more of them than the plan allows."""
    harmed = any(item.severity != Severity.CORRECTABLE for attempt in link.attempts for item in attempt.errors or ())
    alone = link.result is Result.FAILED and link.back is not False and not harmed and link.restored
    if not alone or link.stopped is not None or link.short > most_short:
        return link
    told = f"{link.short} came up short, where the plan allows {most_short}"
    return msgspec.structs.replace(link, result=Result.PASSED, reasons=(told, *link.reasons))


def speeds(seen: Seen) -> Found:
    """How a way through the speeds ended."""
    step = seen.turn.step
    entry = next((item for item in seen.measured if isinstance(item, Sped)), None)
    if entry is None or not isinstance(step, SpeedsStep):
        return unknown("no speed was tried")
    saw = entry.document
    links = [speeds_result(msgspec.structs.replace(link, restored=True)) for link in saw.links]
    return _of_tests(speeds_document(saw.host, links, saw.leftovers).links, saw.leftovers, step.links, seen)


def margins(seen: Seen) -> Found:
    """How margining ended."""
    step = seen.turn.step
    entry = next((item for item in seen.measured if isinstance(item, Margined)), None)
    if entry is None or not isinstance(step, MarginsStep):
        return unknown("no lane was measured")
    return _of_tests(entry.document.links, entry.document.leftovers, step.links, seen)


def _of_tests(links: Sequence[Tested], leftovers: Sequence[object], words: Sequence[str], seen: Seen) -> Found:
    """Of a test that writes: its links, what was left changed, and links that were asked for and not reached."""
    known = _links_before(seen)
    told = tuple(
        StepLink(
            place_id=known[link.downstream_port].place_id if link.downstream_port in known else link.downstream_port,
            title=link.title, downstream_port=link.downstream_port, result=link.result, reasons=link.reasons,
        )
        for link in links
    )  # fmt: skip
    reached = {link.downstream_port for link in links}
    try:
        asked = chosen(known.values(), words)
    except InputError:
        asked = ()
    missed = tuple(
        step_link(link, Result.INCONCLUSIVE, ("it was not reached: the test ended before it",))
        for link in asked
        if link.downstream_port not in reached
    )
    whole = Result.FAILED if leftovers else overall(link.result for link in (*told, *missed))
    lost = bool(leftovers) or any(link.back is False for link in links)
    reasons = tuple(f"{link.title}: {reason}" for link in (*told, *missed) for reason in link.reasons)
    return Found(result=whole, urgent=lost, links=(*told, *missed), reasons=reasons)


def _links_before(seen: Seen) -> dict[str, LinkDocument]:
    """The links by their port, as they were when the step began: by the latest snapshot."""
    taken = [entry.snapshot for entry in seen.before if isinstance(entry, PartBegun | Taken) and entry.snapshot]
    return {link.downstream_port: link for link in taken[-1].links if link.downstream_port} if taken else {}
