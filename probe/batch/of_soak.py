"""Readings of a soak: what each link ran at under load, what it carried, and what went wrong meanwhile."""

from collections import defaultdict
from collections.abc import Iterator

from probe.batch.contribution import Tested, Where
from probe.batch.readings import CARRIED, LOADED_ERRORS, STATE, Count, Key, Number, Reading, Word
from probe.registers.errors import Severity
from probe.soak.record import LinkOutcome, Record

KIND = "soak"
_HOUR_S = 3600.0


def soak_readings(record: Record) -> dict[Where, dict[Key, Reading]]:
    """By place. A link that was not under load says nothing of what it does under load."""
    found: dict[Where, dict[Key, Reading]] = defaultdict(dict)
    for link in record.links:
        found[Where(link.place_id)].update(_of_link(link, record.elapsed_s))
    for item in record.throughput:
        key = Key(CARRIED.name, f"{item.load}, {item.direction}")
        before = found[Where(item.place_id)].get(key)
        if not isinstance(before, Number) or item.median_bytes_s < before.value:
            found[Where(item.place_id)][key] = Number(item.median_bytes_s, at=item.target)
    return dict(found)


def soak_tested(record: Record) -> dict[Where, tuple[Tested, ...]]:
    """What it said of each link that was under load or failed."""
    return {
        Where(link.place_id): (Tested(test=KIND, result=link.result, reasons=link.reasons, urgent=link.urgent),)
        for link in record.links
        if link.loaded or link.failed
    }


def _of_link(link: LinkOutcome, elapsed_s: float) -> Iterator[tuple[Key, Reading]]:
    if not link.loaded:
        return
    if None not in {link.best.speed_gts, link.best.width}:
        yield Key(STATE.name), Word(str(link.best))
    events = sum(finding.events for finding in link.errors if finding.severity is Severity.CORRECTABLE)
    if elapsed_s > 0:
        yield Key(LOADED_ERRORS.name), Count(events, round(elapsed_s / _HOUR_S, 3))
