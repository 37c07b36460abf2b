"""Each quantity of a link with its own test of worse and better, on values and not on their texts."""

import msgspec
import pytest

from fake_sysfs import card, machine, port, root_port, switch
from probe.audit.snapshot import Snapshot, take
from probe.compare.changes import exit_status
from probe.compare.diff import diff
from probe.compare.quantities import QUANTITIES, QuantityChanged
from probe.compare.rank import Rank
from probe.exit_status import ExitStatus
from probe.host.machine import read_machine
from probe.links.link import WhichEnd
from probe.registers.physical import LaneErrorStatus, Status16, Status32
from tests.compare.machines import drive, of, slot, snapshot

HOUR = 3600.0


def with_lanes(*lanes: int, hours: float = 1.0) -> Snapshot:
    bits = {LaneErrorStatus.lanes: lanes}
    wide = root_port("0000:00:01.0", "16 GT/s x16", slot=1).holds(card("16 GT/s x16", registers=bits, serial=0xA1))
    return snapshot(of(wide), uptime_s=hours * HOUR)


@pytest.mark.parametrize(
    ("before", "after", "rank", "status"),
    [
        ((12, 13, 14), (1, 2, 3, 4), Rank.WORSE, ExitStatus.FOUND),  # the longer text was the better one
        ((1, 2, 3, 4), (12, 13, 14), Rank.WORSE, ExitStatus.FOUND),
        ((), (3,), Rank.WORSE, ExitStatus.FOUND),
        ((3, 4), (3,), Rank.BETTER, ExitStatus.CLEAN),
        ((3,), (), Rank.BETTER, ExitStatus.CLEAN),
        ((10, 11, 12), (2, 10, 11, 12), Rank.WORSE, ExitStatus.FOUND),
    ],
)
def test_lanes_in_error(before: tuple[int, ...], after: tuple[int, ...], rank: Rank, status: ExitStatus) -> None:
    document = diff(with_lanes(*before), with_lanes(*after, hours=2))
    (change,) = document.changes
    assert (change.kind, change.rank) == ("lanes in error", rank)
    assert exit_status(document) is status


def equalized(*rates: str, hours: float = 1.0) -> Snapshot:
    """A 32 GT/s drive of which equalization completed at these rates, whatever it runs at."""
    bits = {Status16.equalization_complete: "16.0" in rates, Status32.equalization_complete: "32.0" in rates}
    wide = root_port("0000:00:01.0", "32 GT/s x4", slot=1).holds(card("32 GT/s x4", registers=bits, serial=0xA1))
    return snapshot(of(wide), uptime_s=hours * HOUR)


@pytest.mark.parametrize(
    ("before", "after", "rank"),
    [
        (("16.0", "32.0"), ("16.0",), Rank.WORSE), (("16.0",), ("16.0", "32.0"), Rank.BETTER),
        (("32.0",), ("16.0",), Rank.WORSE), (("16.0",), ("32.0",), Rank.WORSE), ((), ("32.0",), Rank.BETTER),
    ],
)  # fmt: skip
def test_equalization(before: tuple[str, ...], after: tuple[str, ...], rank: Rank) -> None:
    document = diff(equalized(*before), equalized(*after, hours=2))
    assert [change.rank for change in document.changes if change.kind == "equalization"] == [rank]


def test_every_row_can_say_itself() -> None:
    assert len({row.name for row in QUANTITIES}) == len(QUANTITIES)
    before = snapshot(of(slot(1, drive(trained="8 GT/s x2", payload=128, driver="a"))), uptime_s=HOUR)
    after = snapshot(of(slot(1, drive(driver="b"))), uptime_s=2 * HOUR)
    found = [change.what for change in diff(before, after).changes]
    names = {change.name for change in found if isinstance(change, QuantityChanged)}
    assert {"verdict", "speed", "width", "equalization", "Max_Payload_Size", "driver"} <= names


def test_values_come_back_from_the_document() -> None:
    document = diff(with_lanes(12), with_lanes(1, hours=2))
    again = msgspec.json.decode(msgspec.json.encode(document), type=type(document))
    assert again == document
    (change,) = again.changes
    assert isinstance(change.what, QuantityChanged)
    assert change.what.after == {WhichEnd.PORT: (), WhichEnd.COMPONENT: (1,)}


def test_a_link_that_is_no_slot_is_shown_and_is_never_worse() -> None:
    def inner(trained: str, hours: float) -> Snapshot:
        held = port("16 GT/s x16", vendor=0x1002).holds(
            card("16 GT/s x16", trained=trained, vendor=0x1002, class_code=0x030000)
        )
        top = root_port("0000:00:01.0", "16 GT/s x16", slot=1).holds(switch("16 GT/s x16", held, vendor=0x1002))
        made = take(read_machine(machine(top).build().source()))
        host = msgspec.structs.replace(made.evidence.host, uptime_s=hours * HOUR)
        return msgspec.structs.replace(made, evidence=msgspec.structs.replace(made.evidence, host=host))

    document = diff(inner("16 GT/s x16", 1), inner("8 GT/s x16", 2))
    assert {change.rank for change in document.changes} == {Rank.NEUTRAL}


def test_a_component_that_stops_answering_is_worse_wherever_it_is() -> None:
    """Inside a card too, where no other quantity of the link is for the worse."""
    held = port("16 GT/s x16", vendor=0x1002).holds(card("16 GT/s x16", vendor=0x1002, class_code=0x030000))
    tree = machine(
        root_port("0000:00:01.0", "16 GT/s x16", slot=1).holds(switch("16 GT/s x16", held, vendor=0x1002))
    ).build()
    before, after = (take(read_machine(seen.source())) for seen in (tree, tree.silent("0000:03:00.0")))
    (change,) = (item for item in diff(before, after).changes if item.kind == "answers")
    assert (change.rank, change.urgent) == (Rank.WORSE, True)


def test_what_each_quantity_is_asked_of() -> None:
    """Some say nothing of a link at rest, and one alarms wherever it is; the port's own outlast its component."""
    assert {row.name for row in QUANTITIES if row.restless} == {"speed", "width", "equalization"}
    of_component = {"answers", "verdict", "speed", "width", "lanes in error", "equalization", "ASPM", "driver"}
    for row in QUANTITIES:
        assert row.of_component or row.name not in of_component
        assert not (row.of_component and row.name == "Target Link Speed")
        assert row.alarms is not (row.name == "answers") or row.name not in of_component
