"""Observations, chronicles and tables made in memory, for tests that need no file."""

from collections.abc import Callable, Iterable, Sequence
from typing import Any

import ibis
import msgspec

from probe.fleet.chronicle import Chronicle, Counted, HostFacts, LinkSeen, Observation, Scribe
from probe.fleet.columns import arrow_table
from probe.fleet.engine import Tables
from probe.fleet.rows import Row
from probe.fleet.telling import rows_of

NOW_S = 1_800_000_000
DAY_0_S = 1_790_000_000 - 1_790_000_000 % 86_400
HOUR_S, DAY_S = 3_600, 86_400
PLACE = "0000/0/01.0"
LINK = LinkSeen(
    place="1", address="0000:00:01.0", verdict="full", standing="slot", component="Store", kind="0x1:0x2",
    serial="00-01", speed_gts=16.0, width=8, possible_speed_gts=16.0, possible_width=8,
)  # fmt: skip
EMPTY = LinkSeen(place="1", address="0000:00:01.0", verdict="empty", standing="slot")
UNREAD = msgspec.structs.replace(LINK, serial=None)
READ = tuple(
    (end, number, severity)
    for end, number in (("port", ""), ("component", "00.0"))
    for severity in ("correctable", "nonfatal", "fatal")
)


def link(**changes: Any) -> LinkSeen:
    return msgspec.structs.replace(LINK, **changes)


def counted(correctable: int = 0, *, fatal: int = 0, error: str = "Bad TLP", end: str = "component") -> Counted:
    """The counters of a link, all read; only those given are not zero."""
    number = "" if end == "port" else "00.0"
    rows = [(end, number, "correctable", error, correctable), (end, number, "fatal", "Surprise Down Error", fatal)]
    return Counted(READ, tuple(row for row in rows if row[4]))


def seen(
    at_s: float,
    *links: LinkSeen,
    boot: str = "b1",
    began_s: int = DAY_0_S,
    host: str = "id h",
    name: str | None = None,
    clock_off_s: int = 0,
    number: int | None = None,
    board: str | None = "Board",
    counts: Counted | Sequence[Counted] | None = None,
) -> Observation:
    """A snapshot `at_s` seconds after a boot that began at `began_s`; a link a place, counters beside them."""
    listed = [counts] if isinstance(counts, Counted) else list(counts or [counted()] * len(links))
    places = [f"0000/0/{index:02x}.0" for index in range(1, len(links) + 1)]
    return Observation(
        host=host, boot=boot, moment=round(at_s * 100), wall_s=int(began_s + at_s + clock_off_s), number=number,
        facts=HostFacts(name or host.partition(" ")[2], board, "Product", len(links)),
        links=dict(zip(places, links, strict=True)),
        counted={place: item for place, item in zip(places, listed, strict=False) if item.read},
    )  # fmt: skip


def chronicles(observations: Iterable[Observation], now_s: int = NOW_S) -> list[Chronicle]:
    scribes: dict[str, Scribe] = {}
    for item in observations:
        scribes.setdefault(item.host, Scribe(Chronicle(item.host))).add(item, now_s)
    return [scribe.chronicle for _, scribe in sorted(scribes.items())]


def rows(observations: Iterable[Observation]) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    for chronicle in chronicles(observations):
        for kind, listed in rows_of(chronicle).items():
            found.setdefault(kind, []).extend(listed)
    return found


def tables(given: dict[str, list[Row]]) -> Tables:
    return Tables(**{kind: ibis.memtable(arrow_table(kind, given.get(kind, []))) for kind in Tables.__struct_fields__})


def ask(question: Callable[[Tables], Any], *observations: Observation) -> list[dict[str, Any]]:
    """The answer of a question to these snapshots."""
    answer: list[dict[str, Any]] = ibis.duckdb.connect().to_pyarrow(question(tables(rows(observations)))).to_pylist()
    return answer
