"""Numbers that no command can work with, whatever they are for."""

import math
from collections.abc import Mapping

from probe.exceptions import InputError


def refuse_odd_numbers(options: Mapping[str, float | None]) -> None:
    """Raise InputError for an option that is not above zero, or is infinite or no number; None was not given."""
    for name, value in options.items():
        if value is not None and not 0 < value < math.inf:
            raise InputError("is not above 0, or has no end", where=f"{name} {value:g}", remedy="give a number above 0")
