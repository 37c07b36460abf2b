"""A snapshot as comparable values: for each place what is in it and how it runs, and what the host is.

A place is known by the way it is wired from the root, never by bus number. Times, loads, orders are no part of it.
"""

from collections.abc import Iterator

import msgspec

from probe.audit.document import LinkDocument
from probe.audit.names import identity, title
from probe.audit.snapshot import Snapshot, judged_links
from probe.errors.attribution import Count
from probe.kernel_spellings import COUNTER_FILES, nonzero_counts
from probe.links.link import COMPONENT, PORT

OCCUPANT = "component"


class PlacePortrait(msgspec.Struct, frozen=True):
    """One place: its link as judged, its comparable values by name, and its error counts."""

    id: str
    title: str
    link: LinkDocument
    values: dict[str, str | None]
    counts: dict[tuple[str, str, str, str], int]


class Portrait(msgspec.Struct, frozen=True):
    """One snapshot: its places by id, the host's comparable values, and what is needed to reckon time."""

    places: dict[str, PlacePortrait]
    host: dict[str, str | None]
    boot_id: str | None
    uptime_s: float | None
    taken_at: str


def portrait(snapshot: Snapshot) -> Portrait:
    """The comparable values of a snapshot."""
    host = snapshot.evidence.host
    attributes = {item.address: item.attributes for item in snapshot.evidence.functions}
    places = {}
    for link in judged_links(snapshot):
        place = PlacePortrait(link.place_id, title(link), link, _values(link), dict(_counts(link, attributes)))
        places[place.id] = place
    firmware = {name: text for name, text in host.firmware.items() if name.startswith(("bios", "product", "board"))}
    return Portrait(places, {"kernel": host.kernel, **firmware}, host.boot_id, host.uptime_s, host.taken_at)


def _values(link: LinkDocument) -> dict[str, str | None]:
    if link.component is None:
        return {OCCUPANT: None, "verdict": link.verdict.value, "answers": None}
    now = link.negotiated
    return {
        OCCUPANT: identity(link),
        "verdict": link.verdict.value,
        "answers": "no" if link.silent else "yes",
        "speed": None if now.speed_gts is None else f"{now.speed_gts:g} GT/s",
        "width": None if now.width is None else f"x{now.width}",
        "lanes in error": _listed(link.lanes_in_error),
        "error status": _listed(link.status_errors),
        "equalization": _listed(link.equalized_gts),
        "Max_Payload_Size": _text(link.bandwidth.max_payload_size),
        "Max_Read_Request_Size": _text(link.bandwidth.max_read_request_size),
        "ASPM": link.aspm,
        "driver": link.component.driver,
    }


def _text(value: int | None) -> str | None:
    return None if value is None else str(value)


def _listed(by_end: dict[str, tuple[int, ...]] | dict[str, tuple[str, ...]]) -> str | None:
    parts = [f"{end}: {', '.join(map(str, values))}" for end, values in sorted(by_end.items())]
    return "; ".join(parts) or None


def _counts(
    link: LinkDocument, attributes: dict[str, dict[str, str]]
) -> Iterator[tuple[tuple[str, str, str, str], int]]:
    """Counts that are not zero, by end, function of its component, severity and error."""
    ends = [(PORT, link.downstream_port)] if link.downstream_port else []
    ends += [(COMPONENT, address) for address in (link.component.functions if link.component else ())]
    for end, address in ends:
        texts = attributes.get(address or "", {})
        number = (address or "").rpartition(":")[2]
        for severity, file in COUNTER_FILES.items():
            text = texts.get(file)
            if text:
                for error, count in nonzero_counts(text).items():
                    yield (end, number, severity, error), count


def as_count(key: tuple[str, str, str, str], count: int) -> Count:
    """A count as the accounting takes it."""
    return (*key, count)
