"""What a change means for the machine."""

from enum import StrEnum


class Rank(StrEnum):
    """What a change means for the machine, worst first."""

    WORSE = "worse"
    NEUTRAL = "neutral"
    BETTER = "better"

    @property
    def order(self) -> int:
        """Smaller is worse."""
        return list(Rank).index(self)
