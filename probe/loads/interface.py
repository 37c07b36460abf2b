"""What a load is: what it drives, needs, verifies and writes, and how it runs until it is told to stop."""

import threading
import time
from collections.abc import Callable, Iterator
from enum import Enum, auto
from typing import Protocol

import msgspec

from probe.loads.phases import Phase, Schedule
from probe.loads.results import Mismatch, Pass

MIB = 1 << 20
_MISMATCHES_A_SECOND = 10


class Target(msgspec.Struct, frozen=True, kw_only=True):
    """One thing to drive: the function behind which it sits, and its NUMA node; None where not known.

    `peer` is a second function that it moves data to and from, in place of the host; `note` what a person should know.
    `overwritten` says that the load writes to the device itself, and all that was on it is lost. `phases` are those
    that the load can work in on this target, where these are fewer than its own.
    """

    label: str
    address: str | None = None
    node: int | None = None
    peer: str | None = None
    note: str | None = None
    overwritten: bool = False
    phases: tuple[str, ...] = ()


class Options(msgspec.Struct, frozen=True, kw_only=True):
    """What a person may set. Sizes in bytes, `rate_bytes_s` the most a target is driven at.

    What is None is the load's own choice.
    """

    block: int | None = None
    in_flight: int | None = None
    size: int = 256 * MIB
    rate_bytes_s: float | None = None
    raw_serial: str | None = None
    overwritten_signatures: tuple[str, ...] = ()
    seed: int = 1


def shared_clock() -> float:
    """Seconds since boot, the same in every process of the host; they pass while it is suspended."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


class Steps(msgspec.Struct, frozen=True, kw_only=True):
    """The step that a load keeps: the run's schedule, the phases of it that the load works in, and when it begins.

    `begin` tells that the load is ready, waits for all others, and gives the moment; None where the run is over.
    """

    schedule: Schedule
    works_in: tuple[str, ...]
    begin: Callable[[], float | None] = shared_clock


class End(Enum):
    """Which end of a target that has two a pass is of, where it is not of both."""

    NEAR = auto()
    FAR = auto()


class Context:
    """What a running load is given: its options, the id of the place it loads, when to stop, and where to report to."""

    def __init__(  # noqa: PLR0913, PLR0917 - what a load is given
        self,
        load: str,
        place_id: str,
        options: Options,
        stop: threading.Event,
        report: Callable[[Pass | Mismatch], None],
        clock: Callable[[], float],
        steps: Steps | None = None,
        peer_place_id: str | None = None,
    ) -> None:
        self.load = load
        self.place_id = place_id
        self.options = options
        self.stop = stop
        self._report = report
        self._clock = clock
        self._steps = steps
        self._peer_place_id = peer_place_id
        self._phase: Phase | None = None
        self._paced_until = 0.0
        self._told: list[float] = []
        self._untold: Mismatch | None = None
        self._lock = threading.Lock()

    def phases(self) -> Iterator[Phase]:
        """The phases that this load works in, each as it begins, until it is told to stop.

        The load prepares itself before it asks for the first, and returns to ask for the next when one is over.
        """
        steps = self._steps or Steps(schedule=Schedule(), works_in=())
        begin = steps.begin()
        if begin is None:
            return
        for phase in steps.schedule.phases(begin):
            rests = phase.name not in steps.works_in
            self.stop.wait(max((phase.end_s if rests else phase.begin_s) - shared_clock(), 0.0))
            if self.stop.is_set():
                return
            if not rests and shared_clock() < phase.end_s:
                self._phase = phase
                yield phase

    def goes_on(self, phase: Phase) -> bool:
        """Whether the phase is not over yet."""
        return not self.stop.is_set() and shared_clock() < phase.end_s

    def passed(  # noqa: PLR0913 - what a pass is
        self, target: Target, direction: str, moved: int, seconds: float, *, verified: bool, lost: int = 0,
        end: End | None = None,
    ) -> None:  # fmt: skip
        """Report one measured pass; of one end of a target with two, it is of that end's link alone."""
        phase = self._phase
        place_id = (self._peer_place_id or "") if end is End.FAR else self.place_id
        self._report(
            Pass(
                t=self._clock(), load=self.load, target=target.label, place_id=place_id, direction=direction,
                bytes=moved, seconds=seconds, verified=verified, lost=lost,
                peer_place_id=self._peer_place_id if end is None else None,
                phase=None if phase is None else phase.name, phase_number=None if phase is None else phase.number,
            )
        )  # fmt: skip

    def differs(self, target: Target, offset: int, expected: bytes, found: bytes) -> None:
        """Report data that came back other than it went; `offset` is that of the first byte that differs.

        Of many in a second some are told, with the number of all.
        """
        size = min(len(expected), len(found))
        bits = (int.from_bytes(expected[:size]) ^ int.from_bytes(found[:size])).bit_count()
        t = self._clock()
        with self._lock:
            seen = Mismatch(
                t=t, load=self.load, target=target.label, place_id=self.place_id, offset=offset,
                expected=expected[:64].hex(), found=found[:64].hex(), bits=bits,
                times=1 if self._untold is None else self._untold.times + 1,
            )  # fmt: skip
            self._told = [moment for moment in self._told if t - moment < 1.0]
            if len(self._told) >= _MISMATCHES_A_SECOND:
                self._untold = seen
                return
            self._told.append(t)
            self._untold = None
        self._report(seen)

    def close(self) -> None:
        """Report what was held back."""
        if self._untold is not None:
            self._report(self._untold)
            self._untold = None

    def pace(self, moved: int) -> None:
        """Wait as long as the rate limit asks after `moved` bytes."""
        rate = self.options.rate_bytes_s
        if rate is None:
            return
        with self._lock:
            now = time.monotonic()
            self._paced_until = max(self._paced_until, now) + moved / rate  # rest earns no haste
            wait = self._paced_until - now
        if wait > 0:
            self.stop.wait(wait)


class Load(Protocol):
    """One kind of load.

    `phases` names the phases that it works in; a load without any keeps no step with others and works all the time.
    """

    name: str
    drives: str
    needs: str
    verifies: str
    writes: str
    phases: tuple[str, ...]

    def target(self, text: str) -> Target:
        """The target that a person named. Raises InputError."""

    def targets(self) -> list[Target]:
        """All that it can drive here without being told."""

    def refuse(self, target: Target, options: Options) -> None:
        """Raise InputError where it must not run so: asked before there is a record."""

    def memory_bytes(self, options: Options) -> int:
        """The most memory of the host that it takes on one target."""

    def run(self, target: Target, context: Context) -> None:
        """Drive the target until `context.stop` is set. Raises OSError or LinkprobeError where it cannot go on."""


def phases_of(load: Load, target: Target) -> tuple[str, ...]:
    """The phases that a load works in on a target; none where it is a site's own, older than phases."""
    return target.phases or tuple(getattr(load, "phases", ()))
