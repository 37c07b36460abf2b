"""Where a journal stands, what cut a run off, and what is never done again. Files that a crash left in any state."""

from pathlib import Path

import msgspec
import pytest

from probe import __version__
from probe.active.documents import PutBackDocument
from probe.active.restoring import Leftover
from probe.evidence import Host
from probe.exceptions import DocumentError, InputError
from probe.qualify.course import MOST_CRASHES, standing, turns
from probe.qualify.entries import (
    Begun,
    Cause,
    Commanded,
    Entry,
    NotDone,
    PartBegun,
    PutBack,
    TurnBegun,
    TurnEnded,
)
from probe.qualify.journal import Journal
from probe.qualify.judging import judged
from probe.qualify.plan_file import read_plan
from probe.qualify.sealing import digest
from probe.result import Result
from tests.conftest import Run
from tests.qualify.test_commands import judged as judged_of
from tests.qualify.test_commands import plan_of

HEAD = 'schema = "linkprobe/qualify-plan/1"\n'
ONE = f'{HEAD}[[step]]\nkind = "command"\nrun = ["true"]\n'
BOOT = "6b1c0f5e-5d0e-4c55-9d6a-2f7f0a4b7c07"  # the demonstration machine's
AT = "2026-11-25T10:00:00+00:00"


def begun(plan: str = ONE) -> Begun:
    return Begun(
        written_by=f"linkprobe {__version__}", at=AT, plan_name="p", plan=plan, plan_sha256=digest(plan.encode())
    )


def part(cause: Cause = Cause.FIRST, boot: str = BOOT) -> PartBegun:
    return PartBegun(at=AT, cause=cause, host=Host(taken_at=AT, boot_id=boot))


def turn(number: int = 1) -> TurnBegun:
    return TurnBegun(turn=number, name="command", at=AT)


def done(number: int = 1, status: int = 0) -> tuple[Entry, ...]:
    return Commanded(turn=number, seconds=1.0, status=status), TurnEnded(turn=number, at=AT, seconds=1.0)


def test_repeats_and_rounds_come_to_turns_with_names() -> None:
    plan = read_plan(f'{HEAD}rounds = 2\n[[step]]\nkind="snapshot"\nrepeat=2\n[[step]]\nkind="reboot"'.encode()).plan
    assert plan is not None
    assert [(item.number, item.name) for item in turns(plan)] == [
        (1, "snapshot (round 1 of 2, 1 of 2)"), (2, "snapshot (round 1 of 2, 2 of 2)"), (3, "reboot (round 1 of 2)"),
        (4, "snapshot (round 2 of 2, 1 of 2)"), (5, "snapshot (round 2 of 2, 2 of 2)"), (6, "reboot (round 2 of 2)"),
    ]  # fmt: skip


def test_only_the_hosts_going_down_in_the_middle_of_a_turn_counts() -> None:
    before = [begun(), part(), part(Cause.HOST_WENT_DOWN), turn(), *done(), part(Cause.HOST_WENT_DOWN), turn(2)]
    assert standing(before).crashes == 0
    during = [*before, part(Cause.PROGRAM_ENDED), turn(2), part(Cause.HOST_WENT_DOWN), turn(2), part(Cause.REBOOT)]
    assert (standing(during).crashes, standing(during).times, standing(during).begun) == (1, 3, 2)


def journal_of(path: Path, *entries: Entry) -> None:
    encoder = msgspec.json.Encoder()
    path.write_bytes(b"".join(encoder.encode(entry) + b"\n" for entry in entries))


@pytest.mark.parametrize("left", [b"", b'{"type":"turn","tu', b"\0" * 4096, b"\0\0\n", b'{"type":"turn"'])
def test_a_journal_that_a_crash_left_is_gone_on_with(tmp_path: Path, left: bytes) -> None:
    path = tmp_path / "j"
    journal_of(path, begun(), part(), turn())
    whole = path.read_bytes()
    path.write_bytes(whole + left)
    journal = Journal.resume(path)
    assert journal.entries == [begun(), part(), turn()]
    journal.append(*done())
    journal.close()
    assert path.read_bytes().startswith(whole + b'{"type":"command"')
    assert path.read_bytes().count(b"\n") == 5


def test_damage_in_the_middle_is_told_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "j"
    journal_of(path, begun(), part(), turn())
    path.write_bytes(path.read_bytes().replace(b'"cause":"begun"', b'"cause":"whim"'))
    with pytest.raises(DocumentError, match="line 2 is not of a journal"):
        Journal.resume(path)
    path.write_bytes(b"not a journal\n")
    with pytest.raises(DocumentError, match="does not begin as a journal"):
        Journal.resume(path)


def test_a_journal_is_made_once(tmp_path: Path) -> None:
    Journal.create(tmp_path / "j", begun()).close()
    with pytest.raises(InputError, match="cannot be written"):
        Journal.create(tmp_path / "j", begun())


@pytest.mark.parametrize(
    ("entries", "result", "words"),
    [
        ((), Result.INCONCLUSIVE, "it was not begun"),
        ((turn(),), Result.INCONCLUSIVE, "it did not come to its end"),
        ((turn(), *done()), Result.PASSED, "ended with status 0"),
        ((turn(), *done(status=3)), Result.FAILED, "status 3, where it passes with 0"),
        ((turn(), NotDone(turn=1, why="nobody was in"), done()[1]), Result.INCONCLUSIVE, "nobody was in"),
        ((turn(), done()[1]), Result.INCONCLUSIVE, "it was not run"),
        ((turn(), done(status=3)[0], part(Cause.PROGRAM_ENDED), turn(), *done()), Result.PASSED, "ended with status 0"),
    ],
)  # fmt: skip
def test_what_is_not_known_never_passes(entries: tuple[Entry, ...], result: Result, words: str) -> None:
    found = judged((begun(), part(), *entries))
    assert found.steps[0].result is result
    assert words in found.steps[0].reasons[0]
    assert (found.result is Result.PASSED) == (result is Result.PASSED)


def test_what_could_not_be_put_back_is_urgent() -> None:
    left = Leftover(what="Link Control 2", where="offset 090h", value="04h", found="03h", why="it was refused")
    found = judged((begun(), part(), turn(), PutBack(turn=1, document=PutBackDocument(leftovers=(left,)))))
    assert (found.urgent, found.result) == (True, Result.FAILED)
    assert "Link Control 2" in found.steps[0].reasons[0]


@pytest.mark.parametrize(("heat", "result"), [(84.9, "passed"), (85.0, "failed"), (None, "inconclusive")])
def test_a_limit_of_temperature(heat: float | None, result: str) -> None:
    plan = ONE.replace("[[step]]", "hottest_c = 85\n[[step]]", 1)
    ended = TurnEnded(turn=1, at=AT, seconds=1.0, hottest_c=heat)
    found = judged((begun(plan), part(), turn(), done()[0], ended))
    assert found.steps[0].result == result


def test_a_step_in_which_the_host_went_down_twice_is_not_begun_again(run: Run, tmp_path: Path) -> None:
    from_tree = tmp_path / "tree"
    run("demo", "--write", from_tree)
    plan = plan_of(tmp_path, '[[step]]\nkind = "command"\nrun = ["/bin/sh", "-c", "touch ran"]\n')
    text = plan.read_text()
    crashes = [item for _ in range(MOST_CRASHES) for item in (part(Cause.HOST_WENT_DOWN), turn())]
    journal_of(tmp_path / "r.json.journal", begun(text), part(), turn(), *crashes)
    status, _, _ = run("qualify", plan, "--sysfs", from_tree, "-o", tmp_path / "r.json")
    assert status == 3
    assert not (tmp_path / "ran").exists()
    assert "the host went down 2 times in the middle of it" in judged_of(tmp_path / "r.json")["steps"][0]["reasons"][0]


def test_a_command_that_is_not_to_run_twice_does_not(run: Run, tmp_path: Path) -> None:
    from_tree = tmp_path / "tree"
    run("demo", "--write", from_tree)
    plan = plan_of(tmp_path, '[[step]]\nkind = "command"\nrun = ["/bin/sh", "-c", "touch ran"]\nagain = false\n')
    journal_of(tmp_path / "r.json.journal", begun(plan.read_text()), part(), turn())
    assert run("qualify", plan, "--sysfs", from_tree, "-o", tmp_path / "r.json")[0] == 3
    assert not (tmp_path / "ran").exists()


def test_a_reboot_by_hand_is_told_by_the_boot_id(run: Run, tmp_path: Path) -> None:
    tree = tmp_path / "tree"
    run("demo", "--write", tree)
    plan = plan_of(tmp_path, '[[step]]\nkind = "reboot"\nby_hand = true\n')
    words = ("qualify", plan, "--sysfs", tree, "-o", tmp_path / "r.json")
    assert run(*words)[0] == 3
    status, _, told = run(*words)
    assert (status, "was not started anew yet" in told) == (3, True)
    boot = tree / "proc/sys/kernel/random/boot_id"
    boot.write_text("11111111-2222-4333-8444-555555555555\n")
    assert run(*words)[0] == 0
    found = judged_of(tmp_path / "r.json")
    assert found["parts"][-1]["cause"] == "the machine was started anew, as the plan asked"


def test_a_run_that_is_at_its_end_is_no_new_one(run: Run, tmp_path: Path) -> None:
    tree = tmp_path / "tree"
    run("demo", "--write", tree)
    plan = plan_of(tmp_path, '[[step]]\nkind = "command"\nrun = ["true"]\n')
    words = ("qualify", plan, "--sysfs", tree, "-o", tmp_path / "r.json")
    assert run(*words)[0] == 0
    whole = (tmp_path / "r.json").read_bytes()
    status, out, told = run(*words)
    assert (status, out, "this run is at its end" in told) == (64, "", True)
    (tmp_path / "r.json").unlink()  # as a crash leaves it between the last entry and the record
    assert run(*words)[0] == 0
    assert (tmp_path / "r.json").read_bytes() == whole


def test_consent_is_given_again_to_go_on(run: Run, tmp_path: Path) -> None:
    tree = tmp_path / "tree"
    run("demo", "--write", tree)
    plan = plan_of(tmp_path, '[[step]]\nkind = "command"\nrun = ["true"]\n')
    head = msgspec.structs.replace(begun(plan.read_text()), go=True, accepted=("link-loss",))
    journal_of(tmp_path / "r.json.journal", head, part())
    status, _, told = run("qualify", plan, "--sysfs", tree, "-o", tmp_path / "r.json")
    assert (status, "give --go --accept link-loss again" in told) == (64, True)
