"""What a soak comes to, for a link and for the whole: what fails it, and what keeps a result from being reached.

Both are ordered tables of questions over the journal's values. A worse history never gives a better result; what was
not read, or a run that did not reach its end, gives no result rather than a good one. Pure.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

import msgspec

from probe.audit.document import LinkDocument
from probe.counted import counted
from probe.errors.attribution import findings, sentence
from probe.errors.counts import summed
from probe.errors.limits import Limit
from probe.links.state import LinkState
from probe.observe.events import NOT_READ, CountedErrors, LinkEvent
from probe.registers.errors import Severity
from probe.result import Result
from probe.soak.at_least import too_slow
from probe.soak.circumstances import Run
from probe.soak.journal import StateTime
from probe.soak.tally import LinkTally
from probe.soak.throughput import Throughput
from probe.soak.windows import fullest_window
from probe.verdict.verdicts import Verdict

UNCOUNTED = "uncounted-errors"
"""The word by which a person accepts that errors of a link cannot be counted on this machine."""
_BELOW_SHARE, _BELOW_S = 0.01, 5.0
"""Of the time under load, below what both ends can do: a link may train anew now and then. Our choice."""
_TOLD_ONE_BY_ONE = 10
_UNWATCHED = 0.01
"""The share of the time in which nobody need have looked: our choice."""


class LinkHistory(msgspec.Struct, frozen=True, kw_only=True):
    """All that was recorded of one link. `loaded` is None where nothing says how much went over it.

    `carried` is what loads measured over it, and over a way that it is part of.
    """

    run: Run
    link: LinkDocument
    tally: LinkTally
    errors: Sequence[CountedErrors]
    events: Sequence[LinkEvent]
    word: Verdict
    loaded: bool | None
    carried: Sequence[Throughput] = ()


class UnderLoad(msgspec.Struct, frozen=True):
    """Seconds under load, and those of them in states below what both ends can do."""

    seconds: float
    below: Mapping[LinkState, float]


def under_load(link: LinkDocument, times: Iterable[StateTime]) -> UnderLoad:
    """By evidence and by the person's word; where a word alone says so, a link that is known to rest may rest."""
    seconds = 0.0
    below: dict[LinkState, float] = {}
    for item in times:
        seconds += item.loaded_s + item.claimed_s
        state = LinkState(item.speed_gts, item.width)
        slower, narrower = falls_short(state, link)
        excused = _may_rest(link) and slower and not narrower
        spent = item.loaded_s + (0.0 if excused else item.claimed_s)
        if (slower or narrower) and spent > 0:
            below[state] = below.get(state, 0.0) + spent
    return UnderLoad(seconds, below)


def falls_short(state: LinkState, link: LinkDocument) -> tuple[bool, bool]:
    """Whether a state is slower, and whether narrower, than what both ends can do; not where that is not known."""
    possible = link.possible
    slower = None not in {state.speed_gts, possible.speed_gts} and (state.speed_gts or 0) < (possible.speed_gts or 0)
    narrower = None not in {state.width, possible.width} and (state.width or 0) < (possible.width or 0)
    return slower, narrower


def _may_rest(link: LinkDocument) -> bool:
    return link.verdict is Verdict.RESTING or link.doubtful


def _never_at_its_best(seen: LinkHistory) -> Iterator[str]:
    if seen.word.below_capability:
        under = "under load, " if seen.loaded else ""
        yield f"never better than {seen.tally.best}, {under}where both ends can do {seen.link.possible}"


def _long_below_its_best(seen: LinkHistory) -> Iterator[str]:
    under = under_load(seen.link, seen.tally.times())
    spent = sum(under.below.values())
    if not seen.word.below_capability and spent > _bearable_s(under):
        states = ", ".join(f"{state} for {seconds:.0f} s" for state, seconds in under.below.items())
        yield f"for {spent:.0f} of {under.seconds:.0f} s under load below what both ends can do: {states}"


def _perhaps_long_below_its_best(seen: LinkHistory) -> Iterator[str]:
    """Time in which nobody looked may have been like the time in which it was seen below its best."""
    under = under_load(seen.link, seen.tally.times())
    spent, lost = sum(under.below.values()), sum(gap.seconds for gap in seen.run.gaps)
    if 0 < spent <= _bearable_s(under) < spent + lost:
        yield f"for {spent:.0f} s under load below what both ends can do, and perhaps for longer while nobody looked"


def _bearable_s(under: UnderLoad) -> float:
    return max(_BELOW_SHARE * under.seconds, _BELOW_S)


def _slower_at_the_end(seen: LinkHistory) -> Iterator[str]:
    """The last sample under load tells how the link runs now; fine samples are kept of the end of every run."""
    last, load = seen.tally.last, seen.tally.last_load
    if last is None or seen.word.below_capability or not (load.seen or load.claimed):
        return
    state = LinkState(last.speed_gts, last.width)
    slower, narrower = falls_short(state, seen.link)
    if narrower or (slower and (load.seen or not _may_rest(seen.link))):
        yield f"ran at {state} at the end, under load, where it had run at {seen.tally.best}"


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
    bad = [event for event in seen.events if event.bad]
    yield from (f"at {event.t:.0f} s: {event.sentence}" for event in bad[:_TOLD_ONE_BY_ONE])
    more = sum(event.times for event in bad[_TOLD_ONE_BY_ONE:]) + sum(
        event.times - 1 for event in bad[:_TOLD_ONE_BY_ONE]
    )
    if more:
        yield f"and {more} more such events"


def _too_slow(seen: LinkHistory) -> Iterator[str]:
    yield from too_slow(seen.carried)


FAILURES: tuple[Callable[[LinkHistory], Iterator[str]], ...] = (
    _never_at_its_best,
    _long_below_its_best,
    _slower_at_the_end,
    _uncorrectable,
    _too_many,
    _too_slow,
    _happened,
)


def _nothing_was_sampled(seen: LinkHistory) -> Iterator[str]:
    if not seen.tally.samples:
        yield "it was never looked at"


def _not_under_load(seen: LinkHistory) -> Iterator[str]:
    if seen.loaded is None:
        yield "nothing says how much went over it: name it with --covers if your own load used it"
    elif not seen.loaded:
        yield "it was not under load: less than a tenth of what it can carry went over it"


def _not_at_its_best_seen(seen: LinkHistory) -> Iterator[str]:
    if seen.word in {Verdict.UNJUDGED, Verdict.RESTING}:
        yield f"its state under load is {seen.word}"


def counts_errors(link: LinkDocument) -> bool:
    """Whether any error counter of a link was read."""
    return any(total is not None for total in msgspec.structs.astuple(link.errors))


def _not_counted(seen: LinkHistory) -> Iterator[str]:
    if UNCOUNTED in seen.run.start.accepts:
        return
    if not counts_errors(seen.link):
        yield f"its errors cannot be counted on this machine (--accept {UNCOUNTED} says that this is known)"


def _perhaps_too_many(seen: LinkHistory) -> Iterator[str]:
    limit = Limit.parse(seen.run.start.correctable_limit)
    found = None if seen.link.bandwidth.flit_mode else fullest_window(_counting(seen), limit)
    if found is not None and found.proven < limit.count <= found.possible:
        yield f"{found.possible} link errors may have come within {limit.hours:g} h, some of them while nobody looked"


def _not_measured(seen: LinkHistory) -> Iterator[str]:
    """A share that was asked for and that nothing was held to."""
    asked = seen.run.start.at_least
    if asked is not None and seen.loaded and all(item.at_least is None for item in seen.carried):
        yield f"no load measured what share of its ceiling it carries one way, of which {asked:.4g} was asked for"


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
    _not_measured,
    _not_read,
    _perhaps_too_many,
    _perhaps_long_below_its_best,
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
