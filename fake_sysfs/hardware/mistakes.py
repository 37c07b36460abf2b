"""What a client did wrong."""

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake: of which kind, where, what, and when.

    Kinds: `order`, `reserved`, `not offered`, `precondition`, `lanes at once`, `both ends`, `elsewhere`, `patience`,
    `left behind`.
    """

    kind: str
    where: str
    what: str
    at: float = 0.0


class Mistakes:
    """The list, in the order in which they were made."""

    def __init__(self, now: Callable[[], float]) -> None:
        self.made: list[Mistake] = []
        self._now = now

    def note(self, kind: str, where: str, what: str) -> None:
        """Add one."""
        self.made.append(Mistake(kind, where, what, self._now()))
