"""A link's speed and width."""

import msgspec


class LinkState(msgspec.Struct, frozen=True):
    """Speed in GT/s and width in lanes; None where not read."""

    speed_gts: float | None = None
    width: int | None = None

    def __str__(self) -> str:
        """As screens show it."""
        if self.speed_gts is None or self.width is None:
            return "not read"
        return f"{self.speed_gts:g} GT/s x{self.width}"
