"""How many errors are too many: a count in a window of time.

Defaults are the only published generic numbers found: an operating system's fault manager condemns a link at 6
correctable link errors in 2 hours and a device at 3 poisoned or ECRC errors in 168 (illumos `pciex.esc`). 1e-12, the
ratio that the specification aims at, is no limit: it would let pass 1,843 errors an hour at 32 GT/s x16.
"""

import re

import msgspec

from probe.errors.attribution import ErrorFinding, is_data_error, is_link_error
from probe.exceptions import InputError

_LIMIT = re.compile(r"(\d{1,9})\s*/\s*(\d{1,9}(?:\.\d{1,9})?)\s*h")
_HOUR_S = 3600.0


class Limit(msgspec.Struct, frozen=True):
    """`count` errors in `hours` are too many."""

    count: int
    hours: float

    @classmethod
    def parse(cls, text: str) -> "Limit":
        """Read `6/2h`. Raises InputError."""
        match = _LIMIT.fullmatch(text.strip())
        if match is None or int(match[1]) == 0 or float(match[2]) == 0:
            raise InputError("is no limit", where=repr(text), remedy="write errors and hours, as 6/2h")
        return cls(int(match[1]), float(match[2]))

    def __str__(self) -> str:
        """As a person writes it."""
        return f"{self.count}/{self.hours:g}h"

    @property
    def seconds(self) -> float:
        """The length of the window."""
        return self.hours * _HOUR_S

    def exceeded(self, errors: int, elapsed_s: float | None) -> bool:
        """Whether `errors` in the time are too many.

        Within the window the count decides. Over a longer time the average must reach the limit's rate too: when in it
        the errors came is not known. Without a time the count decides.
        """
        if errors < self.count:
            return False
        if elapsed_s is None or elapsed_s <= self.seconds:
            return True
        return errors / elapsed_s >= self.count / self.seconds


class Limits(msgspec.Struct, frozen=True):
    """The limits that a comparison is held to."""

    correctable: Limit = Limit(6, 2.0)
    data: Limit = Limit(3, 168.0)

    def proven_by(self, finding: ErrorFinding, elapsed_s: float | None) -> Limit | None:
        """The limit that this count over this time alone proves exceeded; None without a time, or where none is.

        A count over longer than the window proves it where the average reaches the limit's rate: then some window held
        as many.
        """
        limit = self.correctable if is_link_error(finding) else self.data if is_data_error(finding) else None
        if limit is None or elapsed_s is None or not limit.exceeded(finding.events, elapsed_s):
            return None
        return limit
