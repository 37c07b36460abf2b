"""Numbers with their units, as screens show them."""

_GIGA, _MEGA = 1_000_000_000, 1_000_000


def data_rate(bytes_s: float) -> str:
    """Bytes a second in SI units."""
    if bytes_s >= _GIGA:
        return f"{bytes_s / _GIGA:.3f} GB/s"
    return f"{bytes_s / _MEGA:.1f} MB/s"
