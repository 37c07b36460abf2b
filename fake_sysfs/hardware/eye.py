"""Drawn eyes: the bit error ratio at a step of a lane, each way."""

from dataclasses import dataclass
from typing import Protocol


class Eye(Protocol):
    """What a lane's sampling point meets."""

    def ratio(self, way: str, steps: int) -> float:
        """The bit error ratio at so many steps from the middle."""


@dataclass(frozen=True, slots=True)
class Wall:
    """No error up to a step, an error in every bit beyond. One right answer, whatever the method."""

    left: int = 8
    right: int = 8
    up: int = 20
    down: int = 20

    def ratio(self, way: str, steps: int) -> float:
        """0 or 1."""
        reach: int = getattr(self, way)
        return 0.0 if steps <= reach else 1.0


@dataclass(frozen=True, slots=True)
class Slope:
    """A ratio that grows tenfold a step, from `at_step_one`. The answer depends on bits and limit."""

    at_step_one: float = 1e-16
    factor: float = 10.0

    def ratio(self, way: str, steps: int) -> float:  # noqa: ARG002 - the same each way
        """At most one half: beyond that a bit is as good as chance."""
        return float(min(0.5, self.at_step_one * self.factor ** (steps - 1)))
