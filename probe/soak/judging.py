"""What a soak comes to, for a link and for the whole: what fails it, and what keeps a result from being reached.

Both are ordered tables of questions over the journal's values. A worse history never gives a better result; what was
not read, or a run that did not reach its end, gives no result rather than a good one. Pure.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import Self

import msgspec

from probe.audit.document import LinkDocument
from probe.counted import counted
from probe.errors.attribution import findings, sentence
from probe.errors.counts import summed
from probe.errors.limits import Limit
from probe.links.state import LinkState
from probe.loads.results import Pass
from probe.observe.events import NOT_READ, CountedErrors, LinkEvent
from probe.registers.errors import Severity
from probe.result import Result
from probe.soak.journal import Baseline, Damaged, End, Entry, Gap, Sample, Start, Thinned, moment
from probe.soak.under_load import is_loaded_at
from probe.soak.windows import fullest_window
from probe.verdict.words import Verdict

UNCOUNTED = "uncounted-errors"
"""The word by which a person accepts that errors of a link cannot be counted on this machine."""
_UNWATCHED = 0.01
"""The share of the time in which nobody need have looked: our choice."""


class Run(msgspec.Struct, frozen=True, kw_only=True):
    """What is true of the whole run: how it began and ended, from when errors count, what of it nobody saw."""

    start: Start
    end: End | None
    baseline_s: float
    elapsed_s: float
    gaps: Sequence[Gap] = ()
    damaged_lines: int = 0

    @classmethod
    def of(cls, entries: Sequence[Entry]) -> Self:
        """Of all that was recorded, which begins with its start. Raises TypeError."""
        start = entries[0]
        if not isinstance(start, Start):
            raise TypeError("a journal begins with its start")
        return cls(
            start=start,
            end=next((entry for entry in entries if isinstance(entry, End)), None),
            baseline_s=next((entry.t for entry in entries if isinstance(entry, Baseline)), 0.0),
            elapsed_s=max(map(moment, entries)),
            gaps=[entry for entry in entries if isinstance(entry, Gap)],
            damaged_lines=sum(isinstance(entry, Damaged) for entry in entries),
        )


class LinkHistory(msgspec.Struct, frozen=True, kw_only=True):
    """All that was recorded of one link. `loaded` is None where nothing says how much went over it."""

    run: Run
    link: LinkDocument
    sampled: Sequence[Sample | Thinned]
    passes: Sequence[Pass]
    errors: Sequence[CountedErrors]
    events: Sequence[LinkEvent]
    best: LinkState
    word: Verdict
    loaded: bool | None


def _never_at_its_best(seen: LinkHistory) -> Iterator[str]:
    if seen.word.below_capability:
        under = "under load, " if seen.loaded else ""
        yield f"never better than {seen.best}, {under}where both ends can do {seen.link.possible}"


def _slower_at_the_end(seen: LinkHistory) -> Iterator[str]:
    """The last sample under load tells how the link runs now; fine samples are kept of the end of every run."""
    last = next((item for item in reversed(seen.sampled) if isinstance(item, Sample)), None)
    if last is None or seen.word.below_capability or seen.link.place_id not in last.links:
        return
    if not is_loaded_at(seen.link, seen.run.start, seen.passes, last):
        return
    state = last.links[seen.link.place_id]
    possible = seen.link.possible
    slow = None not in {state.speed_gts, possible.speed_gts} and (state.speed_gts or 0) < (possible.speed_gts or 0)
    narrow = None not in {state.width, possible.width} and (state.width or 0) < (possible.width or 0)
    if slow or narrow:
        now = LinkState(state.speed_gts, state.width)
        yield f"ran at {now} at the end, under load, where it had run at {seen.best}"


def _uncorrectable(seen: LinkHistory) -> Iterator[str]:
    """From the first moment on: no baseline excuses these."""
    bad = (item.counted for item in seen.errors if item.severity is not Severity.CORRECTABLE)
    yield from (sentence(finding) for finding in findings(summed(bad)))


def _too_many(seen: LinkHistory) -> Iterator[str]:
    """Correctable link errors in any window of the limit, wherever it lies; in Flit mode they are normal work."""
    if seen.link.bandwidth.flit_mode:
        return
    limit = Limit.parse(seen.run.start.correctable_limit)
    found = fullest_window(_counting(seen), limit)
    if found is not None and found.proven >= limit.count:
        yield f"{sentence(found.finding)} within {limit.hours:g} h, over the limit of {limit}"


def _counting(seen: LinkHistory) -> Sequence[CountedErrors]:
    return [item for item in seen.errors if item.t >= seen.run.baseline_s and item.severity is Severity.CORRECTABLE]


def _happened(seen: LinkHistory) -> Iterator[str]:
    yield from (f"at {event.t:.0f} s: {event.sentence}" for event in seen.events if event.bad)


FAILURES: tuple[Callable[[LinkHistory], Iterator[str]], ...] = (
    _never_at_its_best,
    _slower_at_the_end,
    _uncorrectable,
    _too_many,
    _happened,
)


def _nothing_was_sampled(seen: LinkHistory) -> Iterator[str]:
    if not any(seen.link.place_id in item.links for item in seen.sampled):
        yield "it was never looked at"


def _not_under_load(seen: LinkHistory) -> Iterator[str]:
    if seen.loaded is None:
        yield "nothing says how much went over it: name it with --covers if your own load used it"
    elif not seen.loaded:
        yield "it was not under load: less than a tenth of what it can carry went over it"


def _not_at_its_best_seen(seen: LinkHistory) -> Iterator[str]:
    if seen.word in {Verdict.UNJUDGED, Verdict.RESTING}:
        yield f"its state under load is {seen.word}"


def _not_counted(seen: LinkHistory) -> Iterator[str]:
    if UNCOUNTED in seen.run.start.accepts:
        return
    if all(total is None for total in msgspec.structs.astuple(seen.link.errors)):
        yield f"its errors cannot be counted on this machine (--accept {UNCOUNTED} says that this is known)"


def _perhaps_too_many(seen: LinkHistory) -> Iterator[str]:
    limit = Limit.parse(seen.run.start.correctable_limit)
    found = None if seen.link.bandwidth.flit_mode else fullest_window(_counting(seen), limit)
    if found is not None and found.proven < limit.count <= found.possible:
        yield f"{found.possible} link errors may have come within {limit.hours:g} h, some of them while nobody looked"


def _unwatched(seen: LinkHistory) -> Iterator[str]:
    lost = sum(gap.seconds for gap in seen.run.gaps)
    whole = max(seen.run.elapsed_s, lost)
    if lost > _UNWATCHED * whole:
        why = "; ".join(dict.fromkeys(gap.why for gap in seen.run.gaps))
        yield f"for {lost:.0f} of {whole:.0f} s nobody looked: {why}"


def _damaged(seen: LinkHistory) -> Iterator[str]:
    if seen.run.damaged_lines:
        lines = counted(seen.run.damaged_lines, "line")
        yield f"{lines} of the record cannot be read, and what was in them is not known"


def _cut_short(seen: LinkHistory) -> Iterator[str]:
    if seen.run.end is None:
        yield "the run did not reach its end"
    elif not seen.run.end.complete:
        yield f"the run was cut short: {seen.run.end.why}"


def _not_read(seen: LinkHistory) -> Iterator[str]:
    yield from (f"from {event.t:.0f} s on, {event.sentence}" for event in seen.events if event.kind in NOT_READ)


DOUBTS: tuple[Callable[[LinkHistory], Iterator[str]], ...] = (
    _nothing_was_sampled,
    _not_under_load,
    _not_at_its_best_seen,
    _not_counted,
    _not_read,
    _perhaps_too_many,
    _unwatched,
    _damaged,
    _cut_short,
)


class Judged(msgspec.Struct, frozen=True):
    """The result of a link, and why: what failed, else what is in doubt."""

    result: Result
    failed: tuple[str, ...]
    doubts: tuple[str, ...]


def judged(seen: LinkHistory) -> Judged:
    """The result of one link."""
    failed = tuple(text for question in FAILURES for text in question(seen))
    doubts = tuple(text for question in DOUBTS for text in question(seen))
    result = Result.FAILED if failed else Result.INCONCLUSIVE if doubts else Result.PASSED
    return Judged(result, failed, doubts)
