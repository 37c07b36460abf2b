"""Time that passes only when somebody waits, and a little with each look at the hardware."""


class FakeClock:
    """Seconds, from zero."""

    def __init__(self) -> None:
        self.time = 0.0

    def now(self) -> float:
        """The time."""
        return self.time

    def pass_by(self, seconds: float) -> None:
        """Let time pass."""
        self.time += seconds
