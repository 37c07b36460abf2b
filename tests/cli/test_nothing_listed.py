"""A machine that lists nothing is evidence too: a document whatever is asked, status 3, and never an alarm."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from fake_sysfs import Machine, Tree, card
from probe.audit.snapshot import take
from probe.documents.files import encode, read_snapshot
from probe.evidence import Evidence, Host, Unread, Why
from probe.host.machine import read_machine
from tests.compare.machines import drive, of, slot
from tests.conftest import Run

Made = Callable[[Path], Path]
NO_LINK = Machine(on_root_bus=(("0000:00:1e.0", card("2.5 GT/s x1", conventional=True)),))


def empty_list(root: Path) -> Path:
    (root / "sys/bus/pci/devices").mkdir(parents=True)
    return root / "sys"


def no_list(root: Path) -> Path:
    for name in ("bus", "devices", "class"):
        (root / "sys" / name).mkdir(parents=True)
    return root / "sys"


def no_link(root: Path) -> Path:
    return NO_LINK.build().write(root)


NOTHING = pytest.mark.parametrize("made", [empty_list, no_list, no_link])


@NOTHING
@pytest.mark.parametrize("form", ["--json", "--csv"])
def test_a_document_and_status_3(made: Made, form: str, tmp_path: Path, run: Run) -> None:
    status, out, err = run("audit", "--sysfs", made(tmp_path), form)
    assert (status, err) == (3, "")
    assert (json.loads(out)["links"] == []) if form == "--json" else out.count("\n") == 1


@NOTHING
@pytest.mark.parametrize("quiet", [(), ("--quiet",)])
def test_a_calm_sentence(made: Made, quiet: tuple[str, ...], tmp_path: Path, run: Run) -> None:
    status, out, err = run("audit", "--sysfs", made(tmp_path), *quiet)
    assert (status, out) == (3, "")
    assert err.count("\n") == 1
    assert ("no PCI functions are listed" in err) is (made is no_list)


@NOTHING
def test_a_snapshot_is_kept_and_judged_later(made: Made, tmp_path: Path, run: Run) -> None:
    kept = tmp_path / "kept.json.gz"
    status, _, err = run("snapshot", "--sysfs", made(tmp_path), "-o", kept)
    assert status == 0
    assert err.startswith(f"{kept}: ")
    assert err.endswith(" function, 0 links\n" if made is no_link else "0 functions, 0 links\n")
    status, out, _ = run("audit", "--json", kept)
    assert (status, json.loads(out)["links"]) == (3, [])
    status, out, err = run("diff", kept, kept, "--json")
    assert (status, err) == (3, "")
    assert json.loads(out)["changes"] == []
    assert run("diff", kept, kept)[0] == 3
    assert run("history", kept, "--json")[0] == 0
    assert run("report", kept, "-o", tmp_path / "page.html")[0] == 0


@NOTHING
def test_a_soak_and_a_watch_of_it_are_documents_too(made: Made, tmp_path: Path, run: Run) -> None:
    tree, record = made(tmp_path), tmp_path / "record.jsonl"
    status, out, _ = run("soak", "--sysfs", tree, "--json", "-o", record)
    found = json.loads(out)
    assert (status, found["schema"], found["result"], found["links"]) == (3, "linkprobe/record/1", "inconclusive", [])
    assert found["ended"] == "it was not begun: no link holds anything"
    assert not record.exists()
    status, out, _ = run("watch", "--sysfs", tree, "--json")
    assert (status, json.loads(out)["sentence"]) == (3, "no link holds anything")
    for command in ("soak", "watch"):
        status, out, err = run(command, "--sysfs", tree)
        assert (status, out, err.count("\n")) == (3, "", 1)


@pytest.fixture
def whole(tmp_path: Path) -> Path:
    path = tmp_path / "whole.json"
    path.write_bytes(encode(take(read_machine(of(slot(1, drive())).build().source()))))
    return path


@pytest.fixture
def blind(tmp_path: Path, whole: Path) -> Path:
    """Of the same machine, whose list of functions could not be read."""
    host: Host = read_snapshot(str(whole)).evidence.host
    path = tmp_path / "blind.json"
    path.write_bytes(encode(take(Evidence(host=host, unread=(Unread("sys/bus/pci/devices", Why.DENIED),)))))
    return path


def test_a_list_that_was_not_read_is_no_list_of_nothing(whole: Path, blind: Path, run: Run) -> None:
    for pair in ((whole, blind), (blind, whole), (blind, blind), (whole, blind, whole)):
        status, out, _ = run("diff", *pair, "--json")
        document = json.loads(out)
        assert (status, document["changes"], document["counts"]) == (3, [], [])
        assert any("could not be listed (permission denied)" in note for note in document["notes"])
    rows = json.loads(run("history", whole, blind, "--json")[1])["places"]
    assert [(row["trainings"], row["absent"]) for row in rows] == [(1, 0)]


def test_what_is_expected_of_it_is_undecided_or_missing(tmp_path: Path, whole: Path, blind: Path, run: Run) -> None:
    rules = tmp_path / "expect.toml"
    assert run("expect", "write", whole, "-o", rules)[0] == 0
    assert run("audit", "--expect", rules, blind, "--json")[0] == 3
    status, out, _ = run("audit", "--expect", rules, blind)
    assert (status, "cannot be told" in out) == (3, True)
    nothing: Tree = of().build()
    sys = nothing.write(tmp_path / "bare")
    (sys / "bus/pci/devices").mkdir(parents=True)
    status, out, _ = run("audit", "--expect", rules, "--sysfs", sys)
    assert (status, "the rule matches nothing" in out) == (2, True)


def test_a_directory_that_is_no_sys_is_refused(tmp_path: Path, run: Run) -> None:
    status, out, err = run("audit", "--sysfs", tmp_path, "--json")
    assert (status, out) == (64, "")
    assert "no /sys tree is here" in err
