"""From what was seen to what it says: results of links, their reasons, and the document of the whole.

May live here: counting, intervals, reasons. May not: running anything, drawing.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import TypeVar

import msgspec

from probe.active.binomial import interval, none_shows
from probe.active.documents import (
    Attempt,
    Kind,
    LinkSpeeds,
    LinkTraining,
    SpeedsDocument,
    SpeedStep,
    TrainingDocument,
)
from probe.active.restoring import Leftover
from probe.active.trainings import Trained
from probe.counted import counted
from probe.evidence import Host
from probe.links.state import LinkState
from probe.result import Result, overall
from probe.verdict.lanes import suspect_lanes


def training_result(link: LinkTraining, trained: Trained) -> LinkTraining:
    """The link with its trainings counted and judged."""
    observed = [attempt for attempt in trained.attempts if attempt.observed_training]
    short = [attempt for attempt in observed if attempt.kind is not Kind.GOOD]
    of = len(observed)
    counted = msgspec.structs.replace(
        link,
        attempts=trained.attempts,
        short=len(short),
        of=of,
        kinds=dict(Counter(str(attempt.kind) for attempt in observed)),
        interval=interval(len(short), of) if of else None,
        below=none_shows(of) if of and not short else None,
        stopped=trained.stopped,
        back=trained.back,
    )
    return msgspec.structs.replace(
        counted, result=_training_word(counted), reasons=tuple(_training_reasons(counted, short))
    )


def _training_word(link: LinkTraining) -> Result:
    if link.short or link.back is False or _harmed(link.attempts):
        return Result.FAILED
    enough = link.of and link.stopped is None
    return Result.PASSED if enough else Result.INCONCLUSIVE


def _harmed(attempts: Sequence[Attempt]) -> bool:
    return any(item.severity != "correctable" for attempt in attempts for item in attempt.errors or ())


def _training_reasons(link: LinkTraining, short: Sequence[Attempt]) -> Iterator[str]:
    if not link.of:
        yield from _nothing_observed(link)
    elif short:
        low, high = link.interval or (0.0, 1.0)
        share = f"between {low:.2%} and {high:.2%} of all (95 %, exact binomial)"
        yield f"short in {len(short)} of {counted(link.of, 'training')}: {share}"
        yield from _how_short(link, short)
    else:
        yield f"none short in {counted(link.of, 'training')}: fewer than {link.below or 0.0:.2%} of all are (95 %)"
    unseen = sum(1 for attempt in link.attempts if not attempt.observed_training)
    if link.of and unseen:
        yield f"in {unseen} more no training was observed; they do not count"
    held = sum(1 for attempt in link.attempts if attempt.by_kernel_workaround)
    if held:
        yield f"{held} came up only after the kernel's work-around for failed links"
    yield from _errors_between(link.attempts)
    if link.back is False:
        yield "the link did not come back; a retrain did not help"
    if link.stopped is not None:
        yield f"ended after {len(link.attempts)} of {link.asked}: {link.stopped}"


def _nothing_observed(link: LinkTraining) -> Iterator[str]:
    done = [attempt for attempt in link.attempts if attempt.kind is Kind.NOT_OBSERVED]
    if not done:
        return
    yield f"no training was observed in {len(done)}: the port may ignore what was asked of it"
    alive = sum(1 for attempt in done if attempt.came_up)
    if alive:
        yield f"the component answered after {alive} of them"


def _how_short(link: LinkTraining, short: Sequence[Attempt]) -> Iterator[str]:
    for kind, count in Counter(attempt.kind for attempt in short).items():
        yield f"{count} {kind}"
    narrow = [attempt.width for attempt in short if attempt.kind in {Kind.NARROWER, Kind.SLOWER_AND_NARROWER}]
    widths = Counter(narrow)
    if len(widths) == 1 and link.expected.width is not None:
        lanes = suspect_lanes(narrow[0] or 0, link.expected.width)
        if lanes:
            which = f"lane {lanes[0]}" if len(lanes) == 1 else f"lanes {lanes[0]} to {lanes[-1]}"
            same = "the same width each time" if len(narrow) > 1 else f"x{narrow[0]}"
            yield f"{same}: a fault in {which} would leave it"
    elif len(widths) > 1:
        told = ", ".join(f"x{width}" for width in sorted(filter(None, widths)))
        yield f"widths differ ({told}): not always the same lanes"
    in_error = [
        {(end, lane) for end, lanes in attempt.lanes.items() for lane in lanes} for attempt in short if attempt.lanes
    ]
    for end, lane in sorted(set.intersection(*in_error)) if in_error else ():
        yield f"lane {lane} was newly in error at the {end} in {len(in_error)} of them"
    incomplete = Counter(
        (item.speed_gts, item.end)
        for attempt in short
        for item in attempt.equalization
        if not item.complete and attempt.kind in {Kind.SLOWER, Kind.SLOWER_AND_NARROWER, Kind.EQUALIZATION}
    )
    for (speed, end), count in sorted(incomplete.items()):
        yield f"equalization at {speed:g} GT/s was not complete in {count} of them, by the {end}"


def _errors_between(attempts: Sequence[Attempt]) -> Iterator[str]:
    totals: Counter[tuple[str, str, str]] = Counter()
    for attempt in attempts:
        for item in attempt.errors or ():
            totals[item.severity, item.error, item.end] += item.count
    for (severity, error, end), count in sorted(totals.items()):
        yield f"{count} {severity}: {error}, counted at the {end}"
    if attempts and all(attempt.errors is None for attempt in attempts):
        why = "the kernel keeps no counters for this link, and error bits stood in its registers before"
        yield f"errors between the trainings could not be counted: {why}"


def speeds_result(link: LinkSpeeds) -> LinkSpeeds:
    """The link with its generations judged."""
    return msgspec.structs.replace(link, result=_speeds_word(link), reasons=tuple(_speeds_reasons(link)))


def _speeds_word(link: LinkSpeeds) -> Result:
    tried = [step for step in link.speeds if step.supported]
    if link.back is False or any(False in {step.trained, step.carries, step.clean} for step in tried):
        return Result.FAILED
    sure = all(step.trained and step.clean for step in tried)
    return Result.PASSED if tried and sure and link.stopped is None else Result.INCONCLUSIVE


def _speeds_reasons(link: LinkSpeeds) -> Iterator[str]:
    tried = [step for step in link.speeds if step.supported]
    for step in tried:
        yield from (f"{step.speed_gts:g} GT/s: {reason}" for reason in _step_reasons(step))
    if tried and not any(attempt.observed_training for step in tried for attempt in step.attempts):
        yield "no training was observed: the port may ignore what was asked of it"
    if not link.loaded:
        yield "without a load: whether each speed carries data was not tried"
    if link.back is False:
        yield "the link did not come back"
    if link.stopped is not None:
        yield f"ended early: {link.stopped}"


def _step_reasons(step: SpeedStep) -> Iterator[str]:
    if step.problem is not None:
        yield step.problem
    if step.trained is False:
        ran = "what it ran at could not be read" if step.state == LinkState() else f"ran at {step.state}"
        yield f"did not train to it, and {ran}"
    if step.carries is False:
        yield "carried no data under the load"
    for item in step.errors or ():
        yield f"{item.count} {item.severity}: {item.error}, counted at the {item.end}"
    if step.trained and step.errors is None:
        yield "errors could not be counted"


Tested = TypeVar("Tested", LinkTraining, LinkSpeeds)


def settled(link: Tested, leftovers: Sequence[Leftover]) -> Tested:
    """The link with what could not be put back of it; what belongs to no single function is counted to each."""
    own: list[Leftover] = [
        item for item in leftovers if item.address in {None, link.downstream_port, link.upstream_port}
    ]
    if not own:
        return link
    reasons = (*link.reasons, *(item.sentence() for item in own))
    return msgspec.structs.replace(link, restored=False, result=Result.FAILED, reasons=reasons)


def training_document(host: Host, links: Sequence[LinkTraining], leftovers: tuple[Leftover, ...]) -> TrainingDocument:
    """The document of a run of trainings, with what could not be put back."""
    done = tuple(settled(link, leftovers) for link in links)
    return TrainingDocument(
        host=host, links=done, result=_whole(done, leftovers), restored=not leftovers, leftovers=leftovers,
        reasons=tuple(item.sentence() for item in leftovers),
    )  # fmt: skip


def speeds_document(host: Host, links: Sequence[LinkSpeeds], leftovers: tuple[Leftover, ...]) -> SpeedsDocument:
    """The document of a run through the speeds, with what could not be put back."""
    done = tuple(settled(link, leftovers) for link in links)
    return SpeedsDocument(
        host=host, links=done, result=_whole(done, leftovers), restored=not leftovers, leftovers=leftovers,
        reasons=tuple(item.sentence() for item in leftovers),
    )  # fmt: skip


def _whole(links: Sequence[LinkTraining | LinkSpeeds], leftovers: Sequence[Leftover]) -> Result:
    return Result.FAILED if leftovers else overall(tuple(link.result for link in links))
