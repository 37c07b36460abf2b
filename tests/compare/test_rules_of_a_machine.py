"""Each key of an expectation held at its border: met, not met, and not read."""

from typing import Any

import msgspec
import pytest

from fake_sysfs import Machine, Tree, card, machine, root_port
from probe.audit.audit import audit
from probe.compare.expectations import Expectations, Rule, deviations, device_of, expected_of, not_covered
from probe.host.machine import read_machine
from tests.compare.machines import A, B, drive, of, slot


def held(described: Machine | Tree, uptime_h: float | None = 1.0, /, **rule: Any) -> list[tuple[str, bool, bool]]:
    """Sentence, urgent, undecided of each difference."""
    tree = described.build() if isinstance(described, Machine) else described
    document = audit(read_machine(tree.source()))
    host = msgspec.structs.replace(document.host, uptime_s=None if uptime_h is None else uptime_h * 3600.0)
    picked: dict[str, Any] = {"slot": "1"} if not {"slot", "path", "device"} & rule.keys() else {}
    found = deviations(Expectations(rule=(Rule(**picked, **rule),)), msgspec.structs.replace(document, host=host))
    return [(item.sentence, item.urgent, item.undecided) for item in found]


def one(trained: str = "16 GT/s x4", **changes: Any) -> Machine:
    return of(slot(1, drive(A, trained, **changes)))


@pytest.mark.parametrize(
    ("trained", "rule", "sentence"),
    [
        ("16 GT/s x4", {"speed_gts": 16.0}, None), ("16 GT/s x4", {"speed_gts": 8.0}, None),
        ("8 GT/s x4", {"speed_gts": 16.0}, "runs at 8 GT/s, 16 GT/s was expected"),
        ("16 GT/s x4", {"width": 4}, None), ("16 GT/s x4", {"width": 2}, None),
        ("16 GT/s x2", {"width": 4}, "is x2 wide, x4 was expected"),
    ],
)  # fmt: skip
def test_the_state(trained: str, rule: dict[str, Any], sentence: str | None) -> None:
    assert held(one(trained), **rule) == ([] if sentence is None else [(sentence, False, False)])


def test_a_state_that_was_not_read_is_undecided() -> None:
    tree = one().build().unprivileged()
    for address in ("0000:00:01.0", "0000:01:00.0"):
        tree = tree.with_attribute(address, "current_link_speed", "Unknown").with_attribute(
            address, "current_link_width", "0"
        )
    assert held(tree, speed_gts=16.0, width=4) == [
        ("its speed was not read, 16 GT/s was expected", False, True),
        ("its width was not read, x4 was expected", False, True),
    ]


def test_what_it_holds() -> None:
    assert held(one(), holds="1234:0001") == []
    assert held(one(), holds="1234:*") == []
    assert held(one(), holds="1234:000?") == []
    assert held(one(device=0x00AB), holds="1234:00AB") == []
    ((sentence, urgent, undecided),) = held(one(), holds="144d:*")
    assert sentence.startswith("holds 1234:0001 (")
    assert sentence.endswith("), not 144d:*")
    assert (urgent, undecided) == (False, False)
    assert held(of(slot(1)), holds="1234:*") == [("nothing is there, where 1234:* should be", True, False)]
    assert held(of(slot(1)), width=4) == []
    assert held(of(slot(1)), empty=True) == []
    ((sentence, urgent, _),) = held(one(), empty=True)
    assert sentence.endswith("is there, where nothing should be")
    assert not urgent


@pytest.mark.parametrize(
    ("zero", "counters", "found"),
    [
        (
            ("nonfatal",),
            {"nonfatal": {"Completion Timeout": 1}},
            ("1 non-fatal error counted since boot, none was expected", True),
        ),
        (("fatal",), {"fatal": {"Malformed TLP": 2}}, ("2 fatal errors counted since boot, none was expected", True)),
        (
            ("correctable",),
            {"correctable": {"Bad TLP": 1}},
            ("1 correctable error counted since boot, none was expected", False),
        ),
        (("fatal",), {"nonfatal": {"Completion Timeout": 1}}, None),
        ((), {"fatal": {"Malformed TLP": 2}}, None),
    ],
)
def test_no_errors_of_a_severity(
    zero: tuple[str, ...], counters: dict[str, dict[str, int]], found: tuple[str, bool] | None
) -> None:
    assert held(one(counters=counters), zero=zero) == ([] if found is None else [(*found, False)])


@pytest.mark.parametrize(
    ("count", "uptime_h", "over"),
    [(5, 1.0, False), (6, 1.0, True), (6, 2.0, True), (6, 3.0, False), (9, 3.0, True), (6, None, True)],
)
def test_the_limit_of_correctable_errors(count: int, uptime_h: float | None, *, over: bool) -> None:
    described = one(counters={"correctable": {"Bad TLP": count}})
    told = [(f"{count} correctable link errors since boot, over the limit of 6/2h", False, False)]
    assert held(described, uptime_h, correctable="6/2h") == (told if over else [])
    other = one(counters={"correctable": {"Advisory Non-Fatal Error": 900}})
    assert held(other, uptime_h, correctable="6/2h") == []


@pytest.mark.parametrize(
    ("rule", "sentence"),
    [
        ({"device": "1234:*"}, None), ({"device": "1234:*", "at_least": 2}, None),
        ({"device": "1234:*", "at_least": 3}, "2 of at least 3 such components are there"),
        ({"device": "144d:*"}, "the rule matches nothing on this machine"),
        ({"device": "144d:*", "at_least": 2}, "0 of at least 2 such components are there"),
        ({"device": "1234:*", "slot": "2"}, None), ({"slot": "[12]"}, None), ({"slot": "9"}, "the rule matches nothing on this machine"),
        ({"path": "0000/0/01.0"}, None), ({"path": "0000/0/0?.0"}, None), ({"path": "0000/1/01.0"}, "the rule matches nothing on this machine"),
        ({"path": "0000/0/01.0", "slot": "2"}, "the rule matches nothing on this machine"),
        ({"device": "1234:*", "slot": "3"}, "the rule matches nothing on this machine"),
    ],
)  # fmt: skip
def test_which_links_a_rule_picks(rule: dict[str, Any], sentence: str | None) -> None:
    described = of(slot(1, drive(A)), slot(2, drive(B)), slot(3))
    assert held(described, **rule) == ([] if sentence is None else [(sentence, True, False)])


def test_what_is_written_of_a_machine() -> None:
    described = of(slot(1, drive(A, "8 GT/s x2")), slot(2))
    first, second = expected_of(audit(read_machine(described.build().source())).links).rule
    assert (first.slot, first.path, first.holds, first.speed_gts, first.width) == ("1", None, "1234:0001", 8.0, 2)
    assert (first.zero, first.correctable, first.empty, first.at_least) == (("nonfatal", "fatal"), "6/2h", False, 1)
    assert second == Rule(slot="2", empty=True)
    unnamed = machine(root_port("0000:00:01.0", "16 GT/s x4").holds(card("16 GT/s x4")))
    (rule,) = expected_of(audit(read_machine(unnamed.build().source())).links).rule
    assert (rule.slot, rule.path) == (None, "0000/0/01.0")
    flit = machine(root_port("0000:00:01.0", "64 GT/s x4", slot=1).holds(card("64 GT/s x4")))
    (rule,) = expected_of(audit(read_machine(flit.build().source())).links).rule
    assert rule.correctable is None


def test_a_name_with_wildcards_picks_itself_alone() -> None:
    described = of(slot(1, drive(A), slot_name="BAY [1]*"), slot(2, drive(B), slot_name="BAY 1x"))
    document = audit(read_machine(described.build().source()))
    rules = expected_of(document.links).rule
    assert rules[0].slot == "BAY [[]1][*]"
    assert deviations(Expectations(rule=rules), document) == ()


def test_a_rule_as_the_file_has_it() -> None:
    assert str(Rule(slot="1", path="p", device="d")) == 'slot = "1", path = "p", device = "d"'
    assert str(Rule(width=4)) == ""
    asking = [Rule(holds="x"), Rule(speed_gts=8.0), Rule(width=4), Rule(zero=("fatal",)), Rule(correctable="6/2h")]
    assert all(rule.asks_for_a_component for rule in asking)
    assert not Rule(slot="1", empty=True).asks_for_a_component


def test_ids_of_a_component() -> None:
    full, empty = audit(read_machine(of(slot(1, drive(A, device=0xABCD)), slot(2)).build().source())).links
    assert (device_of(full), device_of(empty)) == ("1234:abcd", None)
    tree = of(slot(1, drive(A))).build().silent("0000:01:00.0").with_attribute("0000:01:00.0", "vendor", "0xffff")
    (silent,) = audit(read_machine(tree.source())).links
    assert device_of(silent) is None


def test_what_no_rule_covers() -> None:
    links = audit(read_machine(of(slot(1, drive(A)), slot(2, drive(B)), slot(3)).build().source())).links
    notes = list(not_covered(Expectations(rule=(Rule(slot="1"),)), links))
    assert len(notes) == 1
    assert notes[0].meaning.startswith("no rule covers ")
    assert "slot 2" in notes[0].meaning
    assert list(not_covered(Expectations(rule=(Rule(slot="[12]"),)), links)) == []
