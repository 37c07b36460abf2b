"""Numbers with their units, as screens show them."""

_GIGA, _MEGA = 1_000_000_000, 1_000_000


def data_rate(bytes_s: float) -> str:
    """Bytes a second in SI units."""
    if bytes_s >= _GIGA:
        return f"{bytes_s / _GIGA:.3f} GB/s"
    return f"{bytes_s / _MEGA:.1f} MB/s"


def duration(seconds: float) -> str:
    """A time in the unit a person would use."""
    for limit, unit, name in ((120.0, 1.0, "s"), (7200.0, 60.0, "min"), (172_800.0, 3600.0, "h")):
        if abs(seconds) < limit:
            return f"{seconds / unit:.3g} {name}"
    return f"{seconds / 86_400.0:.3g} days"
