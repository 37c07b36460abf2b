"""Where an axis of time has its marks, and what they say."""

import msgspec

_STEPS_S = (
    1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 21_600, 43_200, 86_400, 172_800, 604_800,
)  # fmt: skip
_MOST = 10
_UNITS = ((86_400, "d"), (3600, "h"), (60, "min"), (1, "s"))


class Tick(msgspec.Struct, frozen=True):
    """A mark at `t` seconds."""

    t: float
    label: str


def ticks(end_s: float) -> tuple[Tick, ...]:
    """Marks from 0 to the end of the run, round in the unit that a person would use."""
    step = next((step for step in _STEPS_S if end_s / step <= _MOST), _STEPS_S[-1])
    if end_s / step > _MOST:
        step *= int(end_s / step / _MOST) + 1
    size, unit = next((size, unit) for size, unit in _UNITS if step % size == 0)
    marks = range(int(end_s / step) + 1)
    return tuple(Tick(float(number * step), f"{number * step // size} {unit}" if number else "0") for number in marks)
