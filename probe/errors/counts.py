"""The kernel's error counts of a link."""

import msgspec


class ErrorTotals(msgspec.Struct, frozen=True):
    """The kernel's error counts for a link since boot, by severity; None where no counter was read."""

    correctable: int | None = None
    nonfatal: int | None = None
    fatal: int | None = None
