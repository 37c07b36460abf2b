"""Lanes and ways in words, and the same said of several lanes said once."""

from collections.abc import Iterable, Iterator, Mapping

from probe.active.margining.document import LaneMargin


def worded(side: str) -> str:
    """The name of a way as a person reads it."""
    return side.replace("_", " ")


def lanes_in_words(lanes: Iterable[int]) -> str:
    """`lane 3`, `lanes 0 to 7`, `lanes 0, 1, 8 to 15`."""
    found = sorted(lanes)
    runs: list[list[int]] = []
    for lane in found:
        if runs and runs[-1][-1] == lane - 1:
            runs[-1].append(lane)
        else:
            runs.append([lane])
    told = ", ".join(", ".join(map(str, run)) if len(run) < _LONG else f"{run[0]} to {run[-1]}" for run in runs)
    return f"lane{'s' if len(found) > 1 else ''} {told}"


_LONG = 3


def grouped(said: Iterable[tuple[int, str]]) -> Iterator[str]:
    """What is said of lanes, each thing once with the lanes that it is said of, in the order of first mention."""
    lanes: dict[str, list[int]] = {}
    for lane, text in said:
        lanes.setdefault(text, []).append(lane)
    return (f"{lanes_in_words(found)}: {text}" for text, found in lanes.items())


def remarks(lanes: Iterable[LaneMargin]) -> Iterator[str]:
    """What is to be said of lanes beside their figures: what could not be measured, and what was slow."""
    return grouped((lane.lane, text) for lane in lanes for text in filter(None, (lane.unmeasured, *lane.notes)))


def ways_in_words(reasons: Mapping[str, str]) -> str | None:
    """Why ways of a lane are missing: a reason that is the same for several is said once. None where none is."""
    ways: dict[str, list[str]] = {}
    for name, why in reasons.items():
        ways.setdefault(why, []).append(worded(name))
    return "; ".join(f"{', '.join(names)}: {why}" for why, names in ways.items()) or None
