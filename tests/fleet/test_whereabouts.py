"""Where a component was: of the same snapshots the same, from a store's rows and from files alone."""

import json
from pathlib import Path
from typing import Any

import ibis
import msgspec
import pytest

from fake_sysfs import Machine, card, machine, root_port
from probe.audit.snapshot import Snapshot, take
from probe.documents.files import encode
from probe.fleet.asking import rows_of_component
from probe.fleet.chronicle import LinkResult, Observation, Scribe, Trial
from probe.fleet.ingest import ingest
from probe.fleet.questions import whereabouts as questions
from probe.fleet.table import Store
from probe.fleet.telling import rows_of
from probe.fleet.whereabouts import OfComponent, Stay, is_of, of_component, plain_serial, whereabouts
from probe.host.machine import read_machine
from tests.conftest import Run
from tests.fleet.made import DAY_0_S, DAY_S, EMPTY, HOUR_S, LINK, PLACE, chronicles, counted, link, rows, seen, tables

SERIAL = "00-01"
MOVED = (
    seen(0, LINK, EMPTY),
    seen(HOUR_S, EMPTY, link(place="2", speed_gts=8.0)),
    seen(2 * HOUR_S, EMPTY, link(place="2")),
    seen(0, link(serial=SERIAL), host="id other", began_s=DAY_0_S + DAY_S),
)


def stays(*observations: Observation, serial: str = SERIAL) -> tuple[Stay, ...]:
    return whereabouts(serial, of_component(rows(observations), serial)).stays


def test_each_place_in_time_order() -> None:
    assert [(stay.host, stay.place, stay.since_s, stay.until_s) for stay in stays(*MOVED)] == [
        ("h", "1", DAY_0_S, DAY_0_S), ("h", "2", DAY_0_S + HOUR_S, None), ("other", "1", DAY_0_S + DAY_S, None),
    ]  # fmt: skip


def test_how_it_ran_there() -> None:
    first, second, _ = stays(*MOVED)
    assert (first.states, first.short, first.boots) == (("16 GT/s x8",), 0, 1)
    assert second.states == ("8 GT/s x8", "16 GT/s x8")
    assert (second.speed_gts, second.width, second.verdict) == (16.0, 8, "full")


@pytest.mark.parametrize("written", ["00-01", "0001", "serial 00-01", " 00-01 ", "0001".upper()])
def test_however_the_number_is_written(written: str) -> None:
    assert len(stays(*MOVED, serial=written)) == 3


def test_another_number_was_nowhere() -> None:
    assert stays(*MOVED, serial="00-02") == ()
    assert not is_of(None, "")
    assert not is_of("0x1:0x2", "0x1:0x2")  # a kind is no serial number


def test_errors_count_only_where_they_rose_while_it_was_there() -> None:
    (found,) = stays(seen(0, LINK, counts=counted(3)), seen(HOUR_S, LINK, counts=counted(10, fatal=1)))
    assert (found.correctable, found.uncorrectable) == (7, 1)
    (clean,) = stays(seen(0, LINK), seen(HOUR_S, LINK))
    assert (clean.correctable, clean.uncorrectable) == (0, 0)
    (once,) = stays(seen(0, LINK, counts=counted(3)))
    assert once.correctable is once.uncorrectable is None  # its counters were read once: nothing is known to have come


def test_tests_of_its_time_there_and_no_others() -> None:
    (chronicle,) = chronicles([seen(0, LINK), seen(DAY_S, LINK), seen(2 * DAY_S, link(serial="00-02"))])
    for at_s, result in ((HOUR_S, "passed"), (2 * DAY_S + HOUR_S, "failed")):
        told = Trial(
            test="margin", wall_s=DAY_0_S + at_s, result=result, links=(LinkResult(PLACE, "1", result, margin_ui=0.2),)
        )
        assert Scribe(chronicle).add_result(told)
    (found,) = whereabouts(SERIAL, of_component(rows_of(chronicle), SERIAL)).stays
    assert [(item.test, item.result, item.margin_ui) for item in found.tests] == [("margin", "passed", 0.2)]
    (other,) = whereabouts("00-02", of_component(rows_of(chronicle), "00-02")).stays
    assert [item.result for item in other.tests] == ["failed"]


def test_a_store_gives_the_same_rows_as_the_chronicles() -> None:
    """The filter that engines run is held to the one of plain rows."""
    opened = tables(rows(MOVED))
    asked = (questions.hosts, questions.occupants, questions.links, questions.rises, questions.results)
    connected = ibis.duckdb.connect()
    answers = [connected.to_pyarrow(question(opened, "0001")).to_pylist() for question in asked]
    found = msgspec.convert(dict(zip(OfComponent.__struct_fields__, answers, strict=True)), OfComponent)
    assert whereabouts(SERIAL, found) == whereabouts(SERIAL, of_component(rows(MOVED), SERIAL))


def test_plain_serial() -> None:
    assert plain_serial("serial 4B-46-00-01") == "4b460001"


CARD: dict[str, Any] = {"serial": 0x4B46_0000_0000_0001}
CARDS_SERIAL = "4b-46-00-00-00-00-00-01"


def host(name: str, slot: int, hour: int, *, filled: bool = True, **changes: Any) -> Snapshot:
    ports = [root_port(f"0000:00:0{number}.0", "16 GT/s x8", slot=number) for number in (1, 2)]
    if filled:
        ports[slot - 1] = ports[slot - 1].holds(card("16 GT/s x8", **CARD, **changes))
    described: Machine = machine(*ports, name=name, boot_id=f"{name}-{hour}", uptime_s=600.0)
    evidence = read_machine(described.build().source())
    moment = f"2026-03-01T{hour:02d}:00:00+00:00"
    return take(msgspec.structs.replace(evidence, host=msgspec.structs.replace(evidence.host, taken_at=moment)))


@pytest.fixture
def files(tmp_path: Path) -> list[Path]:
    taken = [host("a", 1, 1), host("a", 2, 3, trained="8 GT/s x8"), host("a", 1, 5, filled=False), host("b", 2, 7)]
    found = []
    for number, snapshot in enumerate(taken):
        found.append(tmp_path / f"{number}.json")
        found[-1].write_bytes(encode(snapshot))
    return found


def test_the_command_over_files(files: list[Path], run: Run) -> None:
    status, out, err = run("where", CARDS_SERIAL, *reversed(files))
    assert (status, err) == (0, "")
    lines = out.splitlines()
    assert lines[0] == f"serial {CARDS_SERIAL}  3 places on 2 hosts of 2 looked through"
    assert [line.split()[:2] for line in lines[2:5]] == [["a", "1"], ["a", "2"], ["b", "2"]]
    document = json.loads(run("where", CARDS_SERIAL, *files, "--json")[1])
    assert document["schema"] == "linkprobe/where/1"
    assert [(stay["host"], stay["short"], stay["until_s"] is None) for stay in document["stays"]] == [
        ("a", 0, False), ("a", 1, False), ("b", 0, True),
    ]  # fmt: skip


@pytest.mark.parametrize("columns", [80, 120])
def test_when_it_was_there_is_never_left_out(
    columns: int, files: list[Path], run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    lines = run("where", CARDS_SERIAL, *files)[1].splitlines()
    assert max(map(len, lines)) <= columns
    assert "2026-03-01 03:00" in lines[3]
    assert {"since", "until", "runs", "short"} <= set(lines[1].split())


def test_files_and_a_store_of_them_say_the_same(files: list[Path], tmp_path: Path, run: Run) -> None:
    store = Store(str(tmp_path / "store"))
    ingest(files, store)
    found, left_out = rows_of_component(store, CARDS_SERIAL)
    from_files = json.loads(run("where", CARDS_SERIAL, *files, "--json")[1])["stays"]
    assert left_out == ()
    assert json.loads(encode(whereabouts(CARDS_SERIAL, found)))["stays"] == from_files
    by_store = run("fleet", "where", CARDS_SERIAL, "--store", store.url, "--format", "csv")[1]
    assert by_store == run("where", CARDS_SERIAL, *files, "--csv")[1]


def test_a_number_that_no_file_knows(files: list[Path], run: Run) -> None:
    assert run("where", "ff-ff", *files)[:2] == (3, "Nothing found.\n")


def test_a_file_that_is_of_no_use(tmp_path: Path, run: Run) -> None:
    (tmp_path / "x.json").write_text("{}")
    status, _, err = run("where", "00-01", tmp_path / "x.json")
    assert status == 64
    assert "x.json: is not a linkprobe document" in err
