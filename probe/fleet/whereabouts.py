"""Where a component was, from when to when, and how it ran there: told from rows, wherever these come from. Pure.

A component is known by its Device Serial Number. What was not counted or not tested there is null, never zero.
"""

from collections.abc import Iterable, Mapping, Sequence

import msgspec

from probe.fleet.rows import HostRow, LinkRow, OccupantRow, ResultRow, RiseRow
from probe.links.state import LinkState
from probe.registers.errors import Severity
from probe.schemas import Schema

SERIAL = "serial "
"""What an identity that is a serial number begins with."""


class Test(msgspec.Struct, frozen=True):
    """What a test said of the component's link in that place."""

    test: str
    taken_s: int
    result: str
    margin_ui: float | None = None
    margin_volts: float | None = None
    trainings: int | None = None
    trainings_short: int | None = None


class Stay(msgspec.Struct, frozen=True, kw_only=True):
    """A component in a place. `until_s` is null where it was there when its host was last seen, at `seen_s`.

    `boots`: in how many it was seen there; `short`: in how many of them below capability. `states` are the speeds and
    widths it ran at, the last one last. Errors are those that came while it was there and counted, null where its
    counters were never read twice.
    """

    host: str
    machine: str
    place: str
    place_id: str
    address: str | None
    component: str | None
    identity: str | None
    since_s: int
    until_s: int | None
    seen_s: int | None
    boots: int
    short: int
    verdict: str | None
    speed_gts: float | None
    width: int | None
    states: tuple[str, ...] = ()
    correctable: int | None = None
    uncorrectable: int | None = None
    tests: tuple[Test, ...] = ()


class Whereabouts(msgspec.Struct, frozen=True, kw_only=True):
    """Every stay of one component, from the first on. `machines` is how many were looked through."""

    schema: str = Schema.WHERE
    serial: str
    machines: int | None = None
    stays: tuple[Stay, ...] = ()


class OfComponent(msgspec.Struct, frozen=True, kw_only=True):
    """The rows that tell of one component: its hosts and places, its links and errors, tests of these places."""

    hosts: Sequence[HostRow] = ()
    occupants: Sequence[OccupantRow] = ()
    links: Sequence[LinkRow] = ()
    rises: Sequence[RiseRow] = ()
    results: Sequence[ResultRow] = ()


def plain_serial(text: str) -> str:
    """A serial number as it is compared: without its dashes, in small letters. Whoever asks may write it either way."""
    return text.strip().removeprefix(SERIAL).replace("-", "").lower()


def is_of(identity: str | None, serial: str) -> bool:
    """Whether an identity is this serial number."""
    return identity is not None and identity.startswith(SERIAL) and plain_serial(identity) == plain_serial(serial)


def of_component(rows: Mapping[str, Iterable[msgspec.Struct]], serial: str) -> OfComponent:
    """Of all rows those that tell of one component."""
    occupants = [
        row for row in rows.get("occupants", ()) if isinstance(row, OccupantRow) and is_of(row.identity, serial)
    ]
    places = {(row.host, row.place_id) for row in occupants}
    hosts = {row.host for row in occupants}
    return OfComponent(
        hosts=[row for row in rows.get("hosts", ()) if isinstance(row, HostRow) and row.host in hosts],
        occupants=occupants,
        links=[row for row in rows.get("links", ()) if isinstance(row, LinkRow) and is_of(row.identity, serial)],
        rises=[row for row in rows.get("rises", ()) if isinstance(row, RiseRow) and is_of(row.identity, serial)],
        results=[
            row for row in rows.get("results", ())
            if isinstance(row, ResultRow) and (row.host, row.place_id) in places
        ],
    )  # fmt: skip


def whereabouts(serial: str, found: OfComponent, machines: int | None = None) -> Whereabouts:
    """The stays of one component, in time order."""
    stays = sorted(
        (_stay(row, found) for row in found.occupants),
        key=lambda stay: (stay.since_s, stay.host, stay.machine, stay.place),
    )
    return Whereabouts(serial=serial, machines=machines, stays=tuple(stays))


def _stay(row: OccupantRow, found: OfComponent) -> Stay:
    links = sorted((item for item in found.links if _same(item, row) and _within(item.from_s, row)), key=_from)
    rises = [item for item in found.rises if _same(item, row) and _within(item.until_s, row)]
    tests = sorted((item for item in found.results if _same(item, row) and _within(item.taken_s, row)), key=_taken)
    last = links[-1] if links else None
    seen_s = next((host.last_s for host in found.hosts if host.host == row.host), None)
    watching = row.watched_since_s is not None and seen_s is not None and seen_s > row.watched_since_s
    counted = bool(row.watched_s or watching or rises)
    return Stay(
        host=row.name,
        machine=row.host,
        place=row.place,
        place_id=row.place_id,
        address=last.address if last else None,
        component=row.component,
        identity=row.identity,
        since_s=row.from_s,
        until_s=row.to_s,
        seen_s=seen_s,
        boots=row.boots,
        short=row.short,
        verdict=last.verdict if last else None,
        speed_gts=last.speed_gts if last else None,
        width=last.width if last else None,
        states=_states(links),
        correctable=_events(rises, correctable=True) if counted else None,
        uncorrectable=_events(rises, correctable=False) if counted else None,
        tests=tuple(map(_test, tests)),
    )


def _test(row: ResultRow) -> Test:
    return Test(row.test, row.taken_s, row.result, row.margin_ui, row.margin_volts, row.trainings, row.trainings_short)


def _same(row: LinkRow | RiseRow | ResultRow, stay: OccupantRow) -> bool:
    return (row.host, row.place_id) == (stay.host, stay.place_id)


def _within(moment_s: int, stay: OccupantRow) -> bool:
    return stay.from_s <= moment_s and (stay.to_s is None or moment_s <= stay.to_s)


def _from(row: LinkRow) -> int:
    return row.from_s


def _taken(row: ResultRow) -> tuple[int, str]:
    return row.taken_s, row.test


def _states(links: Iterable[LinkRow]) -> tuple[str, ...]:
    """Each state once, in the order in which it was last entered."""
    seen: dict[str, None] = {}
    for link in links:
        if link.speed_gts is not None and link.width is not None:
            text = str(LinkState(link.speed_gts, link.width))
            seen.pop(text, None)
            seen[text] = None
    return tuple(seen)


def _events(rises: Iterable[RiseRow], *, correctable: bool) -> int:
    return sum(row.events for row in rises if (row.severity == Severity.CORRECTABLE) == correctable)
