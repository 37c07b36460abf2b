"""A clock that stands still until somebody waits, for tests that need no real time."""

from collections.abc import Callable


class ScriptedClock:
    """Waiting moves it on; what is to happen at a moment happens when it gets there."""

    def __init__(self, *script: tuple[float, Callable[[], object]], begin: float = 1000.0) -> None:
        self._now = begin
        self._script = sorted(((begin + at, act) for at, act in script), key=lambda item: item[0])
        self.woken = False

    def now(self) -> float:
        return self._now

    def wait(self, seconds: float) -> None:
        until = self._now + max(seconds, 0.0)
        while self._script and self._script[0][0] <= until and not self.woken:
            at, act = self._script.pop(0)
            self._now = max(self._now, at)
            act()
        if not self.woken:
            self._now = until

    def wake(self) -> None:
        self.woken = True
