"""Numbers with their units, as screens show them."""

from collections.abc import Iterator

from probe.counted import counted

_GIGA, _MEGA, _KILO = 1_000_000_000, 1_000_000, 1_000


def data_rate(bytes_s: float) -> str:
    """Bytes a second in SI units."""
    if bytes_s >= _GIGA:
        return f"{bytes_s / _GIGA:.3f} GB/s"
    return f"{bytes_s / _MEGA:.1f} MB/s"


def measured_rate(bytes_s: float) -> str:
    """A rate that was measured, in the three digits that a median to a two-hundredth supports."""
    for limit, unit in ((_GIGA, "GB/s"), (_MEGA, "MB/s")):
        if bytes_s >= limit:
            return f"{float(f'{bytes_s / limit:.3g}'):g} {unit}"
    return f"{float(f'{bytes_s / _KILO:.3g}'):g} kB/s"


def duration(seconds: float) -> str:
    """A time in the unit a person would use."""
    for limit, unit, name in ((120.0, 1.0, "s"), (7200.0, 60.0, "min"), (172_800.0, 3600.0, "h")):
        if abs(seconds) < limit:
            return f"{seconds / unit:.3g} {name}"
    return f"{seconds / 86_400.0:.3g} days"


def countdown(seconds: float) -> str:
    """A time as a clock counts it, with the days before it."""
    days, rest = divmod(int(max(seconds, 0.0)), 86_400)
    hours, minutes = divmod(rest // 60, 60)
    clock = f"{hours}:{minutes:02d}:{rest % 60:02d}"
    return f"{counted(days, 'day')} {clock}" if days else clock


def even_runs(count: int, most: int) -> Iterator[range]:
    """The numbers from 0 on in runs of at most so many, as even as can be: 30 where 12 have room are three of 10."""
    runs = -(-count // max(most, 1))
    size = -(-count // runs) if runs else 1
    yield from (range(start, min(start + size, count)) for start in range(0, count, size))
