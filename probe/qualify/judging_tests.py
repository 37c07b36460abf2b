"""How a step that writes to hardware ended: judged anew from what was seen, never taken at its word. Pure."""

from collections.abc import Sequence

import msgspec

from probe.active.documents import LinkSpeeds, LinkTraining, SpeedsDocument, TrainingDocument, exit_status
from probe.active.judging import speeds_document, speeds_result, training_document, training_result
from probe.active.margining.document import Limits as MarginLimits
from probe.active.margining.document import MarginDocument, MarginedLink
from probe.active.margining.judging import judged_anew, margin_document
from probe.active.trainings import Trained as TrainingsSeen
from probe.exit_status import ExitStatus
from probe.qualify.document import StepLink
from probe.qualify.entries import Margined, Sped, Trained
from probe.qualify.evidence_of import Seen
from probe.qualify.found import Found, unknown
from probe.qualify.plan import MarginsStep, SpeedsStep, TrainingsStep
from probe.registers.errors import Severity
from probe.result import Result, overall

Tested = LinkTraining | LinkSpeeds | MarginedLink
TestDocument = TrainingDocument | SpeedsDocument | MarginDocument


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
    return _of_tests(document, allowed)


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
    document = speeds_document(saw.host, links, saw.leftovers)
    return _of_tests(document, document.links)


def margins(seen: Seen) -> Found:
    """How margining ended."""
    step = seen.turn.step
    entry = next((item for item in seen.measured if isinstance(item, Margined)), None)
    if entry is None or not isinstance(step, MarginsStep):
        return unknown("no lane was measured")
    saw = entry.document
    limits = MarginLimits(at_least_ui=step.at_least_ui, at_least_volts=step.at_least_volts)
    links = [_no_better(judged_anew(link, limits), link) for link in saw.links]
    ended = {link.downstream_port: link.ended for link in saw.links}
    document = margin_document(saw.host, saw.settings, links, saw.leftovers, ended)
    return _of_tests(document, document.links)


def _no_better(anew: MarginedLink, said: MarginedLink) -> MarginedLink:
    """A link that fell while it was measured, and was up again at the end, has failed all the same."""
    if said.result is not Result.FAILED or anew.result is Result.FAILED:
        return anew
    return msgspec.structs.replace(anew, result=Result.FAILED, reasons=said.reasons)


def _of_tests(document: TestDocument, links: Sequence[Tested]) -> Found:
    """Of a test that writes: its links, those that it did not reach among them, and what was left changed."""
    told = tuple(
        StepLink(
            place_id=link.place_id, title=link.title, downstream_port=link.downstream_port, result=link.result,
            reasons=link.reasons,
        )
        for link in links
    )  # fmt: skip
    return Found(
        result=Result.FAILED if document.leftovers else overall(link.result for link in told),
        urgent=exit_status(document) is ExitStatus.URGENT, links=told,
        reasons=tuple(f"{link.title}: {reason}" for link in told for reason in link.reasons),
    )  # fmt: skip
