"""In which order a host's boots came, and where each stands on the calendar.

The spool's running number orders boots: no clock can set it back. It begins anew where a spool was lost, so boots whose
numbers overlap are of different spools. Wall clocks only place a boot on the calendar, and one that cannot be is told.
"""

from collections.abc import Iterable, Mapping
from itertools import pairwise

import msgspec

from probe.fleet.chronicle import Boot

_SLACK_S = 3_600
"""A boot that seems to begin this much before the one before it ended has a clock that is a little off, not wrong."""


class PlacedBoot(msgspec.Struct, frozen=True):
    """A boot with its start on the calendar, seconds since 1970. `odd` says that its own clock cannot be right."""

    id: str
    boot: Boot
    start_s: int
    odd: bool

    def at(self, moment: int) -> int:
        """A moment on the calendar."""
        return self.start_s + moment // 100

    @property
    def end_s(self) -> int:
        """When it was last seen."""
        return self.at(self.boot.moments[-1])


def placed(boots: Mapping[str, Boot]) -> list[PlacedBoot]:
    """The boots in order. Those of different spools are merged by the calendar."""
    lines = _lines(boots)
    dated = [_on_calendar(line) for line in lines if any(_start(boot) is not None for _, boot in line)]
    found = sorted((boot for line in dated for boot in line), key=lambda item: (item.start_s, item.id))
    for line in lines:  # without any date, nor neighbours: before all, so that it hides nothing
        if all(_start(boot) is None for _, boot in line):
            found = [*_before(line, found[0].start_s if found else None), *found]
    return found


def overlap(order: Iterable[PlacedBoot]) -> bool:
    """Whether two boots ran at once: two machines answer to one id."""
    return any(later.start_s + _SLACK_S < earlier.end_s for earlier, later in pairwise(order))


def _start(boot: Boot) -> int | None:
    return None if boot.clock is None else boot.clock[1]


def _lines(boots: Mapping[str, Boot]) -> list[list[tuple[str, Boot]]]:
    """Boots by the spool they came from, each in order."""
    numbered = [item for item in boots.items() if item[1].numbers is not None]
    others = [item for item in boots.items() if item[1].numbers is None]
    lines: list[list[tuple[str, Boot]]] = []
    for name, boot in sorted(numbered, key=lambda item: (item[1].numbers, _start(item[1]) or 0, item[0])):
        fitting = [line for line in lines if _last_number(line) < _numbers(boot)[0]]
        if fitting:
            max(fitting, key=lambda line: (_in_time(line, boot), _last_number(line))).append((name, boot))
        else:
            lines.append([(name, boot)])
    lines += [[item] for item in sorted(others, key=lambda item: item[0])]
    return lines


def _numbers(boot: Boot) -> tuple[int, int]:
    return boot.numbers or (0, 0)


def _last_number(line: list[tuple[str, Boot]]) -> int:
    return _numbers(line[-1][1])[1]


def _in_time(line: list[tuple[str, Boot]], boot: Boot) -> bool:
    before, now = _start(line[-1][1]), _start(boot)
    return before is None or now is None or before <= now


def _on_calendar(line: list[tuple[str, Boot]]) -> list[PlacedBoot]:
    """Each after the one before. One without a possible clock follows its predecessor, or leads to its successor."""
    found: list[PlacedBoot] = []
    for index, (name, boot) in enumerate(line):
        own = _start(boot)
        least = found[-1].end_s + 1 if found else None
        if own is not None and (least is None or own >= least - _SLACK_S):
            start, odd = max(own, least or own), boot.impossible is not None
        elif least is not None:
            start, odd = least, True
        else:
            start, odd = _before_next(line[index:]), True
        found.append(PlacedBoot(name, boot, start, odd=odd))
    return found


def _before_next(line: list[tuple[str, Boot]]) -> int:
    """A start that lets this boot and those after it end before the first that has a clock."""
    length = 0
    for _, boot in line:
        start = _start(boot)
        if start is not None:
            return start - length
        length += boot.moments[-1] // 100 + 1
    raise ValueError("no boot of the line has a clock")


def _before(line: list[tuple[str, Boot]], until_s: int | None) -> list[PlacedBoot]:
    """Boots of impossible clocks only, one after the other, up to a time; where there is none, from the epoch on."""
    start = 0 if until_s is None else until_s - sum(boot.moments[-1] // 100 + 1 for _, boot in line)
    found = []
    for name, boot in line:
        found.append(PlacedBoot(name, boot, start, odd=True))
        start += boot.moments[-1] // 100 + 1
    return found
