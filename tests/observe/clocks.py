"""A clock that stands still until somebody waits, for tests that need no real time."""

from collections.abc import Callable


class ScriptedClock:
    """Waiting moves it on; what is to happen at a moment happens when it gets there."""

    def __init__(self, *script: tuple[float, Callable[[], object]], begin: float = 1000.0) -> None:
        self._now = self._begin = begin
        self._script: list[tuple[float, Callable[[], object]]] = []
        for at, act in script:
            self.at(at, act)
        self.woken = False
        self.suspended = 0.0
        self.calendar_ahead = 1.7e9

    def at(self, seconds: float, act: Callable[[], object]) -> None:
        """Have something happen so many seconds after the beginning."""
        self._script.append((self._begin + seconds, act))
        self._script.sort(key=lambda item: item[0])

    def suspend(self, seconds: float) -> None:
        """Let time pass of which nobody knows anything."""
        self._now += seconds
        self.suspended += seconds

    def stop(self, seconds: float) -> None:
        """Let time pass while nobody looks."""
        self._now += seconds

    def suspended_s(self) -> float:
        return self.suspended

    def calendar_ahead_s(self) -> float:
        return self.calendar_ahead

    def now(self) -> float:
        return self._now

    def wait(self, seconds: float) -> None:
        until = self._now + max(seconds, 0.0)
        while self._script and self._script[0][0] <= until and not self.woken:
            at, act = self._script.pop(0)
            self._now = max(self._now, at)
            act()
        if not self.woken:
            self._now = max(self._now, until)

    def wake(self) -> None:
        self.woken = True
