"""What is told while an active test runs: a line a training or piece of news; on a terminal also where it stands.

Where there are many trainings, only those that came up short and every tenth part of them have a line.
"""

from collections import Counter
from types import TracebackType
from typing import TYPE_CHECKING, Self

from rich.console import Console
from rich.text import Text

from probe.active.documents import Attempt, Kind
from probe.active.target import Target
from probe.counted import counted
from probe.links.state import LinkState
from probe.render.trained import time_of
from probe.render.units import duration

if TYPE_CHECKING:
    from rich.status import Status

_MANY = 40
_PARTS = 10


class Telling:
    """Somebody to tell of each training as it is done, and of other news; `times` is how many trainings a link has.

    As a context it also shows, on a terminal, where the test stands and about how long it takes yet.
    """

    def __init__(self, screen: Console, times: int = 0) -> None:
        self._screen = screen
        self._times = times
        self._short: Counter[str] = Counter()
        self._began: dict[str, float] = {}
        self._status: Status | None = None
        self.stands = ""
        """Where the test stands, as a terminal shows it."""

    def __enter__(self) -> Self:
        """Begin to show where it stands, on a terminal."""
        if self._screen.is_terminal:
            self._status = self._screen.status("begins", spinner="line")
            self._status.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Show it no more."""
        if self._status is not None:
            self._status.stop()
            self._status = None

    def __call__(self, target: Target, news: Attempt | str) -> None:
        """Tell it."""
        port = str(target.port.address)
        self._began.setdefault(port, self._screen.get_time())
        if isinstance(news, str):
            self._line(port, news)
            self.stands = news
        else:
            good = news.kind is Kind.GOOD
            self._short[port] += news.observed_training and not good
            if not good or not self._many or news.number % max(1, self._times // _PARTS) == 0:
                self._line(port, f"training {self._numbered(news)}: {_came(news)}, {time_of(news)}")
            self.stands = f"training {self._numbered(news)}; {self._so_far(port)}{self._left(port, news)}"
        if self._status is not None:
            self._status.update(Text(f"{port}  {self.stands}"))

    @property
    def _many(self) -> bool:
        return self._times > _MANY

    def _line(self, port: str, told: str) -> None:
        self._screen.print(Text(f"{port}  {told}"), soft_wrap=True)

    def _numbered(self, attempt: Attempt) -> str:
        return f"{attempt.number} of {self._times}" if self._times else str(attempt.number)

    def _so_far(self, port: str) -> str:
        return f"{self._short[port]} short so far" if self._short[port] else "none short so far"

    def _left(self, port: str, attempt: Attempt) -> str:
        left, since_the_first = self._times - attempt.number, attempt.number - 1
        if left <= 0 or not since_the_first:
            return ""
        a_training = (self._screen.get_time() - self._began[port]) / since_the_first
        return f"; {counted(left, 'training')} to go, about {duration(left * a_training)}"


def _came(attempt: Attempt) -> str:
    problem = "" if attempt.problem is None else f" ({attempt.problem})"
    return f"{attempt.kind}, {LinkState(attempt.speed_gts, attempt.width)}{problem}"
