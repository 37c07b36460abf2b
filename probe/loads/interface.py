"""What a load is: what it drives, needs, verifies and writes, and how it runs until it is told to stop."""

import threading
import time
from collections.abc import Callable
from typing import Protocol

import msgspec

from probe.loads.results import Mismatch, Pass

MIB = 1 << 20
TO_HOST, FROM_HOST, BOTH = "to host", "from host", "both"


class Target(msgspec.Struct, frozen=True, kw_only=True):
    """One thing to drive: the function behind which it sits, and its NUMA node; None where not known."""

    label: str
    address: str | None = None
    node: int | None = None


class Options(msgspec.Struct, frozen=True, kw_only=True):
    """What a person may set. Sizes in bytes, `rate_bytes_s` the most a target is driven at."""

    block: int | None = None
    in_flight: int = 3
    size: int = 256 * MIB
    rate_bytes_s: float | None = None
    raw_serial: str | None = None
    seed: int = 1


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
    ) -> None:
        self.load = load
        self.place_id = place_id
        self.options = options
        self.stop = stop
        self._report = report
        self._clock = clock
        self._paced_bytes = 0
        self._paced_from = time.monotonic()
        self._lock = threading.Lock()

    def passed(self, target: Target, direction: str, moved: int, seconds: float, *, verified: bool) -> None:
        """Report one measured pass."""
        self._report(
            Pass(
                t=self._clock(), load=self.load, target=target.label, place_id=self.place_id, direction=direction,
                bytes=moved, seconds=seconds, verified=verified,
            )
        )  # fmt: skip

    def differs(self, target: Target, offset: int, expected: bytes, found: bytes) -> None:
        """Report data that came back other than it went; `offset` is that of the first byte that differs."""
        bits = sum((one ^ other).bit_count() for one, other in zip(expected, found, strict=False))
        self._report(
            Mismatch(
                t=self._clock(), load=self.load, target=target.label, place_id=self.place_id, offset=offset,
                expected=expected[:64].hex(), found=found[:64].hex(), bits=bits,
            )
        )  # fmt: skip

    def pace(self, moved: int) -> None:
        """Wait as long as the rate limit asks after `moved` bytes."""
        rate = self.options.rate_bytes_s
        if rate is None:
            return
        with self._lock:
            self._paced_bytes += moved
            wait = self._paced_from + self._paced_bytes / rate - time.monotonic()
        if wait > 0:
            self.stop.wait(wait)


class Load(Protocol):
    """One kind of load."""

    name: str
    drives: str
    needs: str
    verifies: str
    writes: str

    def target(self, text: str) -> Target:
        """The target that a person named. Raises InputError."""

    def targets(self) -> list[Target]:
        """All that it can drive here without being told."""

    def run(self, target: Target, context: Context) -> None:
        """Drive the target until `context.stop` is set. Raises OSError or LinkprobeError where it cannot go on."""
