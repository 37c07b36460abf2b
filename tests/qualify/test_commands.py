"""The commands on a made-up machine: plan, dry run, record, what is verified, what goes on after a cut."""

import json
import os
import signal
import subprocess
import sys
import time
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from fake_sysfs import card, machine, root_port
from tests.conftest import Run

PORT, COMPONENT = "0000:00:01.0", "0000:01:00.0"
BODY = """
[[step]]
kind = "snapshot"
name = "before"

[[step]]
kind = "command"
run = ["/bin/sh", "-c", "echo said; exit 0"]

[[step]]
kind = "snapshot"
name = "after"

[[step]]
kind = "comparison"
before = "before"
after = "after"
"""


def plan_of(folder: Path, body: str = BODY, head: str = "") -> Path:
    path = folder / "plan.toml"
    path.write_text(f'schema = "linkprobe/qualify-plan/1"\n{head}\n{body}')
    return path


@pytest.fixture
def tree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    described = machine(
        root_port(PORT, "16 GT/s x8", slot=1).holds(card("16 GT/s x8", driver="nvme")),
        root_port("0000:00:02.0", "16 GT/s x8", slot=2),
    )
    return described.build().write(tmp_path / "tree")


@pytest.fixture
def record(tmp_path: Path) -> Path:
    return tmp_path / "record.json"


def judged(path: Path) -> Any:
    return json.loads(path.read_text())["judged"]


def results(path: Path) -> list[tuple[str, str]]:
    return [(step["name"], step["result"]) for step in judged(path)["steps"]]


def test_a_plan_is_carried_out_and_its_record_verified(tree: Path, record: Path, run: Run, tmp_path: Path) -> None:
    plan = plan_of(tmp_path, head='fields = ["operator"]\n[asked]\ncustomer = "the lab next door"\n')
    status, out, _ = run("qualify", plan, "--sysfs", tree, "-o", record, "--field", "operator=Ada")
    assert (status, out.splitlines()[0].split()[0]) == (0, "passed")
    document = json.loads(record.read_text())
    found = document["judged"]
    assert results(record) == [(name, "passed") for name in ("before", "command", "after", "comparison")]
    assert (found["fields"], found["asked"]) == ({"operator": "Ada"}, {"customer": "the lab next door"})
    assert document["digests"]["plan"] == sha256(plan.read_bytes()).hexdigest()
    journal = Path(f"{record}.journal").read_bytes()
    assert document["digests"]["journal"] == sha256(journal).hexdigest()
    assert {item["what"]: item["why"] for item in found["not_tested"]} == {
        f"slot 1 (port {PORT})": "no step has tested it by trainings, speeds, margins, soak",
        "slot 2 (port 0000:00:02.0)": "nothing is in it",
    }
    status, out, _ = run("verify", record)
    assert (status, out.split()[0]) == (0, "sound")


def test_a_dry_run_says_what_would_be_done_and_does_nothing(tree: Path, run: Run, tmp_path: Path) -> None:
    body = f"""{BODY}
[[step]]
kind = "soak"
minutes = 30
repeat = 2
"""
    plan = plan_of(tmp_path, body)
    status, out, _ = run("qualify", plan, "--sysfs", tree, "--dry-run")
    assert status == 0
    assert "about 30 min, 2 times" in out
    assert "a bit error ratio below" in out
    assert "Nothing was done" in out
    status, out, _ = run("qualify", plan, "--sysfs", tree, "--dry-run", "--json")
    document = json.loads(out)
    assert [step["line"] for step in document["steps"]] == [4, 8, 12, 16, 21]
    assert document["steps"][4]["lasts_s"] == 1800
    assert sorted(path.name for path in tmp_path.iterdir()) == ["plan.toml", "tree"]


def test_faults_are_told_with_their_lines_and_nothing_is_begun(
    tree: Path, record: Path, run: Run, tmp_path: Path
) -> None:
    body = """
[[step]]
kind = "snapshot"
links = ["slot 9"]

[[step]]
kind = "expectations"
file = "absent.toml"

[[step]]
kind = "command"
run = ["./no-such-test"]

[[step]]
kind = "soak"
minutes = 1
loads = ["hammer"]

[[step]]
kind = "reboot"
"""
    plan = plan_of(tmp_path, body, head='fields = ["ticket"]')
    status, out, _ = run("qualify", plan, "--sysfs", tree, "-o", record)
    told = " ".join(out.split())
    assert status == 64
    for line, words in (
        (4, "slot 9: names no link that holds something"), (8, "absent.toml: cannot be read"),
        (12, "no-such-test: is no program that can be run"), (16, "--load hammer: no such load"),
        (21, "nothing would go on afterwards"),
    ):  # fmt: skip
        assert f"{plan} line {line}: " in told
        assert words in told
    assert "give --field ticket=..." in told
    assert not Path(f"{record}.journal").exists()
    assert not record.exists()


def test_a_step_that_writes_needs_its_word_in_the_plan_and_on_the_command_line(
    tree: Path, record: Path, run: Run, tmp_path: Path
) -> None:
    body = '[[step]]\nkind = "trainings"\nlinks = ["1"]\ntimes = 3\n'
    before = (tree / f"bus/pci/devices/{PORT}/config").read_bytes()
    plan = plan_of(tmp_path, body)
    status, out, _ = run("qualify", plan, "--sysfs", tree, "-o", record, "--go", "--accept", "link-loss")
    assert status == 64
    assert "needs the word link-loss, which the plan does not have" in " ".join(out.split())
    plan = plan_of(tmp_path, body, head='accept = ["link-loss"]')
    status, out, _ = run("qualify", plan, "--sysfs", tree, "-o", record)
    assert status == 64
    assert "--go --accept link-loss" in " ".join(out.split())
    status, out, _ = run("qualify", plan, "--sysfs", tree, "-o", record, "--go")
    assert status == 64
    assert "the command line does not say so" in " ".join(out.split())
    assert (tree / f"bus/pci/devices/{PORT}/config").read_bytes() == before
    assert not Path(f"{record}.journal").exists()
    status, _, _ = run("qualify", plan, "--sysfs", tree, "-o", record, "--go", "--accept", "link-loss")
    assert (status, results(record)) == (3, [("trainings", "inconclusive")])  # files that do not train


def test_what_was_measured_is_judged_and_not_the_word_beside_it(
    tree: Path, record: Path, run: Run, tmp_path: Path
) -> None:
    plan = plan_of(tmp_path)
    run("qualify", plan, "--sysfs", tree, "-o", record)
    whole = record.read_bytes()
    for old, new, words in (
        (
            b'"echo said; exit 0',
            b'"echo other; exit 0',
            ("plan: the digest does NOT hold", "journal: the digest does NOT hold"),
        ),
        (b'"status":0', b'"status":1', ("journal: the digest does NOT hold",)),
        (b'"result":"passed"', b'"result":"failed"', ("judgement: the digest does NOT hold", "does NOT follow")),
    ):
        assert old in whole
        record.write_bytes(whole.replace(old, new))
        status, out, _ = run("verify", record)
        assert status == 1
        assert all(text in out for text in words), out
    record.write_bytes(whole)
    assert run("verify", record)[0] == 0


def test_a_record_resealed_by_hand_does_not_follow_from_its_journal(
    tree: Path, record: Path, run: Run, tmp_path: Path
) -> None:
    run("qualify", plan_of(tmp_path, BODY.replace("exit 0", "exit 5")), "--sysfs", tree, "-o", record)
    assert ("command", "failed") in results(record)
    whole = record.read_bytes()
    at, end = whole.index(b'"judged":') + len(b'"judged":'), whole.index(b',"digests":')
    better = whole[at:end].replace(b'"result":"failed"', b'"result":"passed"')
    document = json.loads(whole)
    forged = whole[:at] + better + whole[end:].replace(
        document["digests"]["judged"].encode(), sha256(better).hexdigest().encode()
    )  # fmt: skip
    record.write_bytes(forged)
    status, out, _ = run("verify", record)
    assert status == 1
    assert "judgement: the digest holds" in out
    assert "step 2 (command) is passed in the record, and failed by the journal" in out


def test_a_failing_command_fails_and_the_plan_goes_on_unless_it_says_otherwise(
    tree: Path, record: Path, run: Run, tmp_path: Path
) -> None:
    body = BODY.replace("exit 0", "exit 5")
    assert run("qualify", plan_of(tmp_path, body), "--sysfs", tree, "-o", record)[0] == 1
    assert [word for _, word in results(record)] == ["passed", "failed", "passed", "passed"]
    second = tmp_path / "second.json"
    stopping = plan_of(tmp_path, body, head='stop_on = ["failed"]')
    assert run("qualify", stopping, "--sysfs", tree, "-o", second)[0] == 1
    assert [word for _, word in results(second)] == ["passed", "failed", "inconclusive", "inconclusive"]
    assert "step 3, after" in {item["what"] for item in judged(second)["not_tested"]}
    assert judged(second)["reasons"][0] == "the plan was stopped at command: it was failed"


def test_another_plan_does_not_go_on_with_a_journal(tree: Path, record: Path, run: Run, tmp_path: Path) -> None:
    run("qualify", plan_of(tmp_path), "--sysfs", tree, "-o", record)
    record.unlink()
    status, _, told = run("qualify", plan_of(tmp_path, head="rounds = 2"), "--sysfs", tree, "-o", record)
    assert status == 64
    assert "was begun with another plan" in told


def test_an_order_to_end_is_kept_and_the_same_command_goes_on(
    tree: Path, record: Path, run: Run, tmp_path: Path
) -> None:
    plan = plan_of(tmp_path, '[[step]]\nkind = "soak"\nminutes = 0.1\ninterval_s = 0.1\nuncounted_errors = true\n')
    command = [sys.executable, "-m", "probe", "qualify", str(plan), "--sysfs", str(tree), "-o", str(record)]
    soaking = Path(f"{record}.soak")
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as process:
        until = time.monotonic() + 30
        while not soaking.exists() or soaking.read_bytes().count(b'"sample"') < 3:
            assert time.monotonic() < until
            time.sleep(0.02)
        process.send_signal(signal.SIGTERM)
        out, _ = process.communicate(timeout=30)
    assert process.returncode == 3
    assert b"give the same command again" in out
    assert not record.exists()
    status, _, _ = run("qualify", plan, "--sysfs", tree, "-o", record)
    found = judged(record)
    assert status == 3  # nothing was under load
    assert (len(found["parts"]), found["steps"][0]["times_begun"]) == (2, 2)
    assert found["steps"][0]["seconds"] == pytest.approx(6.0, abs=0.5)
    assert "A part was ended by SIGTERM" in found["notes"][1]


def test_a_run_is_closed_by_hand(tree: Path, record: Path, run: Run, tmp_path: Path) -> None:
    body = f'{BODY}\n[[step]]\nkind = "reboot"\nby_hand = true\n'
    plan = plan_of(tmp_path, body)
    status, _, told = run("qualify", plan, "--sysfs", tree, "-o", record)
    assert (status, record.exists()) == (3, False)
    assert "give the same command again" in told
    assert run("qualify", plan, "--sysfs", tree, "-o", record, "--close")[0] == 3
    assert results(record)[-1] == ("reboot", "inconclusive")
    assert "it was closed by hand" in judged(record)["reasons"][0]
    assert run("verify", record)[0] == 0


def test_two_runs_do_not_share_a_journal(tree: Path, record: Path, run: Run, tmp_path: Path) -> None:
    plan = plan_of(tmp_path, '[[step]]\nkind = "command"\nrun = ["/bin/sleep", "60"]\n')
    command = [sys.executable, "-m", "probe", "qualify", str(plan), "--sysfs", str(tree), "-o", str(record)]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        journal = Path(f"{record}.journal")
        until = time.monotonic() + 30
        while not journal.exists() or b'"type":"turn"' not in journal.read_bytes():
            assert time.monotonic() < until
            time.sleep(0.02)
        status, _, told = run("qualify", plan, "--sysfs", tree, "-o", record)
        os.kill(process.pid, signal.SIGKILL)
    assert (status, "another run of linkprobe qualify is at work" in told) == (64, True)
