"""Expectations written from a good machine, and machines that are not what they should be."""

from typing import Any

import msgspec
import pytest

from fake_sysfs import Machine, SlotRecord, Tree, card, root_port
from fake_sysfs.demonstration import correlator
from probe.audit.audit import audit
from probe.audit.document import AuditDocument, Deviation
from probe.audit.outcome import exit_status
from probe.compare.expectation_file import parse
from probe.compare.expectation_writing import to_toml
from probe.compare.expectations import deviations, not_covered
from probe.exceptions import DocumentError
from probe.exit_status import ExitStatus
from probe.host.machine import read_machine
from probe.kernel_spellings import COUNTER_FILES
from probe.registers.link import LinkStatus2
from tests.compare.machines import A, B, drive, of, slot


def audited(described: Machine) -> AuditDocument:
    return audit(read_machine(described.build().source()))


GOOD = of(slot(1, drive(A)), slot(2, drive(B)), slot(3))
WRITTEN = to_toml(audited(GOOD).links, "a test")


def held(described: Machine, text: str = WRITTEN) -> tuple[Deviation, ...]:
    return held_tree(described.build(), text)


def held_tree(tree: Tree, text: str = WRITTEN) -> tuple[Deviation, ...]:
    return deviations(parse(text.encode(), "expect.toml"), audit(read_machine(tree.source())))


def test_a_machine_meets_what_was_written_of_it() -> None:
    assert held(GOOD) == ()


def test_the_file_is_for_people() -> None:
    assert WRITTEN.startswith("# What this machine should be.")
    assert 'slot = "1"' in WRITTEN
    assert "speed_gts = 16.0" in WRITTEN
    assert "width = 4" in WRITTEN
    assert "empty = true" in WRITTEN
    assert len(WRITTEN.splitlines()) < 45


def test_the_demonstration_machine_meets_its_own() -> None:
    document = audited(correlator())
    text = to_toml(document.links, "a test")
    assert held(correlator(), text) == ()


def test_full_today_but_wider_when_delivered() -> None:
    (found,) = held(of(slot(1, drive(A, "16 GT/s x2")), slot(2, drive(B)), slot(3)))
    assert found.sentence == "is x2 wide, x4 was expected"
    assert found.place == "slot 1 (port 0000:00:01.0)"
    assert not found.urgent


def test_a_missing_card_is_urgent() -> None:
    (found,) = held(of(slot(1), slot(2, drive(B)), slot(3)))
    assert "nothing is there" in found.sentence
    assert found.urgent


def test_a_card_where_none_should_be_and_another_card() -> None:
    found = held(of(slot(1, drive(A, device=0x99)), slot(2, drive(B)), slot(3, drive(None))))
    assert [item.sentence.split(",")[0].split(" (")[0] for item in found] == [
        "holds 1234:0099",
        "Non-Volatile memory controller is there",
    ]


def test_a_rule_that_matches_nothing_is_reported() -> None:
    (found,) = held(of(slot(1, drive(A)), slot(2, drive(B))))
    assert (found.sentence, found.rule) == ("the rule matches nothing on this machine", 'slot = "3"')


def test_wildcards_and_kinds() -> None:
    text = '[[rule]]\ndevice = "1234:*"\nat_least = 3\nwidth = 4\n'
    (found,) = held(GOOD, text)
    assert found.sentence == "2 of at least 3 such components are there"
    assert held(GOOD, '[[rule]]\npath = "0000/0/0?.0"\nslot = "[12]"\nspeed_gts = 16.0\n') == ()


def test_counts() -> None:
    bad = of(slot(1, drive(A, counters={"nonfatal": {"Completion Timeout": 1}, "correctable": {"Bad TLP": 900}})))
    found = held(bad, '[[rule]]\nslot = "1"\nzero = ["nonfatal"]\ncorrectable = "6/2h"\n')
    assert [item.urgent for item in found] == [True, False]
    assert "900 correctable link errors" in found[1].sentence


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[[rule]\n", "is not TOML"),
        ("", "has no rule"),
        ("# nothing\n", "has no rule"),
        ("[[rule]]\nslott = '1'\n", "rule 1: slott is nothing that can be set"),
        ("[[rule]]\nslot = 1\n", "rule 1, slot: a text is expected, and a whole number stands there"),
        ("[[rule]]\nwidth = 4\n", "rule 1 picks nothing"),
        (
            "[[rule]]\nslot = '1'\n[[rule]]\nslot = '2'\nzero = ['some']\n",
            'rule 2 (slot = "2") asks for zero some errors',
        ),
        (
            "[[rule]]\nslot = '1'\nspeed_gts = nan\n",
            'rule 1 (slot = "1") has speed_gts = nan, which no link can run at',
        ),
        ("[[rule]]\nslot = '1'\nspeed_gts = inf\n", "has speed_gts = inf"),
        ("[[rule]]\nslot = '1'\nspeed_gts = 15\n", "has speed_gts = 15, which no link can run at"),
        ("[[rule]]\nslot = '1'\nspeed_gts = -4\n", "has speed_gts = -4"),
        ("[[rule]]\nslot = '1'\nwidth = -4\n", "has width = -4, which no link can have"),
        ("[[rule]]\nslot = '1'\nwidth = 3\n", "has width = 3, which no link can have"),
        ("[[rule]]\ndevice = '*'\nat_least = 0\n", "has at_least = 0"),
        ("[[rule]]\nslot = '*'\nat_least = 3\n", "at_least without a device"),
        (
            "[[rule]]\nslot = '1'\nempty = true\nholds = '1234:0001'\n",
            "asks for an empty place and for something in it",
        ),
        ("[[rule]]\nslot = '1'\nempty = true\nwidth = 4\n", "asks for an empty place and for something in it"),
        ("[[rule]]\nslot = '1'\nempty = true\nzero = ['fatal']\n", "asks for an empty place"),
        ("[[rule]]\ndevice = '*'\nempty = true\n", "asks for an empty place"),
        ("[[rule]]\nslot = '1'\ncorrectable = '6'\n", "rule 1 (slot = \"1\") has correctable = '6', which is no limit"),
        (f"[[rule]]\nslot = '1'\ncorrectable = '{'9' * 5000}/2h'\n", "is no limit"),
        (f"[[rule]]\nslot = '1'\nwidth = {'9' * 5000}\n", "has a number that is too long"),
        (f"[[rule]]\nslot = '1'\nwidth = {'[' * 5000}{']' * 5000}\n", "is nested too deeply"),
        ("schema = 'linkprobe/audit/1'\n", "is a linkprobe/audit/1 document"),
        (
            '[[rule]]\nslot = "1"\n[[rule]]\nslot = "2"\nwidth = "x4"',
            "rule 2, width: a whole number is expected, and a text stands there",
        ),
        ('[[rule]]\nslot = "1"\nwidth = true', "rule 1, width: a whole number is expected, and true or false stands"),
        ('[[rule]]\nslot = "1"\nspeed_gts = 2026-01-01', "rule 1, speed_gts: a number is expected, and a date stands"),
        ('[[rule]]\nslot = "1"\nwdth = 4', "rule 1: wdth is nothing that can be set"),
    ],
)
def test_bad_files(text: str, told: str) -> None:
    with pytest.raises(DocumentError) as caught:
        parse(text.encode(), "expect.toml")
    assert str(caught.value).startswith("expect.toml: ")
    assert told in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1


@pytest.mark.parametrize("content", [b"\xff\xfe[\x00", "[[rule]]\nslot = 'Sch\u00e4cht'\n".encode("latin-1")])
def test_a_file_that_is_no_utf8_text(content: bytes) -> None:
    with pytest.raises(DocumentError, match=r"expect\.toml: is not UTF-8 text"):
        parse(content, "expect.toml")


def test_a_byte_order_mark_is_no_text() -> None:
    assert parse(b"\xef\xbb\xbf" + WRITTEN.encode(), "expect.toml") == parse(WRITTEN.encode(), "expect.toml")


@pytest.mark.parametrize("rule", ['device = "ABCD:00eF"', 'slot = "1"\nholds = "abcd:00EF"', 'device = "AbCd:*"'])
def test_ids_in_any_case(rule: str) -> None:
    described = of(slot(1, drive(A, vendor=0xABCD, device=0x00EF)))
    assert held(described, f"[[rule]]\n{rule}\nwidth = 4\n") == ()


def test_a_card_that_no_rule_covers_is_mentioned() -> None:
    links = audited(of(slot(1, drive(A)), slot(2, drive(B)))).links
    rules = parse(b'[[rule]]\nslot = "1"\n', "expect.toml")
    (told,) = not_covered(rules, links)
    assert told.meaning.startswith("no rule covers ")
    assert "slot 2" in told.meaning
    assert list(not_covered(parse(WRITTEN.encode(), "expect.toml"), links)) == []


def record(address: str) -> SlotRecord:
    return SlotRecord(designation="PCIe Slot", type_code=0xB6, width_code=0x0A, address=address)


FLIT = {LinkStatus2.flit_mode_status: True}


@pytest.mark.parametrize("asked", ['correctable = "6/2h"', 'zero = ["correctable"]'])
def test_corrected_errors_are_normal_in_flit_mode(asked: str) -> None:
    def erring(speed: str, **changes: Any) -> Machine:
        counters = {"correctable": {"Receiver Error": 900}}
        held_by = root_port("0000:00:01.0", f"{speed} GT/s x4", slot=1, **changes)
        return of(held_by.holds(card(f"{speed} GT/s x4", counters=counters, **changes)), uptime_s=3600.0)

    text = f'[[rule]]\nslot = "1"\n{asked}\n'
    assert held(erring("64", registers=FLIT), text) == ()
    (found,) = held(erring("32"), text)
    assert "900 correctable" in found.sentence
    assert "correctable =" not in to_toml(audited(erring("64", registers=FLIT)).links, "a test")


def without_counters(described: Machine, *addresses: str) -> Tree:
    tree = described.build()
    for address in addresses:
        for file in COUNTER_FILES.values():
            tree = tree.with_attribute(address, file, None)
    return tree


@pytest.mark.parametrize("address", ["0000:00:01.0", "0000:01:00.0"])
def test_counters_that_are_no_longer_readable_are_told_and_do_not_pass(address: str) -> None:
    found = held_tree(without_counters(GOOD, address))
    assert [(item.sentence, item.undecided, item.urgent) for item in found] == [
        ("non-fatal errors could not be read, none was expected", True, False),
        ("fatal errors could not be read, none was expected", True, False),
        ("correctable errors could not be read, the limit is 6/2h", True, False),
    ]
    document = msgspec.structs.replace(audited(GOOD), deviations=found)
    assert exit_status(document) is ExitStatus.NOTHING_JUDGED


def test_what_is_counted_elsewhere_still_decides() -> None:
    bad = of(slot(1, drive(A, counters={"fatal": {"Malformed TLP": 1}})), slot(2, drive(B)), slot(3))
    found = held_tree(without_counters(bad, "0000:00:01.0"))
    assert any(item.urgent and "1 fatal error counted" in item.sentence for item in found)


def test_a_function_that_keeps_no_counters_is_not_missed() -> None:
    described = of(slot(1, drive(A, has_aer=False)))
    text = to_toml(audited(described).links, "a test")
    assert 'zero = ["nonfatal", "fatal"]' in text
    assert held(described, text) == ()


def test_nothing_is_demanded_of_what_was_not_read() -> None:
    tree = without_counters(GOOD, "0000:00:01.0", "0000:01:00.0")
    text = to_toml(audit(read_machine(tree.source())).links, "a test")
    assert text.count("zero =") == 1
    assert held_tree(tree, text) == ()


def test_ids_that_were_not_read_are_no_other_card() -> None:
    tree = GOOD.build().silent("0000:01:00.0")
    for name in ("vendor", "device"):
        tree = tree.with_attribute("0000:01:00.0", name, "0xffff")
    found = held_tree(tree)
    assert found
    assert all(item.undecided for item in found)
    (short,) = held_tree(tree, '[[rule]]\ndevice = "1234:0001"\nat_least = 2\n')
    assert short.sentence == "1 of at least 2 such components are there; 1 could not be read and may be one"
    assert short.undecided


def test_a_slot_name_that_only_root_reads_is_not_missed_by_a_user() -> None:
    document = audited(of(slot(1, drive(A))))
    rules = parse(b'[[rule]]\nslot = "RISER 7"\n', "expect.toml")
    assert [item.urgent for item in deviations(rules, document)] == [True]
    user = msgspec.structs.replace(document, host=msgspec.structs.replace(document.host, privileged=False))
    assert [(item.urgent, item.undecided) for item in deviations(rules, user)] == [(False, True)]


def test_a_card_at_rest_is_held_to_what_it_can_do_awake() -> None:
    asleep = of(slot(1, drive(A, "2.5 GT/s x4", power_state="D3hot")), slot(2, drive(B)), slot(3))
    assert held(asleep) == ()
    lesser = of(slot(1, card("8 GT/s x4", trained="2.5 GT/s x4", power_state="D3hot")))
    (found,) = held(lesser, '[[rule]]\nslot = "1"\nspeed_gts = 16.0\n')
    assert found.sentence == "runs at 8 GT/s, 16 GT/s was expected"


def test_what_is_below_capability_is_written_with_a_word_about_it() -> None:
    text = to_toml(audited(of(slot(1, drive(A, "8 GT/s x4")))).links, "a test")
    assert "downtrained now: trained to 8 GT/s x4" in text


@pytest.mark.parametrize("root", [True, False])
@pytest.mark.parametrize("records", [(), tuple(record(f"0000:00:0{n}.0") for n in (1, 2, 3))])
def test_slots_of_one_name_are_held_apart(records: tuple[SlotRecord, ...], *, root: bool) -> None:
    """Firmware numbers two slots alike, the kernel makes its names unique: each rule picks its own slot alone."""
    ports = [slot(n, drive(n, vendor=n), slot_name="4") for n in (1, 2, 3)]
    described = of(*ports, smbios_slots=records)
    tree = described.build() if root else described.build().unprivileged()
    document = audit(read_machine(tree.source()))
    text = to_toml(document.links, "a test")
    rules = parse(text.encode(), "expect.toml")
    assert deviations(rules, document) == ()
    assert deviations(rules, audited(described)) == ()
    swapped = of(*(slot(n, drive(n, vendor=4 - n), slot_name="4") for n in (1, 2, 3)), smbios_slots=records)
    assert len(deviations(rules, audited(swapped))) == 2
