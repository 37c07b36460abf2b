"""Which loads work when: phases in step over every load of a run, by a clock that all processes of a host share. Pure.

Loads on many links move data the same way at the same time, so that what the links share (an uplink, a socket, memory)
is loaded to the full and seen in their sum. Nobody sends a word at the turn of a phase: each process calculates it from
the moment at which the run began.
"""

from collections.abc import Iterable, Iterator
from itertools import count
from typing import Self

import msgspec

from probe.loads.results import BOTH, FROM_HOST, TO_HOST

MEMORY = "host memory"
VERIFIED = "there and back"
PEERS = "between devices"

ORDER = (MEMORY, FROM_HOST, TO_HOST, BOTH, VERIFIED, PEERS)
"""The phases of a cycle, those that some load of the run works in."""

_LONGEST_S, _SHORTEST_S, _CYCLES = 10.0, 0.5, 8
_MEMORY_S = 1.0


class Phase(msgspec.Struct, frozen=True):
    """One phase: its number in the run, its name, and from when to when, in seconds of the shared clock."""

    number: int
    name: str
    begin_s: float
    end_s: float


class Schedule(msgspec.Struct, frozen=True, kw_only=True):
    """A cycle of phases, by name and length in seconds; without any, all work all the time."""

    cycle: tuple[tuple[str, float], ...] = ()

    @classmethod
    def of(cls, names: Iterable[str], planned_s: float | None = None) -> Self:
        """The cycle of these phases; a short run has shorter ones, so that it sees each of them several times.

        The phase of host memory is short, because links rest in it.
        """
        wanted = set(names)
        chosen = [name for name in ORDER if name in wanted] + sorted(wanted.difference(ORDER))
        share = _LONGEST_S if planned_s is None else planned_s / (_CYCLES * max(len(chosen), 1))
        length = min(max(share, _SHORTEST_S), _LONGEST_S)
        return cls(cycle=tuple((name, min(_MEMORY_S, length) if name == MEMORY else length) for name in chosen))

    def phases(self, begin_s: float) -> Iterator[Phase]:
        """Every phase from the beginning on, without an end."""
        if not self.cycle:
            return
        at = begin_s
        for number in count():
            name, length = self.cycle[number % len(self.cycle)]
            yield Phase(number, name, at, at + length)
            at += length
