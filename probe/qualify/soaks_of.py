"""What all soaks of a qualification say of each link together: what their time can show, errors by heat and by time.

Pure.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence

import msgspec

from probe.qualify.confidence import Confidence, confidence
from probe.qualify.entries import Entry, SoakPart
from probe.qualify.error_bands import ErrorBand, by_temperature, by_time
from probe.qualify.soak_parts import stitched, watched
from probe.soak.judging import counts_errors


class SoakBands(msgspec.Struct, frozen=True, kw_only=True):
    """One soak: errors of its links by temperature, and by time; of those of the places `uncounted` none is known."""

    turn: int
    name: str
    by_temperature: tuple[ErrorBand, ...]
    by_time: tuple[ErrorBand, ...]
    uncounted: tuple[str, ...] = ()


def soaks_of(entries: Sequence[Entry]) -> dict[int, list[SoakPart]]:
    """The parts of each soak, by the turn."""
    found: dict[int, list[SoakPart]] = defaultdict(list)
    for entry in entries:
        if isinstance(entry, SoakPart):
            found[entry.turn].append(entry)
    return dict(found)


def confidences(entries: Sequence[Entry]) -> tuple[Confidence, ...]:
    """What the time of all soaks can show, a link each."""
    soaks = [(watched(parts), stitched(parts)) for parts in soaks_of(entries).values()]
    links = {link.place_id: link for links, _ in reversed(soaks) for link in links}
    return tuple(
        confidence(link, [whole for watching, whole in soaks if any(item.place_id == place for item in watching)])
        for place, link in links.items()
    )


def bands(entries: Sequence[Entry], names: Mapping[int, str]) -> Iterator[SoakBands]:
    """The bands of each soak."""
    for turn, parts in soaks_of(entries).items():
        whole, links = stitched(parts), watched(parts)
        places = [link.place_id for link in links if counts_errors(link)]
        yield SoakBands(
            turn=turn, name=names.get(turn, ""), by_temperature=tuple(by_temperature(whole, places)),
            by_time=tuple(by_time(whole, places)),
            uncounted=tuple(link.place_id for link in links if not counts_errors(link)),
        )  # fmt: skip
