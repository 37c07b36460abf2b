"""A function that is listed, and of which nothing was read: it is not gone, not new, not another one."""

import msgspec
import pytest

from fake_sysfs import Machine, card, machine, port, root_port, switch
from probe.audit.audit import audit
from probe.audit.snapshot import Snapshot, take
from probe.compare.changes import Comparison, exit_status
from probe.compare.diff import diff
from probe.compare.history import history
from probe.evidence import Evidence, FunctionEvidence, Unread, Why
from probe.exit_status import ExitStatus
from probe.host.machine import read_machine
from probe.verdict.verdicts import Verdict
from tests.compare.machines import A, B, drive, of, slot

SLOTS = of(slot(1, drive(A)), slot(2, drive(B)))
ALONE = Machine(on_root_bus=(("0000:00:05.0", card("16 GT/s x16", serial=7)),))
SWITCH = machine(
    root_port("0000:00:01.0", "16 GT/s x16", slot=1).holds(
        switch("16 GT/s x16", port("16 GT/s x4").holds(drive(A)), port("16 GT/s x4").holds(drive(B)))
    )
)
CASES = [
    (SLOTS, ("0000:01:00.0",)),
    (SLOTS, ("0000:00:01.0",)),
    (SLOTS, ("0000:00:01.0", "0000:01:00.0")),
    (ALONE, ("0000:00:05.0",)),
    (SWITCH, ("0000:00:01.0",)),
    (SWITCH, ("0000:01:00.0",)),
    (SWITCH, ("0000:02:00.0",)),
    (SWITCH, ("0000:03:00.0",)),
    (SWITCH, ("0000:02:00.0", "0000:03:00.0")),
]


def evidence(described: Machine) -> Evidence:
    return read_machine(described.build().source())


def without(whole: Evidence, addresses: tuple[str, ...], why: Why = Why.FAILED) -> Evidence:
    functions = tuple(
        FunctionEvidence(address=item.address, path=item.path, unread=(Unread(item.path, why),))
        if item.address in addresses
        else item
        for item in whole.functions
    )
    return msgspec.structs.replace(whole, functions=functions)


def pairs(described: Machine, addresses: tuple[str, ...], why: Why = Why.FAILED) -> tuple[Snapshot, Snapshot]:
    whole = evidence(described)
    return take(whole), take(without(whole, addresses, why))


def told(document: Comparison) -> set[str]:
    return {change.kind for change in document.changes}


@pytest.mark.parametrize(("described", "addresses"), CASES)
def test_nothing_is_told_that_was_not_seen(described: Machine, addresses: tuple[str, ...]) -> None:
    whole, less = pairs(described, addresses)
    for document in (diff(whole, less), diff(less, whole)):
        assert told(document) == {"not compared"}
        assert document.counts == ()
        assert exit_status(document) in {ExitStatus.CLEAN, ExitStatus.NOTHING_JUDGED}


@pytest.mark.parametrize(("described", "addresses"), CASES)
def test_its_links_stay_what_they_are(described: Machine, addresses: tuple[str, ...]) -> None:
    whole = evidence(described)
    before = {link.place_id for link in audit(whole).links}
    after = audit(without(whole, addresses)).links
    assert {link.place_id for link in after} <= before
    assert not any(link.alarming for link in after)
    assert described is ALONE or {link.place_id for link in after} == before


def test_a_boot_in_which_it_was_not_read_is_no_absence() -> None:
    whole, less = pairs(ALONE, ("0000:00:05.0",))
    boots = [
        msgspec.structs.replace(
            item,
            evidence=msgspec.structs.replace(
                item.evidence, host=msgspec.structs.replace(item.evidence.host, boot_id=f"boot {number}")
            ),
        )
        for number, item in enumerate((whole, less, whole))
    ]
    (row,) = history(boots).places
    assert (row.trainings, row.absent) == (2, 0)


@pytest.mark.parametrize("address", ["0000:01:00.0", "0000:00:01.0"])
def test_a_function_that_hangs_is_urgent(address: str) -> None:
    """A read that does not end is an answer that did not come, and not a thing that was not asked."""
    whole, hung = pairs(SLOTS, (address,), Why.HUNG)
    link = audit(hung.evidence).links[0]
    assert (link.verdict, link.urgent, link.alarming) == (Verdict.UNJUDGED, True, True)
    assert "a read of it did not end" in link.reasons[0].meaning
    document = diff(whole, hung)
    assert told(document) == {"answers"}
    assert exit_status(document) is ExitStatus.URGENT


def test_a_driver_that_hangs_in_a_file_of_its_own_is_no_link_that_hangs() -> None:
    whole = evidence(SLOTS)
    functions = tuple(
        msgspec.structs.replace(item, unread=(Unread(f"{item.path}/gpu_busy_percent", Why.HUNG),))
        for item in whole.functions
    )
    assert not any(link.alarming for link in audit(msgspec.structs.replace(whole, functions=functions)).links)


def test_of_two_serials_that_are_the_same_one_that_was_not_read_did_not_move() -> None:
    """Before, only slot 2 gave the number that both have; afterwards only slot 1 does."""
    whole = evidence(of(slot(1, drive(A)), slot(2, drive(A))))
    before, after = without(whole, ("0000:01:00.0",)), without(whole, ("0000:02:00.0",))
    assert not told(diff(take(before), take(after))) & {"moved", "gone", "come", "replaced"}
