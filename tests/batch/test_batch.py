"""Boards of one model held against each other: each case a made-up batch with one thing planted."""

from dataclasses import replace
from hashlib import sha256
from random import Random
from typing import Any

import msgspec
import pytest

from fake_sysfs import Machine, State, card, machine, root_port
from probe.batch.comparing import batch
from probe.batch.contribution import Contribution
from probe.batch.document import Batch, Cell, Finding
from probe.batch.machines import By, natural
from probe.batch.outcome import exit_status
from probe.batch.reading import contribution_of
from probe.batch.readings import Count, Number, Word
from probe.batch.standing import Standing
from probe.documents.files import encode
from probe.exceptions import DocumentError, InputError
from probe.exit_status import ExitStatus
from probe.qualify.entries import Begun, Cause, PartBegun, SoakPart, Taken
from probe.qualify.entries import Entry as QualifyEntry
from probe.qualify.sealing import sealed
from tests.batch.made import (
    NETWORK,
    board,
    closing_part,
    held,
    host,
    margins,
    part,
    snapshot,
    soak,
    soak_part,
    speeds,
    trainings,
)


def boards(count: int, **odd: Any) -> list[Machine]:
    """So many boards, of which the last is another."""
    return [*(board(number) for number in range(1, count)), board(count, **odd)]


def only(document: Batch) -> Finding:
    (found,) = document.findings
    return found


def cell(document: Batch, place_id: str, number: int) -> Cell:
    return next(place for place in document.places if place.place_id == place_id).cells[number]


def told(document: Batch) -> list[tuple[str, str, Standing]]:
    return [(item.machine, item.against.measure, item.standing) for item in document.findings]


def test_boards_that_are_alike() -> None:
    document = held(*boards(12))
    assert (document.findings, document.splits, document.own) == ((), (), ())
    assert {item.standing for place in document.places for item in place.cells} == {Standing.USUAL}
    assert exit_status(document) is ExitStatus.CLEAN
    assert document.model == "Karrow Fen Workshop Bench board 3"
    assert [item.name for item in document.machines][:2] == ["board-01", "board-02"]


def test_one_of_twelve_trained_narrower() -> None:
    document = held(*boards(12, trained="16 GT/s x4"))
    found = only(document)
    assert (found.machine, found.title, found.standing) == ("board-12", "slot 1", Standing.ODD)
    assert (found.reading, found.against.usual) == (Word("16 GT/s x4"), Word("16 GT/s x8"))
    assert (found.against.alike, found.against.known, found.against.needed) == (11, 12, 0)
    assert [own.machine for own in document.own] == ["board-12"]  # it is downtrained, whatever the others are
    assert exit_status(document) is ExitStatus.FOUND


def test_one_of_four_stands_apart_and_cannot_be_called_odd() -> None:
    document = held(*boards(4, counters={"correctable": {"Receiver Error": 61}}))
    assert told(document) == [("board-04", "errors", Standing.APART)]
    assert only(document).against.needed == 4
    assert exit_status(document) is ExitStatus.NOTHING_JUDGED


def test_two_of_four_differ_and_nobody_is_odd() -> None:
    document = held(board(1), board(2), *(slower(number) for number in (3, 4)))
    assert document.findings == ()
    (split,) = [item for item in document.splits if item.against.measure == "state"]
    assert sorted(part.machines for part in split.parts) == [("board-01", "board-02"), ("board-03", "board-04")]
    assert exit_status(document) is ExitStatus.NOTHING_JUDGED


def slower(number: int) -> Machine:
    """A board whose network card can do less: nothing is wrong with it, and it is not as the others."""
    plain = board(number)
    port = plain.ports[0]
    assert port.below is not None
    function = replace(port.below.functions[0], best=State(8.0, 8))
    return replace(plain, ports=(port.holds(replace(port.below, functions=(function,))), *plain.ports[1:]))


def test_another_card_is_odd_as_a_card_and_its_state_is_held_against_nobody() -> None:
    document = held(*boards(12, device=0x0999, trained="8 GT/s x8"))
    assert told(document) == [("board-12", "component", Standing.ODD)]
    state = next(item for item in cell(document, NETWORK, 11).readings if item.measure == "state")
    assert state.standing is Standing.ALONE
    assert exit_status(document) is ExitStatus.FOUND


def test_an_empty_slot_where_the_others_hold_a_card() -> None:
    whole = [board(number) for number in range(1, 12)]
    bare = board(12)
    document = held(*whole, replace(bare, ports=(replace(bare.ports[0], below=None), *bare.ports[1:])))
    assert only(document).reading == Word("nothing")


def test_a_port_that_is_not_there() -> None:
    whole = [board(number) for number in range(1, 12)]
    bare = board(12)
    document = held(*whole, replace(bare, ports=bare.ports[1:]))
    assert only(document).reading == Word("no port")


def test_a_slot_that_is_empty_in_all_is_not_listed() -> None:
    assert [place.title for place in held(*boards(3)).places] == ["slot 1", "slot 2"]


def test_counts_are_held_against_the_time_they_were_counted_in() -> None:
    errors: dict[str, Any] = {"counters": {"correctable": {"Receiver Error": 60}}}
    few: dict[str, Any] = {"counters": {"correctable": {"Receiver Error": 3}}}
    fleet = [board(number, **few) for number in range(1, 12)]
    assert told(held(*fleet, board(12, hours=2000, **errors))) == []
    assert told(held(*fleet, board(12, hours=100, **errors))) == [("board-12", "errors", Standing.ODD)]


def test_a_link_at_rest_is_no_peer() -> None:
    document = held(*boards(12, trained="2.5 GT/s x8", power_state="D3hot"))
    assert "state" not in {item.measure for item in cell(document, NETWORK, 11).readings}
    assert told(document) == []


def test_an_urgent_link_is_urgent() -> None:
    document = held(*boards(12, counters={"fatal": {"Malformed TLP": 1}}))
    assert document.own[0].urgent
    assert exit_status(document) is ExitStatus.URGENT


def test_firmware_that_differs() -> None:
    document = held(*boards(12, firmware={"bios_version": "1.7"}))
    found = only(document)
    assert (found.place_id, found.against.of, found.reading) == (None, "BIOS version", Word("1.7"))


def test_the_narrowest_lane_of_one_board() -> None:
    wide = [margins(number, [12, 13, 12, 11, 12, 13, 12, 12]) for number in range(1, 9)]
    bad = margins(9, [12, 13, 5, 11, 12, 13, 12, 12])
    document = batch([*(part(described) for described in boards(9)), *wide, bad])
    found = only(document)
    assert (found.machine, found.against.measure, found.standing) == ("board-09", "timing_margin", Standing.ODD)
    assert found.reading == Number(0.1, 0.02, "lane 2 both sides")
    assert found.against.of == "receiver 6 at 16 GT/s x8"
    assert found.title == "slot 1"


def test_margins_at_another_speed_are_not_compared() -> None:
    wide = [margins(number, [12] * 8) for number in range(1, 9)]
    document = batch([*wide, margins(9, [5] * 8, speed=8.0)])
    assert document.findings == ()


def test_results_without_any_snapshot_are_compared_by_port() -> None:
    document = batch([*(margins(number, [12] * 8) for number in range(1, 9)), margins(9, [4] * 8)])
    assert told(document) == [("board-09", "timing_margin", Standing.ODD)]
    assert [place.title for place in document.places] == ["slot 1"]
    assert len(document.notes) == 9  # no file holds links


def test_where_the_component_was_not_read_nobody_is_called_odd() -> None:
    known = [*(part(described) for described in boards(8)), *(margins(number, [12] * 8) for number in range(1, 9))]
    document = batch([*known, margins(9, [4] * 8)])
    assert told(document) == [("board-09", "timing_margin", Standing.APART)]


def test_trainings_of_several_files_add_up() -> None:
    files = [trainings(number, 0, 50) for number in range(1, 10)]
    document = batch([*files, trainings(10, 3, 50), trainings(10, 4, 51)])
    assert (told(document), only(document).reading) == (
        [("board-10", "short_trainings", Standing.ODD)], Count(7, 101, trials=True),
    )  # fmt: skip
    assert document.own[0].sentence.startswith("train failed")


def test_the_fastest_clean_speed() -> None:
    good = [speeds(number, True, True, True, True) for number in range(1, 9)]
    document = batch([*good, speeds(9, True, True, True, False)])
    assert (told(document), only(document).reading) == ([("board-09", "clean_speed", Standing.ODD)], Word("8 GT/s"))
    untold = batch([*good, speeds(9, True, True, True, None)])
    assert told(untold) == []


def test_what_a_soak_carried_and_counted() -> None:
    files = [soak_part(number) for number in range(1, 10)]
    slow = batch([*files, soak_part(10, bytes_s=7e9)])
    assert (told(slow), only(slow).against.of) == ([("board-10", "carried", Standing.ODD)], "storage-read, to host")
    erring = batch([*files, soak_part(10, errors=40)])
    assert (told(erring), only(erring).reading) == ([("board-10", "loaded_errors", Standing.ODD)], Count(40, 1.0))


def test_a_link_that_rests_in_its_snapshot_is_known_by_its_soak() -> None:
    resting = {"trained": "2.5 GT/s x8", "power_state": "D3hot"}
    document = batch([*(soak_part(number) for number in range(1, 10)), soak_part(10, **resting)])
    assert document.findings == ()
    state = next(item for item in cell(document, NETWORK, 9).readings if item.measure == "state")
    assert (state.reading, state.standing) == (Word("16 GT/s x8"), Standing.USUAL)


def test_closing_documents_stand_beside_journals() -> None:
    document = batch([*(soak_part(number) for number in range(1, 10)), closing_part(10, errors=40)])
    assert told(document) == [("board-10", "loaded_errors", Standing.APART)]  # what it holds is not known
    with_snapshot = batch([
        *(soak_part(number) for number in range(1, 10)), closing_part(10, errors=40), part(board(10)),
    ])  # fmt: skip
    assert told(with_snapshot) == [("board-10", "loaded_errors", Standing.ODD)]


def qualification(number: int, *entries: QualifyEntry) -> Contribution:
    plan = 'schema = "linkprobe/qualify-plan/1"\n[[step]]\nkind = "snapshot"\n'
    begun = Begun(
        written_by="linkprobe", at="2026-03-01T00:00:00+00:00", plan_name="plan.toml", plan=plan,
        plan_sha256=sha256(plan.encode()).hexdigest(),
    )  # fmt: skip
    first = PartBegun(at=begun.at, cause=Cause.FIRST, host=host(number), snapshot=snapshot(board(number)))
    lines = [encode(entry).rstrip() for entry in (begun, first, *entries)]
    return contribution_of(encode(sealed(lines, "journal")), f"record-{number}.json")


def test_records_of_qualifications() -> None:
    files = [
        qualification(number, Taken(turn=1, snapshot=snapshot(board(number))),
                      *(SoakPart(turn=1, seconds=3600.0, entries=tuple(soak(number, errors=20 * (number == 10))))
                        for _ in range(2)))
        for number in range(1, 11)
    ]  # fmt: skip
    document = batch(files)
    assert told(document) == [("board-10", "loaded_errors", Standing.ODD)]
    assert only(document).reading == Count(40, 2.0)
    narrow = qualification(11, Taken(turn=1, snapshot=snapshot(board(11, trained="16 GT/s x4"))))
    assert ("board-11", "state", Standing.ODD) in told(batch([*files, narrow]))


def test_the_newest_snapshot_of_a_machine_counts() -> None:
    old = msgspec.structs.replace(part(board(1, trained="16 GT/s x4"), "old.json"), digest="1")
    earlier = msgspec.structs.replace(old, host=msgspec.structs.replace(old.host, taken_at="2020-01-01T00:00:00+00:00"))
    document = batch([part(board(1), "new.json"), earlier, *(part(board(number)) for number in range(2, 9))])
    assert document.findings == ()
    assert document.machines[0].links_from == "new.json"
    assert "not of old.json" in document.notes[0]


def test_the_same_file_twice_counts_once() -> None:
    twice = [part(board(1)), msgspec.structs.replace(part(board(1)), file="copy.json", digest=part(board(1)).digest)]
    same = [msgspec.structs.replace(item, digest="d") for item in twice]
    document = batch([*same, part(board(2))])
    assert len(document.machines) == 2
    assert "same file" in document.notes[0]


def test_boards_of_one_boot_medium_are_told_apart_by_serial_number() -> None:
    files = [
        part(replace(board(number, firmware={"board_serial": f"KF{number:05d}"}), machine_id="1" * 32, name="bench"),
             f"{number}.json")
        for number in (1, 2)
    ]  # fmt: skip
    assert [item.name for item in batch(files).machines] == ["bench (1)", "bench (2)"]


def test_boards_of_one_boot_medium_without_serial_numbers_are_told_by_file_or_folder() -> None:
    described = [replace(board(number), machine_id="1" * 32, name="bench") for number in (1, 2)]
    files = [part(one, f"runs/{number}/before.json") for number, one in enumerate(described)]
    with pytest.raises(InputError, match=r"all of bench: a batch has 2 machines at least; .*--by file"):
        batch(files)
    assert [item.name for item in batch(files, By.FOLDER).machines] == ["0", "1"]
    assert [item.name for item in batch(files, By.FILE).machines] == ["0/before", "1/before"]


def test_a_result_that_fits_two_machines_is_refused() -> None:
    described = [replace(board(number), name="bench") for number in (1, 2)]
    nameless = msgspec.structs.replace(host(3), name="bench", machine_id=None)
    stray = msgspec.structs.replace(margins(3, [12] * 8), host=nameless)
    with pytest.raises(InputError, match="cannot be told from 2 others"):
        batch([*(part(one, f"{number}.json") for number, one in enumerate(described)), stray])


def test_different_models_are_refused_unless_asked_for() -> None:
    files = [part(board(1)), part(board(2, firmware={"board_name": "Bench board 4"}))]
    with pytest.raises(InputError) as refused:
        batch(files)
    assert str(refused.value) == (
        "batch: these are of different models: Karrow Fen Workshop Bench board 3 (board-01.json) and "
        "Karrow Fen Workshop Bench board 4 (board-02.json); give machines of one model, or --different-models"
    )
    assert len(batch(files, any_model=True).machines) == 2


def test_a_board_that_does_not_say_its_model_is_taken_as_one_of_them() -> None:
    silent = machine(root_port("0000:00:01.0", "16 GT/s x8").holds(card("16 GT/s x8")), name="board-03")
    assert len(batch([part(board(1)), part(board(2)), part(silent)]).machines) == 3


@pytest.mark.parametrize("count", [0, 1, 51])
def test_how_many_machines_a_batch_has(count: int) -> None:
    with pytest.raises(InputError, match="a batch has"):
        batch([part(board(number)) for number in range(1, count + 1)])


def test_documents_that_are_of_no_use() -> None:
    with pytest.raises(DocumentError, match="which a batch has no use for"):
        contribution_of(b'{"schema": "linkprobe/ceiling/1"}', "ceiling.json")
    with pytest.raises(DocumentError, match="is not JSON"):
        contribution_of(b"words", "words.txt")


def test_the_order_of_files_changes_nothing() -> None:
    files = [*(part(described) for described in boards(8, trained="16 GT/s x4")),
             *(margins(number, [12] * 8) for number in range(1, 9)), trainings(3, 1, 40), trainings(3, 0, 41)]  # fmt: skip
    plain = batch(files)
    for seed in range(8):
        mixed = list(files)
        Random(seed).shuffle(mixed)
        assert batch(mixed) == plain


def test_names_are_in_the_order_of_their_numbers() -> None:
    assert sorted(["board-10", "board-9", "board", "a2b10", "a2b9"], key=natural) == [
        "a2b9", "a2b10", "board", "board-9", "board-10",
    ]  # fmt: skip


def test_a_batch_comes_back_from_its_json() -> None:
    document = held(*boards(9, trained="16 GT/s x4"))
    assert msgspec.json.decode(encode(document), type=Batch) == document
