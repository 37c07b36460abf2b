"""A soak that ran in several parts as one: its hours add up, and the time between the parts is none of it. Pure."""

from collections.abc import Sequence

import msgspec

from probe.audit.document import LinkDocument
from probe.audit.snapshot import judged_links
from probe.observe.events import CountedErrors
from probe.qualify.entries import SoakPart
from probe.registers.errors import Severity
from probe.soak.journal import Baseline, End, Entry, LoadEnded, Start, later, moment
from probe.soak.record import Record, record

_BEFORE_IT_COUNTS_S = -1.0
"""The moment of errors that came while links settled anew after a cut: before any baseline, so they do not count."""


def soaked(parts: Sequence[SoakPart]) -> Record:
    """The record of all parts as one."""
    return record(stitched(parts))


def watched(parts: Sequence[SoakPart]) -> tuple[LinkDocument, ...]:
    """The links that the first part watched, as they were before it."""
    start = _start(parts[0])
    return tuple(link for link in judged_links(start.snapshot) if link.place_id in start.place_ids)


def stitched(parts: Sequence[SoakPart]) -> list[Entry]:
    """The journals of all parts as one: moments are seconds of soaking, and only the last part has an end."""
    found: list[Entry] = []
    done = 0.0
    for number, part in enumerate(parts):
        first, last = number == 0, number == len(parts) - 1
        settled = next((entry.t for entry in part.entries if isinstance(entry, Baseline)), part.seconds)
        for entry in part.entries:
            if isinstance(entry, Start | Baseline) and not first:
                continue
            if isinstance(entry, End | LoadEnded) and not last:
                continue
            if _is_correctable_before(entry, settled) and not first:
                found.append(msgspec.structs.replace(entry, t=_BEFORE_IT_COUNTS_S))
            else:
                found.append(later(entry, done))
        done += part.seconds
    return found


def _is_correctable_before(entry: Entry, moment_s: float) -> bool:
    return isinstance(entry, CountedErrors) and entry.severity is Severity.CORRECTABLE and entry.t < moment_s


def _start(part: SoakPart) -> Start:
    start = part.entries[0]
    if not isinstance(start, Start):
        raise TypeError("a journal of a soak begins with its start")
    return start


def seconds_of(entries: Sequence[Entry]) -> float:
    """How long a part ran: to its end, or where it was cut off to the last thing that was recorded."""
    return max(map(moment, entries), default=0.0)
