"""A link held at one speed for a time, idle or under loads of ours: what it carried and how it stayed.

May live here: loads at work while a protocol waits. May not: what is written; judging.
"""

import threading
import time
from collections.abc import Sequence
from typing import Self

import msgspec

from probe.active.asking import now, read
from probe.active.link_at import LinkAt, state_in
from probe.active.steps import Protocol, Wait
from probe.active.target import Target
from probe.counted import counted
from probe.exceptions import InputError
from probe.links.state import LinkState
from probe.loads.catalogue import find
from probe.loads.interface import Load, Options
from probe.loads.interface import Target as LoadTarget
from probe.loads.processes import Workers
from probe.loads.results import Mismatch, Pass

_LOOK_S = 0.25
Loads = tuple[tuple[Load, LoadTarget], ...]


class Carried(msgspec.Struct, frozen=True):
    """What loads moved: bytes a second over all passes, None where there was no load; what failed, in words."""

    bytes_s: float | None = None
    failure: str | None = None


def loads_below(words: Sequence[str], target: Target) -> Loads:
    """The loads that these words name, on what is below this link. Raises InputError where none is."""
    below = {str(function.address) for function in target.below}
    found = tuple(pair for word in words for pair in find(word) if pair[1].address in below)
    if words and not found:
        where = f"--load {' '.join(words)}"
        raise InputError(f"drives nothing below {target.port.address}", where=where, remedy="name its target")
    return found


def dwell(link: LinkAt, seconds: float) -> Protocol[tuple[LinkState, ...]]:
    """Let time pass; the states that the port's Link Status showed meanwhile, each once."""
    seen: dict[LinkState, None] = {}
    begin = yield from now()
    while True:
        at = yield from now()
        status = yield from read(link.status.address, link.status.offset, link.status.size)
        seen[state_in(status)] = None
        left = begin + seconds - at
        if left <= 0.0:
            return tuple(seen)
        yield Wait(min(_LOOK_S, left))


class AtWork:
    """Loads that run while the context lasts."""

    def __init__(self, loads: Loads) -> None:
        self._lock = threading.Lock()
        self._moved = 0
        self._mismatches = 0
        self._failures: list[str] = []
        self._began = 0.0
        self._seconds = 0.0
        self._workers = Workers(loads, {}, Options(), self._report)

    def _report(self, entry: Pass | Mismatch) -> None:
        with self._lock:
            if isinstance(entry, Pass):
                self._moved += entry.bytes
            else:
                self._mismatches += entry.times

    def __enter__(self) -> Self:
        """Set all of them to work."""
        self._workers.prepare()
        self._began = time.monotonic()
        self._workers.go()
        return self

    def __exit__(self, *_: object) -> None:
        """Stop all of them and wait."""
        self._seconds = time.monotonic() - self._began
        self._failures += [failure for _, failure in self._workers.stop() if failure is not None]

    def carried(self) -> Carried:
        """What they moved; to be asked when they have stopped."""
        if not self._workers.members:
            return Carried()
        failures = [*self._failures]
        if self._mismatches:
            failures.append(f"data came back changed {counted(self._mismatches, 'time')}")
        rate = self._moved / self._seconds if self._seconds else 0.0
        return Carried(rate, "; ".join(failures) or None)
