"""How hot a component is by its own limits: what it is made for (`max`), and where it is in danger (`crit`). Pure.

Documentation/hwmon/sysfs-interface.rst of the kernel: `temp*_max` and `temp*_crit` come from the chip or its driver.
"""

from collections.abc import Iterable, Iterator
from enum import IntEnum

import msgspec

from probe.observe.events import LinkEvent, LinkEventKind

_COOLER_BY_C = 3.0
"""Told again only after it was so much below: a temperature flutters about a limit."""
_PLAUSIBLE_C = (1.0, 200.0)
"""Limits outside say that there is none: drives state 65,262 or 0 degrees then."""


class Heat(msgspec.Struct, frozen=True):
    """One sensor: its name, what it shows, and the limits that the component states for it; degrees Celsius."""

    sensor: str
    temperature_c: float
    max_c: float | None = None
    crit_c: float | None = None


class Level(IntEnum):
    """How hot that is."""

    FINE = 0
    HOT = 1
    CRITICAL = 2


def plausible(limit_c: float | None) -> float | None:
    """A limit that may be one; None where it says that there is none."""
    least, most = _PLAUSIBLE_C
    return limit_c if limit_c is not None and least <= limit_c <= most else None


class HeatTrack:
    """The sensors of one link over time."""

    def __init__(self, place_id: str) -> None:
        self._place_id = place_id
        self._told: dict[str, Level] = {}

    def take(self, t: float, sensors: Iterable[Heat]) -> Iterator[LinkEvent]:
        """An event for each that has become hot or critical."""
        for heat in sensors:
            told, level = self._told.get(heat.sensor, Level.FINE), _level(heat, 0.0)
            if level > told:
                yield self._event(t, heat, level)
            self._told[heat.sensor] = max(level, min(told, _level(heat, _COOLER_BY_C)))

    def _event(self, t: float, heat: Heat, level: Level) -> LinkEvent:
        if level is Level.CRITICAL:
            kind, words = LinkEventKind.CRITICAL, f"its own critical temperature is {heat.crit_c:g}"
        else:
            kind, words = LinkEventKind.HOT, f"it is made for {heat.max_c:g}; look at its cooling"
        sentence = f"{heat.temperature_c:g} degrees Celsius at {heat.sensor}: {words}"
        return LinkEvent(t=t, place_id=self._place_id, kind=kind, sentence=sentence)


def _level(heat: Heat, margin_c: float) -> Level:
    at = heat.temperature_c + margin_c
    if heat.crit_c is not None and at >= heat.crit_c:
        return Level.CRITICAL
    return Level.HOT if heat.max_c is not None and at >= heat.max_c else Level.FINE
