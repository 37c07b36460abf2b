"""The time of day, as a journal has it."""

from datetime import UTC, datetime


def now() -> str:
    """The moment, in UTC to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")
