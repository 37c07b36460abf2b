"""The temperature sensors of a component or of its drive, with the limits that it states. Documentation/hwmon.

A sensor comes with its driver, which may be later than the component: after it came back one looks again.
"""

import contextlib
import os
from collections.abc import Iterator

import msgspec

from probe.observe.heat import Heat, plausible

_FILE_BYTES = 64
_MILLI = 1000.0
_LOOKS_AGAIN = 30
"""Readings for which a sensor that is not there is looked for anew."""


class _Sensor(msgspec.Struct, frozen=True):
    descriptor: int
    name: str
    max_c: float | None
    crit_c: float | None


class Sensors:
    """All of one component; the limits are read once, since a drive has to be asked for them."""

    def __init__(self, component: str | None) -> None:
        self._component = component
        self._sensors: list[_Sensor] = []
        self._looks = 1
        self._look()

    def look_again(self) -> None:
        """The component is another one, or its driver: what was open says nothing of it."""
        self.close()
        self._looks = _LOOKS_AGAIN

    def read(self) -> tuple[Heat, ...]:
        """What they show now, the first first; none where there is none that answers."""
        if not self._sensors and self._looks:
            self._look()
        shown = [(sensor, _degrees(_text(sensor.descriptor))) for sensor in self._sensors]
        if shown and all(degrees is None for _, degrees in shown):
            self.look_again()
        return tuple(
            Heat(sensor.name, degrees, sensor.max_c, sensor.crit_c) for sensor, degrees in shown if degrees is not None
        )

    def _look(self) -> None:
        """Open the first sensor, and all that state a limit."""
        self._looks -= 1
        for number, found in enumerate(self._found()):
            if number == 0 or found.max_c is not None or found.crit_c is not None:
                self._sensors.append(found)
            else:
                os.close(found.descriptor)

    def _found(self) -> Iterator[_Sensor]:
        base = self._component
        for folder in () if base is None else (f"{base}/hwmon", *_subfolders(f"{base}/nvme")):
            for place in _subfolders(folder):
                if os.path.basename(place).startswith("hwmon"):  # noqa: PTH119 - plain strings
                    yield from _of(place)

    def close(self) -> None:
        """Let the files go."""
        for sensor in self._sensors:
            with contextlib.suppress(OSError):
                os.close(sensor.descriptor)
        self._sensors = []


def _of(place: str) -> Iterator[_Sensor]:
    names = [os.path.basename(path) for path in _subfolders(place)]  # noqa: PTH119 - plain strings
    found = [name.removesuffix("_input") for name in names if name.startswith("temp") and name.endswith("_input")]
    for name in sorted(found, key=lambda name: (len(name), name)):
        descriptor = _open(f"{place}/{name}_input")
        if descriptor is not None:
            label = _once(f"{place}/{name}_label") or name
            limits = [plausible(_degrees(_once(f"{place}/{name}_{limit}"))) for limit in ("max", "crit")]
            yield _Sensor(descriptor, label, *limits)


def _open(path: str) -> int | None:
    try:
        return os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return None


def _once(path: str) -> str | None:
    descriptor = _open(path)
    if descriptor is None:
        return None
    try:
        return _text(descriptor)
    finally:
        os.close(descriptor)


def _text(descriptor: int) -> str | None:
    try:
        return os.pread(descriptor, _FILE_BYTES, 0).decode("utf-8", "replace").strip()
    except OSError:
        return None


def _degrees(text: str | None) -> float | None:
    return int(text) / _MILLI if text and text.lstrip("-").isdecimal() else None


def _subfolders(path: str) -> list[str]:
    try:
        return [f"{path}/{name}" for name in sorted(os.listdir(path))]  # noqa: PTH208 - plain strings
    except OSError:
        return []
