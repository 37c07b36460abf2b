"""What was counted between two snapshots: each counter for itself, folded into findings, held to the limits.

A counter belongs to one function of one end. One that went down began anew, alone; one that was not read is not zero.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence

import msgspec

from probe.compare.comparable import FunctionCounters, Place
from probe.compare.interval import Interval
from probe.compare.rank import Rank
from probe.errors.attribution import (
    NO_DIRECTION,
    ErrorFinding,
    direction,
    findings,
    is_data_error,
    is_link_error,
    sentence,
)
from probe.errors.counts import ErrorCount, summed
from probe.errors.limits import Limits
from probe.links.link import WhichEnd
from probe.registers.errors import CORRECTABLE_NAMES, Severity

_HOUR_S = 3600.0


class CountGrowth(msgspec.Struct, frozen=True):
    """Errors counted between two snapshots. `floor` says that the counter began anew, so more may have come.

    `position` is the device and function number in the component, which stay where bus numbers change.
    """

    place: str
    end: WhichEnd
    function: str
    severity: Severity
    error: str
    count: int
    floor: bool = False
    position: tuple[int, int] = (0, 0)

    @property
    def counted(self) -> ErrorCount:
        """The count itself."""
        return ErrorCount(self.end, self.function, self.severity, self.error, self.count)


class LinkErrors(msgspec.Struct, frozen=True, kw_only=True):
    """The error findings of one place over the compared time, with rates and the limit they meet."""

    place: str
    title: str
    finding: ErrorFinding
    floor: bool
    per_hour: float | None
    aspm: str | None
    limit: str
    exceeded: bool
    ratio: float | None = None


class ErrorsCounted(msgspec.Struct, frozen=True, kw_only=True, tag_field="change", tag="errors"):
    """Errors of one link that point the same way, and what they mean beside the limits."""

    errors: LinkErrors

    kind = "errors"

    @property
    def place(self) -> str:
        """The place of the link."""
        return self.errors.title

    @property
    def rank(self) -> Rank:
        """For the worse where the limit is exceeded."""
        return Rank.WORSE if self.errors.exceeded else Rank.NEUTRAL

    @property
    def urgent(self) -> bool:
        """An uncorrectable error cannot wait."""
        return self.errors.finding.severity is not Severity.CORRECTABLE

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        return sentence(self.errors.finding, floor=self.errors.floor)

    @property
    def evidence(self) -> str:
        """Whose counters, which limit, and what goes with it."""
        errors = self.errors
        functions = ", ".join(sorted({row.function for row in errors.finding.rows}))
        ratio = "" if errors.ratio is None else f"; error ratio {errors.ratio:.1e} of the bits the link could carry"
        return f"error counters of {functions}; limit {errors.limit}; ASPM {errors.aspm or 'not read'}{ratio}"


class StatusBits(msgspec.Struct, frozen=True, kw_only=True, tag_field="change", tag="status bits"):
    """Error status bits of an end that were set, or cleared, without a counter that tells of it."""

    place: str
    end: WhichEnd
    error: str
    seen: bool

    kind = "error status"
    urgent = False

    @property
    def rank(self) -> Rank:
        """An uncorrectable error that nobody counted is for the worse."""
        return Rank.WORSE if self.seen and self.error not in CORRECTABLE_NAMES else Rank.NEUTRAL

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        if not self.seen:
            return f"the {self.error} bit at the {self.end} was cleared"
        way = direction(self.end, self.error)
        suspect = "" if way == NO_DIRECTION else f"; suspect {way}"
        return f"at least one {self.error} at the {self.end}, which no counter tells of{suspect}"

    @property
    def evidence(self) -> str:
        """The bit before and after."""
        was, now = ("clear", "set") if self.seen else ("set", "clear")
        return f"error status of the {self.end}: {self.error} {was} before, {now} after"


def growth(before: Place | None, after: Place, between: Interval, *, anew: bool) -> Iterator[CountGrowth]:
    """What each counter of a place counted; `anew` says that its component is not the one that was there."""
    if between.backwards or not after.link.error_counts:
        return
    earlier = {} if before is None else before.last_read
    for key, now in after.functions.items():
        fresh = key[0] is WhichEnd.COMPONENT and anew
        then = None if between.rebooted or fresh else earlier.get(key)
        lost = key in earlier  # what a counter that began anew had counted before is not known
        for item in _grown(then, now, from_nothing=between.rebooted or fresh or key not in earlier):
            floor = between.rebooted or (lost and (then is None or _fell(then, now)))
            yield CountGrowth(after.key, *item.key, item.count, floor, key[1:])


def _grown(then: FunctionCounters | None, now: FunctionCounters, *, from_nothing: bool) -> Iterator[ErrorCount]:
    began_anew = then is None or _fell(then, now)
    before = {} if then is None or began_anew else {item.key[2:]: item.count for item in then.counts}
    for item in now.counts:
        known = from_nothing or (then is not None and then.totals.of(item.severity) is not None)
        grown = item.count - before.get(item.key[2:], 0)
        if known and grown > 0:
            yield msgspec.structs.replace(item, count=grown)


def _fell(then: FunctionCounters, now: FunctionCounters) -> bool:
    """Whether any counter of a function went down: all of them live and begin anew together."""
    after = {item.key[2:]: item.count for item in now.counts}
    return any(
        after.get(item.key[2:], 0) < item.count and now.totals.of(item.severity) is not None for item in then.counts
    )


def added(steps: Iterable[Iterable[CountGrowth]]) -> tuple[CountGrowth, ...]:
    """The growth of several steps in time order as one, under the addresses of the last."""
    found: dict[tuple[object, ...], CountGrowth] = {}
    for step in steps:
        for item in step:
            key = (item.place, item.end, item.position, item.severity, item.error)
            sofar = found.get(key)
            found[key] = item if sofar is None else msgspec.structs.replace(
                item, count=item.count + sofar.count, floor=item.floor or sofar.floor
            )  # fmt: skip
    return tuple(
        sorted(found.values(), key=lambda item: (item.place, item.end, item.function, item.severity, item.error))
    )


def errors_counted(
    counts: Sequence[CountGrowth], places: Mapping[str, Place], elapsed_s: float | None, limits: Limits
) -> Iterator[LinkErrors]:
    """The growth of each place as findings, with its rate and its limit. `places` are of the later snapshot."""
    by_place: dict[str, list[CountGrowth]] = {}
    for item in counts:
        by_place.setdefault(item.place, []).append(item)
    for key, grown in by_place.items():
        place = places[key]
        for finding in findings(summed(item.counted for item in grown)):
            limit, exceeded = _limit(finding, place, elapsed_s, limits)
            of_finding = {(row.end, row.function, row.error) for row in finding.rows}
            yield LinkErrors(
                place=key,
                title=place.title,
                finding=finding,
                floor=any(item.floor for item in grown if (item.end, item.function, item.error) in of_finding),
                per_hour=finding.events / elapsed_s * _HOUR_S if elapsed_s else None,
                aspm=place.link.aspm,
                limit=limit,
                exceeded=exceeded,
                ratio=_ratio(finding, place, elapsed_s),
            )


def _limit(finding: ErrorFinding, place: Place, elapsed_s: float | None, limits: Limits) -> tuple[str, bool]:
    if finding.severity is not Severity.CORRECTABLE:
        return (str(limits.data) if is_data_error(finding) else "any"), True
    if not is_link_error(finding):
        return "none", False
    if place.link.bandwidth.flit_mode:
        return "none (corrected errors are normal in Flit mode)", False
    return str(limits.correctable), limits.correctable.exceeded(finding.events, elapsed_s)


def _ratio(finding: ErrorFinding, place: Place, elapsed_s: float | None) -> float | None:
    """Errors a bit that the link could carry one way in the time (link time: idle symbols count); not in Flit mode."""
    now = place.link.negotiated
    if not is_link_error(finding) or place.link.bandwidth.flit_mode or not elapsed_s:
        return None
    if now.speed_gts is None or now.width is None:
        return None
    return finding.events / (now.speed_gts * 1e9 * now.width * elapsed_s)


def status_bits(before: Place, after: Place, counts: Sequence[CountGrowth], *, anew: bool) -> Iterator[StatusBits]:
    """Status bits newly set that no counter tells of, and those cleared, at ends that were read both times."""
    counted = {(item.end, item.error) for item in counts if item.place == after.key}
    for end in WhichEnd:
        then, now = before.link.status_errors.get(end), after.link.status_errors.get(end)
        if then is None or now is None or (anew and end is WhichEnd.COMPONENT):
            continue
        for error in sorted(set(now) - set(then)):
            if (end, error) not in counted:
                yield StatusBits(place=after.title, end=end, error=error, seen=True)
        for error in sorted(set(then) - set(now)):
            yield StatusBits(place=after.title, end=end, error=error, seen=False)


def counters_only_in(one: Place, other: Place) -> bool:
    """Whether a counter was read in one snapshot and not in the other, of a function that both have."""
    if one.link.counters == other.link.counters:
        return False
    elsewhere = other.functions
    return any(
        here.totals.of(severity) is not None and elsewhere[key].totals.of(severity) is None
        for key, here in one.functions.items() if key in elsewhere
        for severity in Severity
    )  # fmt: skip
