"""A plan is checked whole: every fault with its line and what to do."""

import tomllib

import pytest

from probe.qualify.plan import SoakStep, Stop
from probe.qualify.plan_file import PLAN_BYTES, read_plan, step_lines
from probe.qualify.plan_lines import lines_of

HEAD = 'schema = "linkprobe/qualify-plan/1"\n'


def faults(text: str) -> list[tuple[int | None, str, str]]:
    reading = read_plan(text.encode())
    assert (reading.plan is None) == bool(reading.faults)
    return [(fault.line, fault.what, fault.remedy) for fault in reading.faults]


def test_a_plan_with_defaults() -> None:
    text = f"""{HEAD}
[[step]]
kind = "snapshot"
[[step]]
kind = "snapshot"
[[step]]
kind = "soak"
minutes = 30
loads = ["storage-read"]
"""
    reading = read_plan(text.encode())
    assert reading.plan is not None
    assert [step.name for step in reading.plan.step] == ["snapshot 1", "snapshot 2", "soak"]
    soak = reading.plan.step[2]
    assert isinstance(soak, SoakStep)
    assert (soak.minutes, soak.loads, reading.plan.stop_on) == (30.0, ("storage-read",), (Stop.URGENT,))
    assert step_lines(text.encode(), reading.plan) == (3, 5, 7)


def test_every_fault_is_told_with_its_line() -> None:
    told = faults(f"""{HEAD}stop_on = ["whenever"]

[[step]]
kind = "trainings"
links = [
    "slot 1",
    7,
]
tmes = 20

[[step]]
# nothing but a word
kind = "dance"

[[step]]
kind = "soak"
loads = "storage-read"
""")
    assert [(line, what.partition(" ")[0]) for line, what, _ in told] == [
        (6, "links:"), (10, "tmes"), (14, "kind"), (18, "loads:"), (16, "a"), (2, "stop_on:"),
    ]  # fmt: skip
    by_line = {line: (what, remedy) for line, what, remedy in told}
    assert by_line[10] == ("tmes is nothing that a step of kind trainings has", "write times")
    assert "choose among snapshot, expectations, trainings" in by_line[14][1]
    assert by_line[16] == ("a step of kind soak needs minutes", "add minutes = ...")


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("", None, "states no schema"),
        ('schema = "linkprobe/expect/1"', 1, "is a linkprobe/expect/1 document"),
        (HEAD, None, "has no step"),
        (f"{HEAD}step = 3", 2, "has no step"),
        (f"{HEAD}[[step]]\nkind = ", None, "is not TOML"),
        ("x = " + "[" * 5000, None, "nested too deeply"),
        (f"{HEAD}[[step]]\nkind = 'soak'\nminutes = -1", 4, "minutes: expected float > 0"),
        (f"{HEAD}[[step]]\nkind = 'soak'\nminutes = nan", 4, "minutes: expected float > 0"),
        (f"{HEAD}[[step]]\nkind = 'soak'\nminutes = 1\ncorrectable = 'many'", 5, "is no limit"),
        (f"{HEAD}[[step]]\nkind = 'soak'\nminutes = 1\nat_least = 0", 5, "at_least: expected float > 0"),
        (f"{HEAD}[[step]]\nkind = 'soak'\nminutes = 1\nat_least = nan", 5, "at_least: expected float > 0"),
        (f"{HEAD}[[step]]\nkind = 'soak'\nminutes = 1\nat_least = 80", 5, "at_least: expected float <= 1"),
        (f"{HEAD}[[step]]\nkind = 'command'\nrun = []", 4, "run: expected array of length >= 1"),
        (f"{HEAD}[[step]]\nkind = 'snapshot'\nrepeat = 0", 4, "repeat: expected int >= 1"),
        (
            f"{HEAD}[[step]]\nkind='snapshot'\nname='a'\n[[step]]\nkind='snapshot'\nname='a'",
            7,
            "another step has the name",
        ),
        (f"{HEAD}[[step]]\nkind='comparison'\nbefore='a'\nafter='b'", 4, "names no snapshot that is taken before"),
        (f"{HEAD}rounds = 0\n[[step]]\nkind='snapshot'", 2, "rounds: expected int >= 1"),
    ],
)
def test_what_is_no_plan(text: str, line: int | None, words: str) -> None:
    (first, *_) = faults(text)
    assert first[0] == line
    assert words in first[1]
    assert first[2]


def test_bytes_that_are_no_text_and_too_many_of_them() -> None:
    assert "is not UTF-8 text" in read_plan(b"\xff\xfe").faults[0].what
    assert "holds more than 256 KiB" in read_plan(b"#" * (PLAN_BYTES + 1)).faults[0].what


def test_lines_are_those_that_the_toml_reader_sees() -> None:
    text = 'a = """\nx = 1\n"""\n\n# a comment\n[b]\nc = [\n  1, # one\n  2,\n]\n[[d]]\n[[d]]\ne.f = 3\n'
    assert tomllib.loads(text)["d"][1]["e"]["f"] == 3
    found = lines_of(text, [("a",), ("x",), ("b",), ("b", "c"), ("d", 0), ("d", 1), ("d", 1, "e", "f")])
    assert found == {("a",): 1, ("b",): 6, ("b", "c"): 7, ("d", 0): 11, ("d", 1): 12, ("d", 1, "e", "f"): 13}
