"""The commands on files of a made-up machine: plan, refusal, run, killed in the middle, put back."""

import json
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from fake_sysfs import card, machine, root_port
from tests.conftest import Run

PORT, COMPONENT = "0000:00:01.0", "0000:01:00.0"


@pytest.fixture
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path / "state/linkprobe/active"


@pytest.fixture
def tree(tmp_path: Path, state: Path) -> Path:
    described = machine(
        root_port(PORT, "16 GT/s x8", slot=1).holds(card("16 GT/s x8", trained="8 GT/s x4", driver="nvme"))
    )
    return described.build().write(tmp_path / "tree")


def config(tree: Path) -> bytes:
    return (tree / f"bus/pci/devices/{PORT}/config").read_bytes()


def everything(tree: Path) -> dict[str, bytes]:
    return {str(path): path.read_bytes() for path in tree.rglob("*") if path.is_file() and not path.is_symlink()}


@pytest.mark.parametrize("command", [["train"], ["speeds"], ["train", "--way", "retrain", "--times", "100"]])
def test_without_go_the_plan_is_shown_and_nothing_is_written(
    tree: Path, state: Path, run: Run, command: list[str]
) -> None:
    before = everything(tree)
    status, out, _ = run(*command, PORT, "--sysfs", tree)
    assert status == 0
    assert "nothing was written" in out
    assert "Retrain Link in Link Control: clear -> set" in out
    assert f"{PORT}, offset 070h, one byte" in out
    assert f"{COMPONENT}" in out
    assert "driver nvme" in out
    assert "--go --accept link-loss" in out
    assert "ESD strap" in out
    assert everything(tree) == before
    assert not state.exists()


def test_the_plan_as_a_document(tree: Path, run: Run) -> None:
    status, out, _ = run("train", "1", "--times", "59", "--sysfs", tree, "--json")
    plan = json.loads(out)
    assert (status, plan["schema"], plan["accept"], plan["refused"]) == (
        0,
        "linkprobe/active-plan/1",
        ["link-loss"],
        False,
    )
    (link,) = plan["links"]
    assert (link["downstream_port"], link["upstream_port"]) == (PORT, COMPONENT)
    assert "4.95%" in link["shows"]
    assert [(item["old"], item["new"]) for item in link["writes"]] == [("clear", "set")]


def test_a_word_that_is_needed_and_one_that_means_nothing(tree: Path, run: Run) -> None:
    before = everything(tree)
    status, out, told = run("train", PORT, "--go", "--sysfs", tree)
    assert (status, out) == (64, "")
    assert "--accept link-loss" in told
    assert told.count("\n") == 1  # no cautions before what is not done
    status, _, told = run("train", PORT, "--go", "--accept", "everything", "--sysfs", tree)
    assert status == 64
    assert "is no word of consent" in told
    assert everything(tree) == before


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["train"], "no link is named"),
        (["train", "0000:77:00.0"], "names no link that holds something"),
        (["train", PORT, "--way", "hammer"], "no such way"),
        (["train", PORT, "--way", "bus-reset"], "the kernel offers no reset of this bus"),
        (["train", PORT, "--way", "function-reset"], "the kernel knows no way to reset it"),
        (["speeds", PORT, "--load", "storage-read:/dev/null"], "is no block device"),
        (["speeds", PORT, "--load", "memory"], "drives nothing below 0000:00:01.0"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(tree: Path, run: Run, arguments: list[str], sentence: str) -> None:
    status, out, told = run(*arguments, "--sysfs", tree)
    assert (status, out) == (64, "")
    assert sentence in told
    assert len(told.splitlines()) == 1


def test_a_port_that_ignores_it_was_not_trained(tree: Path, run: Run) -> None:
    status, out, _ = run("train", PORT, "--times", 3, "--go", "--accept", "link-loss", "--sysfs", tree, "--json")
    document = json.loads(out)
    (link,) = document["links"]
    assert status == 3
    assert (document["schema"], document["result"], document["restored"]) == (
        "linkprobe/training/1",
        "inconclusive",
        True,
    )
    assert (link["of"], link["short"], link["interval"], link["way"]) == (0, 0, None, "retrain")
    assert [attempt["observed_training"] for attempt in link["attempts"]] == [False] * 3
    assert "no training was observed" in link["reasons"][0]


@pytest.mark.parametrize("go", [[], ["--go", "--accept", "link-loss"]])
def test_the_cautions_come_before_anything_is_done(tree: Path, run: Run, go: list[str]) -> None:
    """Those that the reference lists, in the plan and before the first training."""
    status, out, told = run("train", PORT, "--times", 1, *go, "--sysfs", tree)
    assert status == (3 if go else 0)
    said = " ".join((told.partition("training 1 of 1")[0] if go else out).split())
    for caution in (
        "may not come back until power is removed", "the machine may stop", "remote power at hand", "users off", "back up",
        "not do this in production", "under another name", "volatile settings", "full power while their driver is gone",
        "service manual", "local codes", "licensed practice", "power off and unplug", "stored charge", "ESD strap",
        "hot and heavy parts",
    ):  # fmt: skip
        assert caution in said


def test_all_is_as_it_was_after_a_run(tree: Path, state: Path, run: Run) -> None:
    control = tree / f"bus/pci/devices/{COMPONENT}/power"
    control.mkdir(exist_ok=True)
    (control / "control").write_text("auto\n")
    (control / "runtime_status").write_text("active\n")
    before = everything(tree)
    run("train", PORT, "--times", 2, "--go", "--accept", "link-loss", "--sysfs", tree)
    run("speeds", PORT, "--seconds", 0.1, "--go", "--accept", "link-loss", "--sysfs", tree)
    assert everything(tree) == before
    assert list(state.iterdir()) == []


def test_a_component_that_sleeps_is_looked_at_and_not_tested_if_it_does_not_wake(
    tree: Path, state: Path, run: Run
) -> None:
    power = tree / f"bus/pci/devices/{COMPONENT}/power"
    power.mkdir(exist_ok=True)
    (power / "control").write_text("auto\n")
    (power / "runtime_status").write_text("suspended\n")
    before = everything(tree)
    status, out, _ = run("train", PORT, "--sysfs", tree)
    assert status == 0
    assert "power/control: auto -> on" in out
    status, out, _ = run("train", PORT, "--go", "--accept", "link-loss", "--sysfs", tree, "--json")
    (link,) = json.loads(out)["links"]
    assert (status, link["attempts"]) == (3, [])
    assert "does not become active" in link["stopped"]
    assert everything(tree) == before


@pytest.mark.parametrize("command", [["train"], ["speeds", "--seconds", "0"]])
def test_links_after_one_that_ended_it_are_in_the_document_and_say_why(
    tmp_path: Path, state: Path, run: Run, command: list[str]
) -> None:
    asleep = {"power/control": "auto", "power/runtime_status": "suspended"}
    described = machine(
        root_port(PORT, "16 GT/s x8", slot=1).holds(card("16 GT/s x8", attributes=asleep)),
        root_port("0000:00:02.0", "16 GT/s x8", slot=2).holds(card("16 GT/s x8")),
    )
    tree = described.build().write(tmp_path / "two")
    status, out, _ = run(*command, PORT, "0000:00:02.0", "--go", "--accept", "link-loss", "--sysfs", tree, "--json")
    first, second = json.loads(out)["links"]
    assert "does not become active" in first["stopped"]
    assert (second["downstream_port"], second["stopped"], second["result"]) == (
        "0000:00:02.0", "the run ended before it", "inconclusive",
    )  # fmt: skip
    assert (first["place_id"], second["place_id"]) != ("", "")
    assert second["component"]["vendor_id"] == "0x1234"
    assert status == 3


def test_the_screen_is_no_wider_than_it_is(tree: Path, run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    for arguments in (["train", PORT], ["train", PORT, "--times", "2", "--go", "--accept", "link-loss"]):
        _, out, _ = run(*arguments, "--sysfs", tree)
        assert max(len(line) for line in out.splitlines()) <= 80


def begin(tree: Path, *arguments: str) -> "subprocess.Popen[bytes]":
    return subprocess.Popen(
        [sys.executable, "-m", "probe", *arguments, "--go", "--accept", "link-loss", "--sysfs", str(tree)],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
    )  # fmt: skip


def end(process: "subprocess.Popen[bytes]") -> None:
    process.kill()
    process.communicate()


def wait_for_a_change(tree: Path, before: bytes, process: "subprocess.Popen[bytes]") -> None:
    until = time.monotonic() + 30
    while config(tree) == before:
        assert process.poll() is None
        assert time.monotonic() < until
        time.sleep(0.005)


def test_killed_in_the_middle_and_put_back(tree: Path, state: Path, run: Run) -> None:
    before = everything(tree)
    process = begin(tree, "speeds", PORT, "--seconds", "60")
    wait_for_a_change(tree, config(tree), process)
    status, _, told = run("train", PORT, "--go", "--accept", "link-loss", "--sysfs", tree)
    assert (status, "another active test is running" in told) == (64, True)
    status, out, _ = run("put-back")
    assert (status, out.strip()) == (0, "Nothing was left behind.")  # what is still running is left alone
    end(process)
    assert everything(tree) != before
    status, _, told = run("speeds", PORT, "--go", "--accept", "link-loss", "--sysfs", tree)
    assert (status, "run: linkprobe put-back" in told, told.count("\n")) == (64, True, 1)
    status, out, _ = run("speeds", PORT, "--sysfs", tree)
    assert (status, "left something behind" in out) == (64, True)
    status, out, _ = run("put-back", "--json")
    found = json.loads(out)
    assert (status, found["leftovers"], len(found["runs"])) == (0, [], 1)
    assert found["put_back"] >= 1
    assert everything(tree) == before
    assert list(state.iterdir()) == []


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_ends_it_with_everything_put_back_and_the_document(
    tree: Path, state: Path, number: signal.Signals
) -> None:
    before = everything(tree)
    process = begin(tree, "speeds", PORT, "--seconds", "60", "--json")
    wait_for_a_change(tree, config(tree), process)
    process.send_signal(number)
    out, _ = process.communicate(timeout=30)
    (link,) = json.loads(out)["links"]
    assert link["stopped"] == f"stopped by {number.name}"
    assert process.returncode == 3
    assert everything(tree) == before
    assert list(state.iterdir()) == []


def left(tree: Path) -> None:
    before = config(tree)
    process = begin(tree, "speeds", PORT, "--seconds", "60")
    wait_for_a_change(tree, before, process)
    end(process)


def test_what_cannot_be_put_back_is_urgent_and_names_value_and_offset(tree: Path, state: Path, run: Run) -> None:
    left(tree)
    whole = config(tree)
    path = tree / f"bus/pci/devices/{PORT}/config"
    path.write_bytes(b"\xff" * 4096)
    status, out, _ = run("put-back")
    assert status == 2
    assert f"Link Control 2 of {PORT} (offset 090h, 1 byte)" in " ".join(out.split())
    assert "write 04h back" in " ".join(out.split())
    assert len(list(state.iterdir())) == 1
    path.write_bytes(whole)
    assert run("put-back")[0] == 0
    assert config(tree)[0x90] == 0x04


def test_forget_drops_what_cannot_be_put_back(tree: Path, state: Path, run: Run) -> None:
    left(tree)
    (tree / f"bus/pci/devices/{PORT}/config").write_bytes(b"\xff" * 4096)
    assert run("put-back", "--forget")[0] == 2
    assert run("put-back")[0] == 0


def test_another_device_at_the_address_is_left_alone(tree: Path, run: Run) -> None:
    left(tree)
    changed = config(tree)
    (tree / f"bus/pci/devices/{PORT}/device").write_text("0xbeef\n")
    status, out, _ = run("put-back")
    assert "another device is there now" in out
    assert config(tree) == changed
    assert status == 0


def test_a_damaged_journal_writes_nothing(tree: Path, state: Path, run: Run) -> None:
    left(tree)
    changed = config(tree)
    (journal,) = state.iterdir()
    whole = journal.read_bytes()
    cut, overreaching = whole.replace(b'"mask":15', b'"mask":', 1), whole.replace(b'"mask":15', b'"mask":255')
    for damage in (cut, overreaching):
        assert damage != whole
        journal.write_bytes(damage)
        status, _, told = run("put-back")
        assert status == 64
        assert "damaged" in told or "more than may be written" in told
        assert config(tree) == changed


def test_schemas_are_listed(run: Run) -> None:
    _, out, _ = run("schema")
    names = {"linkprobe/training/1", "linkprobe/speeds/1", "linkprobe/active-plan/1", "linkprobe/put-back/1"}
    assert names <= set(out.split())
    for name in names:
        _, text, _ = run("schema", name)
        found: Any = json.loads(text)
        assert found["$ref"]
