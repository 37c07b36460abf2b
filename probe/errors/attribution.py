"""Error counts attributed to a link, an end and a direction, with one event told once.

The kernel counts at the function that reports (`Documentation/ABI/testing/sysfs-bus-pci-devices-aer`). Functions of one
component report one event each, and both ends of a link may report one fault, so counts are folded: within a component
the most by any function, and what points the same way is one finding whose size is the most by any of its rows.
"""

from collections.abc import Iterable

import msgspec

from probe.errors.counts import ErrorCount
from probe.errors.kinds import DATA_INTEGRITY, Pointing, kind_of
from probe.links.link import WhichEnd
from probe.registers.errors import Severity


class ErrorRow(msgspec.Struct, frozen=True):
    """One error as one end counted it; `function` is the one that counted most."""

    error: str
    count: int
    end: WhichEnd
    function: str
    meaning: str
    causes: str


class ErrorFinding(msgspec.Struct, frozen=True):
    """Errors that point the same way, told once. `events` is the least number of events that explains them."""

    severity: Severity
    direction: str
    events: int
    rows: tuple[ErrorRow, ...]


TO_COMPONENT = "host to component"
TO_HOST = "component to host"
NO_DIRECTION = "no direction"


def direction(end: WhichEnd, error: str) -> str:
    """The sending that an error makes suspect, reported by this end."""
    pointing = kind_of(error).pointing
    if pointing is Pointing.NEITHER:
        return NO_DIRECTION
    sender_is_port = (end is WhichEnd.COMPONENT) == (pointing is Pointing.OTHER_END)
    return TO_COMPONENT if sender_is_port else TO_HOST


def findings(counts: Iterable[ErrorCount]) -> tuple[ErrorFinding, ...]:
    """Counts of one link as findings, fatal first; `counts` holds no zeros."""
    folded: dict[tuple[Severity, WhichEnd, str], ErrorCount] = {}
    for item in counts:
        key = (item.severity, item.end, item.error)
        if key not in folded or item.count > folded[key].count:
            folded[key] = item
    groups: dict[tuple[Severity, str, str], list[ErrorRow]] = {}
    for (severity, end, error), item in folded.items():
        way = direction(end, error)
        kind = kind_of(error)
        row = ErrorRow(error, item.count, end, item.function, kind.meaning, kind.causes)
        groups.setdefault((severity, way, error if way == NO_DIRECTION else ""), []).append(row)
    found = [
        ErrorFinding(
            severity,
            way,
            max(row.count for row in rows),
            tuple(sorted(rows, key=lambda row: (-row.count, row.error, row.end))),
        )
        for (severity, way, _), rows in groups.items()
    ]
    return tuple(sorted(found, key=lambda item: (-item.severity.badness, item.direction, item.rows[0].error)))


def sentence(finding: ErrorFinding, *, floor: bool = False) -> str:
    """A finding in words: how many events at the least, which way they point, and which end counted what."""
    names = ", ".join(f"{row.error} {row.count} at the {row.end}" for row in finding.rows)
    plural = "error" if finding.events == 1 else "errors"
    least = "at least " if floor or len(finding.rows) > 1 else ""
    suspect = "" if finding.direction == NO_DIRECTION else f"; suspect {finding.direction}"
    return f"{least}{finding.events} {finding.severity.words} {plural}{suspect} ({names})"


def is_link_error(finding: ErrorFinding) -> bool:
    """Correctable and of the lanes, as the published limit counts them."""
    return finding.severity is Severity.CORRECTABLE and finding.direction != NO_DIRECTION


def is_data_error(finding: ErrorFinding) -> bool:
    """Poisoned data or a wrong end to end check sum."""
    return any(row.error in DATA_INTEGRITY for row in finding.rows)
