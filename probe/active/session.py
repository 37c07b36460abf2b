"""One run that writes: its machine, journal and driver, and the promise that all is put back whatever ends it.

May live here: beginning, ending, signals. May not: sequences; deciding whether a run is allowed, which the guard does.
"""

import contextlib
import signal
from collections.abc import Callable, Iterator
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

    def __init__(self, driver: Driver, raise_early: Callable[[], None]) -> None:
        self._driver = driver
        self._raise_early = raise_early
        self.leftovers: tuple[Leftover, ...] | None = None
        """What could not be put back; None until the session has ended."""
        self.stopped: str | None = None
        """The signal that ended the session where nobody took it; None where none did."""
        self.ended: dict[str, LinkState] = {}
        """What the links run at when all is put back, by their port."""

    def run(self, protocol: Protocol[Result]) -> Result:
        """The result of a protocol on this machine. Raises CannotWrite, Stopped, and what the protocol raises."""
        self._raise_early()
        return self._driver.run(protocol)

    def set_file(self, path: str, text: str) -> None:
        """Write a file below /sys for the time of the session. Raises CannotWrite."""
        self._driver.run(write_file(path, text, _FILE_S))

    @property
    def restored(self) -> bool:
        """All that was written is as it was."""
        return self.leftovers == ()


@contextlib.contextmanager
def session(began: Began, directory: Path | None = None) -> Iterator[Session]:
    """A session on the tree and within the scope that `began` names; at its end all is put back.

    A signal that is not taken within ends it, and goes no further. Raises InputError where another test is running,
    something was left behind, or no journal can be written.
    """
    machine = SysfsMachine(began.sys, began.scope)
    journal = Journal.create(began, directory)
    driver = Driver(machine, began.scope, journal)
    signals = _Signals()
    going_on = Session(driver, signals.raise_early)
    try:
        try:
            signals.heed()
            yield going_on
        except Stopped as stopped:
            going_on.stopped = str(stopped)
        finally:
            signals.hold()
    finally:
        machine.settle(_HANGING_S)
        going_on.leftovers = driver.run(all_back(began, journal))
        going_on.ended = driver.run(states_now(began.scope, began.links))
        machine.close()
        if going_on.restored or not (began.may_retrain or any(item.writable for item in going_on.leftovers)):
            journal.discard()  # else `put-back` may still do something about it
        journal.close()
        signals.let_go()


class _Signals:
    """The first signal raises Stopped, once; those that come while all is put back wait."""

    def __init__(self) -> None:
        self._heeded: bool | None = None
        """None before the session has begun; then whether a signal is still to be heeded."""
        self._early: int | None = None
        self._before = {number: signal.signal(number, self._take) for number in _SIGNALS}

    def _take(self, number: int, _frame: FrameType | None) -> None:
        if self._heeded is None:
            self._early = number
        elif self._heeded:
            self._stop(number)

    def _stop(self, number: int) -> None:
        self._heeded = False
        raise Stopped(signal.Signals(number).name)

    def heed(self) -> None:
        """From now on a signal is heeded."""
        self._heeded = True

    def raise_early(self) -> None:
        """Heed one that came before the session had begun. Raises Stopped."""
        if self._heeded and self._early is not None:
            self._stop(self._early)

    def hold(self) -> None:
        """From now on none is."""
        self._heeded = False

    def let_go(self) -> None:
        """As it was before the session."""
        for number, handler in self._before.items():
            signal.signal(number, handler)
