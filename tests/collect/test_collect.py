"""The collector: one run after another, two at once, on a full disk, with a clock set back, on a device that hangs."""

import contextlib
import errno
import os
import pickle
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace
from prometheus_client.openmetrics.parser import text_string_to_metric_families as parse_openmetrics
from prometheus_client.parser import text_string_to_metric_families as parse_text

from fake_sysfs import Machine, card
from probe.audit.snapshot import take
from probe.collect.run import collect as run_once
from probe.collect.settings import Settings, read_settings
from probe.collect.spool import Spool
from probe.evidence import Unread, Why
from probe.exceptions import DocumentError, InputError, InternalError, NothingToJudge
from probe.exit_status import ExitStatus
from probe.host.bounded import hung, read_bounded
from probe.host.machine import read_machine
from probe.host.source import Bytes, DirectorySource
from probe.verdict.verdicts import Verdict
from tests.compare.machines import drive, of, slot, snapshot
from tests.conftest import Run

TOP = Path(__file__).parents[2]
HANG_S = 60.0


def tree(root: Path, described: Machine) -> Path:
    return described.build().write(root)


GOOD = of(slot(1, drive()), slot(2, drive(2)), slot(3))
BAD = of(slot(1, drive(trained="8 GT/s x2")), slot(2), slot(3))


@pytest.fixture
def spool(tmp_path: Path) -> Path:
    return tmp_path / "spool"


def collect(run: Run, root: Path, spool: Path, *more: object) -> tuple[int, str, str]:
    return run("collect", "--sysfs", root, "--spool", spool, *more)


def test_quiet_where_nothing_changed(run: Run, tmp_path: Path, spool: Path) -> None:
    good = tree(tmp_path / "good", GOOD)
    assert collect(run, good, spool) == (0, "", "")
    assert collect(run, good, spool) == (0, "", "")
    assert len(list(spool.glob("*.json.gz"))) == 2
    assert run("audit", next(spool.glob("*.json.gz")))[0] == 0


def test_a_line_for_each_change(run: Run, tmp_path: Path, spool: Path) -> None:
    collect(run, tree(tmp_path / "good", GOOD), spool)
    status, out, _ = collect(run, tree(tmp_path / "bad", BAD), spool)
    assert status == 2
    assert any(line.startswith("urgent, worse, slot 2") for line in out.splitlines())
    assert any("width fell from x4 to x2" in line for line in out.splitlines())


def test_an_identity_is_carried_forward_in_the_spool(run: Run, tmp_path: Path, spool: Path) -> None:
    """Known, twice asleep, then another card: it was replaced; the same card: nothing is told."""
    counters = {"correctable": {"Bad TLP": 25}}
    awake = tree(tmp_path / "awake", of(slot(1, drive(counters=counters))))
    asleep = tree(tmp_path / "asleep", of(slot(1, drive(power_state="D3cold", counters=counters))))
    other = tree(tmp_path / "other", of(slot(1, drive(2))))
    for root in (awake, asleep, asleep, awake, asleep):
        assert collect(run, root, spool) == (0, "", "")
    status, out, _ = collect(run, other, spool)
    assert "was replaced by" in out
    assert status == 0


def test_two_runs_at_once_do_not_collide(run: Run, tmp_path: Path, spool: Path) -> None:
    good = tree(tmp_path / "good", GOOD)
    with Spool(Settings(spool=str(spool))).held() as alone:
        assert alone
        assert collect(run, good, spool) == (0, "", "")
        assert list(spool.glob("*.json.gz")) == []
    collect(run, good, spool)
    assert len(list(spool.glob("*.json.gz"))) == 1


def test_many_runs_started_together(tmp_path: Path, spool: Path) -> None:
    good = tree(tmp_path / "good", GOOD)
    command = [sys.executable, "-m", "probe", "collect", "--sysfs", str(good), "--spool", str(spool)]
    running = [subprocess.Popen(command) for _ in range(6)]
    assert {process.wait() for process in running} == {0}
    assert {path.suffix for path in spool.iterdir() if not path.name.startswith(".")} == {".gz"}
    assert len(list(spool.glob("*.json.gz"))) >= 1


def metrics_of(path: Path) -> dict[tuple[str, str], float]:
    return {
        (sample.name + sample.labels.get("state", ""), sample.labels.get("place", "")): sample.value
        for family in parse_text(path.read_text())
        for sample in family.samples
    }


@pytest.mark.parametrize(("trained", "below"), [("8 GT/s x4", 0), ("16 GT/s x2", 1)])
def test_an_idle_accelerator_in_d0_is_no_finding_unless_it_is_narrow(
    run: Run, tmp_path: Path, spool: Path, trained: str, below: int
) -> None:
    path = tmp_path / "linkprobe.prom"
    accelerator = of(slot(1, drive(trained=trained, class_code=0x120000)))
    collect(run, tree(tmp_path / "host", accelerator), spool, "--metrics", path)
    assert metrics_of(path)["linkprobe_link_below_capability", "0000/0/01.0"] == below


def test_metrics(run: Run, tmp_path: Path, spool: Path) -> None:
    path = tmp_path / "linkprobe.prom"
    collect(run, tree(tmp_path / "good", GOOD), spool, "--metrics", path)
    collect(run, tree(tmp_path / "bad", BAD), spool, "--metrics", path)
    found = metrics_of(path)
    place = "0000/0/01.0"
    assert found["linkprobe_link_below_capability", place] == 1
    # 8 and 16 GT/s, 128 of 130 bits, over 2 and 4 lanes, in bytes a second (Base Specification, 128b/130b encoding).
    assert found["linkprobe_link_line_bytes_per_secondruns", place] == pytest.approx(8e9 * 128 / 130 / 8 * 2, abs=1)
    assert found["linkprobe_link_line_bytes_per_secondpossible", place] == pytest.approx(
        16e9 * 128 / 130 / 8 * 4, abs=1
    )
    assert found["linkprobe_link_lanesruns", place] == 2
    assert found["linkprobe_link_lanespossible", place] == found["linkprobe_link_laneswidest", place] == 4
    assert found["linkprobe_components_gone", ""] == 1
    assert time.time() - found["linkprobe_collect_timestamp_seconds", ""] < 60
    assert len([key for key in found if key[1] == place]) <= 12


@pytest.mark.parametrize("place", ["no/such/directory/linkprobe.prom", "a file/linkprobe.prom"])
def test_metrics_that_cannot_be_written_cost_no_snapshot(place: str, run: Run, tmp_path: Path, spool: Path) -> None:
    (tmp_path / "a file").write_text("")
    status, out, err = collect(run, tree(tmp_path / "good", GOOD), spool, "--metrics", tmp_path / place)
    assert (status, err) == (0, "")
    assert out.startswith(f"metrics were not written, the snapshot is kept: {tmp_path / place}: cannot be written (")
    assert out.count("\n") == 1
    assert len(list(spool.glob("*.json.gz"))) == 1
    status, out, _ = collect(run, tree(tmp_path / "bad", BAD), spool, "--metrics", tmp_path / place)
    assert status == 2
    assert "urgent, worse, slot 2" in out


def test_openmetrics(run: Run, tmp_path: Path, spool: Path) -> None:
    config, path = tmp_path / "config.toml", tmp_path / "linkprobe.om"
    config.write_text(f'spool = "{spool}"\nmetrics = "{path}"\nopenmetrics = true\n')
    assert run("collect", "--sysfs", tree(tmp_path / "good", GOOD), "--config", config)[0] == 0
    families = {family.name: family.type for family in parse_openmetrics(path.read_text())}
    assert families["linkprobe_link"] == "info"
    assert families["linkprobe_link_errors"] == "counter"


def keeping(spool: Path, **changes: Any) -> Spool:
    made = Spool(Settings(spool=str(spool), **changes))
    spool.mkdir(exist_ok=True)
    return made


def test_rotation_by_age_and_size(spool: Path) -> None:
    kept = keeping(spool, keep_days=10.0)
    first = kept.keep(snapshot(GOOD))
    os.utime(first, (0, time.time() - 11 * 86_400))
    second = kept.keep(snapshot(GOOD))
    assert kept.snapshots() == [second]
    size = second.stat().st_size
    small = keeping(spool, keep_megabytes=2.5 * size / 1e6)
    for _ in range(6):
        newest = small.keep(snapshot(GOOD))
    assert small.snapshots()[-1] == newest
    assert len(small.snapshots()) == 2


def test_a_clock_set_back_keeps_the_order(spool: Path) -> None:
    kept = keeping(spool)
    kept.keep(snapshot(GOOD, taken_at="2030-01-01T00:00:00+00:00"))
    kept.keep(snapshot(BAD, taken_at="2020-01-01T00:00:00+00:00"))
    latest = kept.latest()
    assert latest is not None
    assert latest.evidence.host.taken_at.startswith("2020")


def test_a_damaged_snapshot_is_passed_over(spool: Path) -> None:
    kept = keeping(spool)
    kept.keep(snapshot(GOOD))
    kept.keep(snapshot(BAD)).write_bytes(b"damaged")
    latest = kept.latest()
    assert latest is not None
    assert latest.summary["downtrained"] == 0


def test_the_disk_is_never_filled(spool: Path) -> None:
    kept = keeping(spool)
    first = kept.keep(snapshot(GOOD))
    full = keeping(spool, keep_free_share=0.999999)
    with pytest.raises(InputError, match="of the disk would be left free; make room; earlier snapshots are kept"):
        full.keep(snapshot(GOOD))
    assert first.exists()
    kept.keep(snapshot(GOOD))
    assert len(kept.snapshots()) == 2


def test_nothing_old_is_given_up_for_a_new_one_that_cannot_be_written(
    spool: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = keeping(spool)
    before = [kept.keep(snapshot(GOOD)) for _ in range(3)]
    tight = keeping(spool, keep_free_share=0.5)
    monkeypatch.setattr(tight, "_free_after", lambda coming: 0.0 if coming == 0 else 1.0)  # older ones have to go
    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", _no_space)
        with pytest.raises(InputError, match="No space left"):
            tight.keep(snapshot(GOOD))
    assert kept.snapshots() == before
    newest = tight.keep(snapshot(GOOD))
    assert tight.snapshots() == [newest]


def _no_space(_: int) -> None:
    raise OSError(errno.ENOSPC, "No space left on device")


def test_a_full_file_system(tmp_path: Path, run: Run) -> None:
    small = tmp_path / "small"
    small.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", small], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("needs to mount a small tmpfs")
    try:
        good, spool = tree(tmp_path / "good", GOOD), small / "spool"
        assert collect(run, good, spool)[0] == 0
        before = {path: path.read_bytes() for path in spool.glob("*.json.gz")}
        filler = small / "filler"
        _fill(filler)
        status, out, err = collect(run, good, spool)
        assert (status, out) == (64, "")
        assert err.count("\n") == 1
        assert {path: path.read_bytes() for path in spool.glob("*.json.gz")} == before
        filler.unlink()
        assert collect(run, good, spool)[0] == 0
        assert len(list(spool.glob("*.json.gz"))) == 2
    finally:
        subprocess.run(["umount", small], check=True)


def _fill(path: Path) -> None:
    with path.open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(b"x" * 512)


def test_a_device_that_hangs_costs_itself_alone(tmp_path: Path) -> None:
    root = tree(tmp_path / "good", GOOD)
    began = time.monotonic()
    evidence = read_bounded(_Blocking(root, root.parent), patience_s=1.0)
    assert time.monotonic() - began < HANG_S
    assert hung(evidence) == ("0000:02:00.0",)
    whole = read_machine(DirectorySource(root, root.parent))
    others = [item for item in evidence.functions if item.address != "0000:02:00.0"]
    assert others == [item for item in whole.functions if item.address != "0000:02:00.0"]


def test_of_a_device_that_hangs_the_rest_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The file that hangs is the one that the child has open: it alone is passed over."""
    root = tree(tmp_path / "good", GOOD)
    real = os.read

    def read(descriptor: int, size: int) -> bytes:
        if str(Path(f"/proc/self/fd/{descriptor}").readlink()).endswith("0000:02:00.0/config"):
            time.sleep(HANG_S)
        return real(descriptor, size)

    monkeypatch.setattr(os, "read", read)
    evidence = read_bounded(DirectorySource(root, root.parent), patience_s=0.5)
    monkeypatch.undo()
    (found,) = (item for item in evidence.functions if item.address == "0000:02:00.0")
    (whole,) = (x for x in read_machine(DirectorySource(root, root.parent)).functions if x.address == found.address)
    assert found.attributes == whole.attributes
    assert [(item.path.rsplit("/", 1)[-1], item.why) for item in found.unread] == [("config", Why.HUNG)]
    assert {link.verdict for link in take(evidence).links if link.upstream_port == found.address} <= {
        Verdict.FULL, Verdict.UNJUDGED,
    }  # fmt: skip


def test_many_dead_devices_take_no_more_than_the_time_there_is(tmp_path: Path) -> None:
    root = tree(tmp_path / "good", GOOD)
    began = time.monotonic()
    evidence = read_bounded(_Dead(root, root.parent), patience_s=5.0, within_s=1.0)
    assert time.monotonic() - began < HANG_S
    assert len(evidence.functions) == len(read_machine(DirectorySource(root, root.parent)).functions)
    assert all(item.unread and not item.attributes for item in evidence.functions)


def test_a_child_that_hangs_holds_no_lock_of_the_spool(tmp_path: Path, spool: Path) -> None:
    root = tree(tmp_path / "good", GOOD)
    settings = Settings(spool=str(spool), timeout_s=1.0)
    run_once(_Blocking(root, root.parent), settings)
    with Spool(settings).held() as alone:
        assert alone


def test_a_child_hands_an_error_back_as_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object, **__: object) -> None:
        raise NothingToJudge("what", where="where", remedy="remedy")

    root = tree(tmp_path / "good", GOOD)
    monkeypatch.setattr("probe.host.bounded.FunctionReader", fails)
    with pytest.raises(NothingToJudge, match="where: what; remedy") as caught:
        read_bounded(DirectorySource(root, root.parent))
    assert caught.value.remedy == "remedy"


def test_a_list_of_functions_that_was_not_read_is_no_list_of_nothing(run: Run, tmp_path: Path, spool: Path) -> None:
    """Nothing is kept and nothing is gone; a list that was read and is empty is a machine of which all is gone."""
    root = tree(tmp_path / "good", GOOD)
    assert collect(run, root, spool)[0] == 0
    kept = sorted(spool.glob("*.json.gz"))
    listing = root / "bus/pci/devices"
    listing.rename(root / "elsewhere")
    status, out, err = collect(run, root, spool)
    assert (status, out) == (3, "")
    assert "no PCI functions are listed (No such file or directory)" in err
    assert sorted(spool.glob("*.json.gz")) == kept
    listing.mkdir()
    assert collect(run, root, spool)[0] == 2


def test_a_machine_without_pci_is_kept_quietly_and_ends_as_an_audit_does(run: Run, tmp_path: Path, spool: Path) -> None:
    (tmp_path / "sys/bus/pci/devices").mkdir(parents=True)
    assert run("audit", "--sysfs", tmp_path / "sys", "--json")[0] == 3
    assert collect(run, tmp_path / "sys", spool) == (3, "", "")
    assert collect(run, tmp_path / "sys", spool) == (3, "", "")
    assert len(list(spool.glob("*.json.gz"))) == 2


def test_an_error_of_the_program_in_the_child_is_told_and_70(
    run: Run, tmp_path: Path, spool: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object, **__: object) -> None:
        raise KeyError("x")

    monkeypatch.setattr("probe.host.function.FunctionReader.read", fails)
    status, out, err = collect(run, tree(tmp_path / "good", GOOD), spool)
    assert (status, out) == (70, "")
    assert err.count("\n") == 1
    assert "an error of linkprobe itself" in err
    assert "host/bounded.py" in err


def test_errors_travel_between_processes_as_themselves() -> None:
    for error in (InputError("a", where="b", remedy="c"), InternalError.of(KeyError("x"))):
        again = pickle.loads(pickle.dumps(error))  # noqa: S301 - our own bytes
        assert (type(again), str(again), again.status) == (type(error), str(error), error.status)


def test_a_run_that_hangs_says_so_and_keeps_the_rest(tmp_path: Path, spool: Path) -> None:
    root = tree(tmp_path / "good", GOOD)
    settings = Settings(spool=str(spool), metrics=str(tmp_path / "m.prom"), timeout_s=1.0)
    run_once(DirectorySource(root, root.parent), settings)
    found = run_once(_Blocking(root, root.parent), settings)
    assert found.status is ExitStatus.URGENT
    assert "0000:02:00.0: did not answer" in found.lines[0]
    assert found.kept is not None
    assert len(list(spool.glob("*.json.gz"))) == 2
    text = (tmp_path / "m.prom").read_text()
    assert 'linkprobe_collect_hung{function="0000:02:00.0"} 1.0' in text
    assert 'linkprobe_link_below_capability{place="0000/0/01.0"}' in text


class _Dead(DirectorySource):
    """A source of which no directory of a function answers."""

    def names(self, path: str) -> list[str] | Unread:
        if "0000:" in path:
            time.sleep(HANG_S)
        return super().names(path)


class _Blocking(DirectorySource):
    """A source that hangs on one file, as a read of a dead device does."""

    def open(self, path: str) -> Bytes | Unread:
        if path.endswith("0000:02:00.0/config"):
            time.sleep(HANG_S)
        return super().open(path)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("spool = 1", "spool: a text is expected, and a whole number stands there"),
        ("spoool = 'x'", "spoool is nothing that can be set"),
        ("keep_days = 0", "keep_days: a number > 0 is expected"),
        ("keep_free_share = 2", "keep_free_share: a number < 1 is expected"),
        ("correctable_limit = 'six'", "has a setting that is wrong"),
        ("= 1", "is not TOML"),
    ],
)
def test_bad_settings(text: str, told: str, tmp_path: Path, run: Run) -> None:
    path = tmp_path / "config.toml"
    path.write_text(text)
    with pytest.raises(DocumentError, match=r"config\.toml: ") as caught:
        read_settings(path)
    assert told in str(caught.value)
    status, _, err = run("collect", "--config", path)
    assert status == 64
    assert err.count("\n") == 1


def test_the_shipped_settings_are_the_defaults() -> None:
    shipped = read_settings(TOP / "packaging/config.toml")
    assert replace(shipped, metrics=None) == Settings()
    assert shipped.metrics == "/var/lib/linkprobe/linkprobe.prom"


def test_what_went_by_itself_is_told_until_it_is_back(run: Run, tmp_path: Path, spool: Path) -> None:
    path = tmp_path / "linkprobe.prom"
    there, gone = tree(tmp_path / "there", GOOD), tree(tmp_path / "gone", of(slot(1, drive()), slot(2), slot(3)))
    moved = tree(tmp_path / "moved", of(slot(1, drive()), slot(2), slot(3, drive(2))))

    def told(root: Path, *more: object) -> tuple[int, int, float]:
        status, out, _ = collect(run, root, spool, "--metrics", path, *more)
        return status, len(out.splitlines()), metrics_of(path)["linkprobe_components_gone", ""]

    assert told(there) == (0, 0, 0.0)
    assert told(gone)[::2] == (2, 1.0)
    assert told(gone) == (2, 0, 1.0)
    assert told(gone) == (2, 0, 1.0)
    assert told(there)[::2] == (0, 0.0)
    assert told(gone)[::2] == (2, 1.0)
    assert told(moved)[2] == 0.0, "its serial number is in another slot"


def test_what_is_missing_can_be_accepted(run: Run, tmp_path: Path, spool: Path) -> None:
    there, gone = tree(tmp_path / "there", GOOD), tree(tmp_path / "gone", of(slot(1, drive()), slot(2), slot(3)))
    collect(run, there, spool)
    assert collect(run, gone, spool)[0] == 2
    assert collect(run, gone, spool, "--accept") == (0, "", "")
    assert collect(run, gone, spool) == (0, "", "")


def test_a_component_without_a_serial_number_is_back_where_it_was(run: Run, tmp_path: Path, spool: Path) -> None:
    nameless = card("16 GT/s x4")
    there, gone = (
        tree(tmp_path / "there", of(slot(1, nameless), slot(2, nameless))),
        tree(tmp_path / "gone", of(slot(1, nameless), slot(2))),
    )
    collect(run, there, spool)
    assert collect(run, gone, spool)[0] == 2
    assert collect(run, gone, spool)[0] == 2, "its like in slot 1 is another one"
    assert collect(run, there, spool)[0] == 0
