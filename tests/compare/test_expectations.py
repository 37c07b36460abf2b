"""Expectations written from a good machine, and machines that are not what they should be."""

import pytest

from fake_sysfs import Machine
from fake_sysfs.demonstration import correlator
from probe.audit.audit import audit
from probe.audit.document import AuditDocument, Deviation
from probe.compare.expectation_file import to_toml
from probe.compare.expectations import deviations, parse
from probe.exceptions import DocumentError, InputError
from probe.host.machine import read_machine
from tests.compare.machines import A, B, drive, of, slot


def audited(described: Machine) -> AuditDocument:
    return audit(read_machine(described.build().source()))


GOOD = of(slot(1, drive(A)), slot(2, drive(B)), slot(3))
WRITTEN = to_toml(audited(GOOD).links, "a test")


def held(described: Machine, text: str = WRITTEN) -> tuple[Deviation, ...]:
    document = audited(described)
    return deviations(parse(text, "expect.toml"), document.links, document.host.uptime_s)


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
        ("[[rule]]\nslott = '1'\n", "unknown field"),
        ("[[rule]]\nslot = 1\n", "Expected `str"),
        ("[[rule]]\nwidth = 4\n", "rule 1 picks nothing"),
        ("[[rule]]\nslot = '1'\nzero = ['some']\n", "asks for zero some errors"),
        ("schema = 'linkprobe/audit/1'\n", "is a linkprobe/audit/1 document"),
    ],
)
def test_bad_files(text: str, told: str) -> None:
    with pytest.raises(DocumentError) as caught:
        parse(text, "expect.toml")
    assert str(caught.value).startswith("expect.toml: ")
    assert told in str(caught.value)


def test_a_bad_limit_in_a_file() -> None:
    with pytest.raises(InputError, match="is no limit"):
        parse("[[rule]]\nslot = '1'\ncorrectable = '6'\n", "expect.toml")
