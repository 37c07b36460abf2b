"""Errors that came to a Root Port while no counter at it or below it tells of them."""

from collections.abc import Iterator, Sequence

import msgspec

from probe.compare.comparable import Comparable, Place
from probe.compare.growth import CountGrowth
from probe.compare.interval import Interval
from probe.compare.rank import Rank
from probe.evidence import FunctionEvidence
from probe.kernel_spellings import ROOT_TOTAL_FILES
from probe.registers.errors import Severity


class Unclaimed(msgspec.Struct, frozen=True, kw_only=True, tag_field="change", tag="unclaimed"):
    """The total of a Root Port grew by more than all counters at it and below it."""

    place: str
    severity: Severity
    count: int
    total: int

    kind = "unclaimed errors"

    @property
    def rank(self) -> Rank:
        """Where a correctable error came from is not known; an uncorrectable one is for the worse wherever it was."""
        return Rank.WORSE if self.urgent else Rank.NEUTRAL

    @property
    def urgent(self) -> bool:
        """An uncorrectable error cannot wait."""
        return self.severity is not Severity.CORRECTABLE

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        errors = "error" if self.count == 1 else "errors"
        return f"{self.count} {self.severity.words} {errors} came to this Root Port that no component below it claims"

    @property
    def evidence(self) -> str:
        """Which counter."""
        return f"{ROOT_TOTAL_FILES[self.severity]}: {self.total} more, {self.total - self.count} of them claimed below"


def unclaimed(
    before: Comparable, after: Comparable, between: Interval, counts: Sequence[CountGrowth]
) -> Iterator[tuple[str, Unclaimed]]:
    """What grew at each Root Port unclaimed, with the key of its place; nothing where a counter below was not read."""
    if between.backwards or between.rebooted:
        return
    functions = [{item.address: item for item in seen.evidence.functions} for seen in (before, after)]
    for key, now in after.places.items():
        then = before.places.get(key)
        if then is None:
            continue
        ports = [
            known.get(place.link.downstream_port or "") for known, place in zip(functions, (then, now), strict=True)
        ]
        for severity in Severity:
            earlier, later = (_total(port, severity) for port in ports)
            if earlier is None or later is None or later <= earlier:
                continue
            below = [place for place in after.places.values() if place is now or place.id.startswith(f"{now.id}/")]
            if not all(_read(place, severity) for place in below):
                continue
            keys = {place.key for place in below}
            claims = [item for item in counts if item.place in keys and item.severity is severity]
            rest = later - earlier - sum(item.count for item in claims)
            if rest > 0 and not any(item.floor for item in claims):
                yield key, Unclaimed(place=now.title, severity=severity, count=rest, total=later - earlier)


def _total(port: FunctionEvidence | None, severity: Severity) -> int | None:
    text = "" if port is None else port.attributes.get(ROOT_TOTAL_FILES[severity], "")
    return int(text) if text.isdecimal() else None


def _read(place: Place, severity: Severity) -> bool:
    return all(total.of(severity) is not None for total in place.link.counters.values())
