"""One run that writes: its machine, journal and driver, and the promise that all is put back whatever ends it.

May live here: beginning, ending, signals. May not: sequences; deciding whether a run is allowed, which the guard does.
"""

import contextlib
import signal
from collections.abc import Iterator
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

from probe.active.asking import write_file
from probe.active.driver import Driver
from probe.active.journal import Began, Journal
from probe.active.putting_back import all_back
from probe.active.speed_steps import states_now
from probe.active.steps import Protocol, Result, Stopped
from probe.active.writing import SysfsMachine

if TYPE_CHECKING:
    from probe.active.restoring import Leftover
    from probe.links.state import LinkState

_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
_HANGING_S = 90.0
_FILE_S = 10.0


class Session:
    """A run that is going on."""

    def __init__(self, driver: Driver) -> None:
        self._driver = driver
        self.leftovers: tuple[Leftover, ...] | None = None
        """What could not be put back; None until the session has ended."""
        self.ended: dict[str, LinkState] = {}
        """What the links run at when all is put back, by their port."""

    def run(self, protocol: Protocol[Result]) -> Result:
        """The result of a protocol on this machine. Raises CannotWrite, Stopped, and what the protocol raises."""
        return self._driver.run(protocol)

    def set_file(self, path: str, text: str) -> None:
        """Write a file below /sys for the time of the session. Raises CannotWrite."""
        self._driver.run(write_file(path, text, _FILE_S))

    def keep(self, address: str, offset: int, size: int, mask: int) -> None:
        """Keep register bits that others, such as the kernel, may change on behalf of this run."""
        self._driver.keep(address, offset, size, mask)

    @property
    def restored(self) -> bool:
        """All that was written is as it was."""
        return self.leftovers == ()


@contextlib.contextmanager
def session(began: Began, directory: Path | None = None) -> Iterator[Session]:
    """A session on the tree and within the scope that `began` names; at its end all is put back.

    Raises InputError where another test is running, something was left behind, or no journal can be written.
    """
    machine = SysfsMachine(began.sys, began.scope)
    journal = Journal.create(began, directory)
    driver = Driver(machine, began.scope, journal)
    going_on = Session(driver)
    signals = _Signals()
    try:
        try:
            signals.heed()
            yield going_on
        finally:
            signals.hold()
    finally:
        machine.settle(_HANGING_S)
        going_on.leftovers = driver.run(all_back(began, journal))
        going_on.ended = driver.run(states_now(began.scope, began.links))
        machine.close()
        if going_on.restored:
            journal.discard()
        journal.close()
        signals.let_go()


class _Signals:
    """The first signal raises Stopped, once; those that come while all is put back wait."""

    def __init__(self) -> None:
        self._heeded = False
        self._before = {number: signal.signal(number, self._take) for number in _SIGNALS}

    def _take(self, number: int, _frame: FrameType | None) -> None:
        if self._heeded:
            self._heeded = False
            raise Stopped(signal.Signals(number).name)

    def heed(self) -> None:
        self._heeded = True

    def hold(self) -> None:
        self._heeded = False

    def let_go(self) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)
