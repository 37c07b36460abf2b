"""The messy fleet's answers, held against a reckoning in plain Python from what truly happened."""

import itertools
from collections import Counter, defaultdict
from collections.abc import Iterator
from typing import Any, NamedTuple

import pytest

from probe.fleet.asking import answers
from probe.fleet.ingest import Ingested, ingest
from probe.fleet.table import Store
from probe.host.machine_id import application_specific
from tests.fleet.every import EVERY
from tests.fleet.messy import HALF_DAY_S, MESSY_NOW_S, SLOTS, TWIN, Truth, truth, write_messy
from tests.fleet.test_ingest import every_row

WIDEST = 8
ODD_CLOCKS = {"r2-04", "r2-05"}


class Asked(NamedTuple):
    """What happened, and what the store says."""

    truth: list[Truth]
    told: dict[str, list[dict[str, Any]]]
    rows: dict[str, list[dict[str, Any]]]
    ingested: Ingested


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> Asked:
    top = tmp_path_factory.mktemp("messy")
    fleet = write_messy(top / "spools")
    store = Store(str(top / "store"))
    done = ingest([top / "spools"], store, now_s=MESSY_NOW_S)
    found = answers(store, *EVERY.values())
    told = {name: table.to_pylist() for name, table in zip(EVERY, found.tables, strict=True)}
    return Asked(truth(fleet), told, every_row(store), done)


def key(item: Truth) -> str:
    return f"id {application_specific(item.machine)}" if item.machine else f"name {item.name}"


def by_link(found: list[Truth]) -> dict[tuple[str, str, int], list[Truth]]:
    links: dict[tuple[str, str, int], list[Truth]] = defaultdict(list)
    for item in found:
        links[key(item), item.name, item.slot].append(item)
    return links


def times(found: list[Truth]) -> dict[str, list[int]]:
    """When each machine was looked at."""
    seen: dict[str, list[int]] = defaultdict(list)
    for item in found:
        seen[key(item)].append(item.at_s)
    return seen


def present(found: list[Truth]) -> list[Truth]:
    """The last look at each machine that no other took the name of since."""
    seen, names = times(found), {key(item): item.name for item in found}
    gone = {
        one for one in seen for other in seen
        if one != other and names[one] == names[other] and min(seen[other]) > max(seen[one])
    }  # fmt: skip
    return [item for item in found if item.at_s == max(seen[key(item)]) and key(item) not in gone]


def test_below(asked: Asked) -> None:
    wanted = sorted((item.name, key(item), str(item.slot)) for item in present(asked.truth) if item.width < WIDEST)
    assert [(item["host"], item["machine"], item["place"]) for item in asked.told["below"]] == wanted
    assert {"r1-01", "r2-04", "r3-01", TWIN} <= {name for name, _, _ in wanted}
    assert "r2-05" not in {name for name, _, _ in wanted}


def test_inventory(asked: Asked) -> None:
    told = {item["width"]: item["links"] for item in asked.told["inventory"] if item["board"]}
    assert told == Counter(item.width for item in present(asked.truth))


def grown(link: list[Truth]) -> int:
    """Errors that came while it was watched: within a boot the difference, after a reboot the whole count."""
    total = 0
    for before, now in itertools.pairwise(link):
        total += now.errors - before.errors if now.boot == before.boot else now.errors
    return total


def test_errors(asked: Asked) -> None:
    wanted = {(name, str(slot)): grown(link) for (_, name, slot), link in by_link(asked.truth).items() if grown(link)}
    assert {(item["host"], item["place"]): item["correctable"] for item in asked.told["errors"]} == wanted
    assert wanted == {("r3-03", "2"): 27, ("r3-04", "2"): 63}
    assert sum(item["events"] for item in asked.told["erred"]) == sum(wanted.values())


def test_trained(asked: Asked) -> None:
    boots: dict[int, set[tuple[str, int]]] = defaultdict(set)
    short: dict[int, set[tuple[str, int]]] = defaultdict(set)
    for item in asked.truth:
        boots[item.slot].add((key(item), item.boot))
        if item.width < WIDEST:
            short[item.slot].add((key(item), item.boot))
    wanted = {str(slot): (len(boots[slot]), len(short[slot])) for slot in short}
    assert {item["place"]: (item["boots"], item["short"]) for item in asked.told["trained"]} == wanted


def intervals(link: list[Truth], looks: list[int]) -> Iterator[tuple[int, int, int, int]]:
    """Serial number, width, from when to when, with nothing else between."""
    start = link[0]
    for before, now in zip(link, [*link[1:], None], strict=True):
        if now is None or (now.serial, now.width) != (before.serial, before.width) or (
            looks.index(now.at_s) != looks.index(before.at_s) + 1
        ):  # fmt: skip
            yield start.serial or 0, start.width, start.at_s, before.at_s
            start = now or start


def test_every_link_of_every_host_from_when_to_when(asked: Asked) -> None:
    last = {row["host"]: row["last_s"] for row in asked.rows["hosts"]}
    told = defaultdict(list)
    for row in asked.rows["links"]:
        if row["verdict"] != "empty" and row["board"]:
            serial = int(row["identity"].removeprefix("serial ").replace("-", ""), 16)
            until = last[row["host"]] if row["to_s"] is None else row["to_s"]
            told[row["host"], int(row["place_id"][-4:-2])].append((serial, row["width"], row["from_s"], until))
    looks = {host: sorted(set(seen)) for host, seen in times(asked.truth).items()}
    wanted = {
        (host, slot): list(intervals(link, looks[host])) for (host, _, slot), link in by_link(asked.truth).items()
    }
    assert told.keys() == wanted.keys()
    names = {row["host"]: row["name"] for row in asked.rows["hosts"]}
    for link, found in told.items():
        keep = 2 if names[link[0]] in ODD_CLOCKS else 4  # when a wrong clock said something is known no better
        assert [item[:keep] for item in sorted(found, key=lambda item: item[2])] == [
            item[:keep] for item in wanted[link]
        ], link


def test_where(asked: Asked) -> None:
    wanted = {(item.name, item.slot) for item in asked.truth if item.serial == 2602}
    assert {(item["name"], int(item["place"])) for item in asked.told["where"]} == wanted


def test_silent(asked: Asked) -> None:
    wanted = {item.name for item in present(asked.truth) if MESSY_NOW_S - item.at_s > 3 * HALF_DAY_S}
    told = {item["host"]: item for item in asked.told["silent"]}
    assert (
        {name for name, item in told.items() if item["is_silent"] and item["board"] and name != "bare"}
        == wanted
        == {"r2-06"}
    )
    assert told["bare"]["is_silent"]
    assert {name for name, item in told.items() if item["odd_clock"] and item["board"]} == ODD_CLOCKS


def test_racks(asked: Asked) -> None:
    ways: dict[tuple[str, int], Counter[int]] = defaultdict(Counter)
    for item in present(asked.truth):
        ways[item.name[:2], item.slot][item.width] += 1
    usual = {place: counts.most_common(1)[0][0] for place, counts in ways.items()}
    wanted = {
        (rack, str(slot)) for (rack, slot), width in usual.items()
        if all(width < usual[other, slot] for other in ("r1", "r2", "r3") if other != rack)
    }  # fmt: skip
    assert {(item["rack"], item["place"]) for item in asked.told["racks"]} == wanted == {("r1", "2")}


def test_flapping_and_margins(asked: Asked) -> None:
    links = by_link(asked.truth)
    changes = {
        (name, str(slot)): sum(a.width != b.width for a, b in itertools.pairwise(link))
        for (_, name, slot), link in links.items()
    }
    assert {(item["host"], item["place"]) for item in asked.told["flapping"]} == {
        link for link, n in changes.items() if n > 3
    }
    assert [item["host"] for item in asked.told["margins"]] == ["r2-09"]


def test_each_host_is_counted_and_what_is_spoiled_is_named(asked: Asked) -> None:
    machines = {key(item) for item in asked.truth}
    hosts = {row["host"]: row for row in asked.rows["hosts"]}
    assert machines <= hosts.keys()
    assert len(hosts) == len(machines) + 2  # one without links, and the soak's
    assert next(row for row in hosts.values() if row["name"] == "bare")["links"] == 0
    looks = {host: len(set(seen)) for host, seen in times(asked.truth).items()}
    assert {host: row["snapshots"] for host, row in hosts.items() if host in machines} == looks
    cut, foreign = sorted(asked.ingested.set_aside, key=lambda reason: "not-ours" in reason)
    assert "r2-07" in cut
    assert "is damaged" in cut
    assert "not-ours.json: is not a linkprobe document" in foreign
    assert len({item.slot for item in asked.truth}) == SLOTS
