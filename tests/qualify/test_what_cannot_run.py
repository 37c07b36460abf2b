"""What a soak refuses, its plan is refused for: before anything runs, with the line and what to do."""

from pathlib import Path

import pytest

from fake_sysfs import card, machine, root_port
from probe.host.source import DirectorySource
from probe.loads import refusing
from probe.qualify import site as sites
from probe.qualify.checking import Checking
from probe.qualify.plan import SoakStep
from probe.qualify.plan_file import Fault, read_plan, step_lines
from probe.qualify.site import Site
from probe.qualify.soaking import setup_of
from probe.qualify.wording import limit_of
from tests.conftest import Run

BEFORE = 'schema = "linkprobe/qualify-plan/1"\n[[step]]\nkind = "snapshot"\n'


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    described = machine(root_port("0000:00:01.0", "16 GT/s x8", slot=1).holds(card("16 GT/s x8")))
    return described.build().write(tmp_path / "tree")


@pytest.fixture
def here(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The tree stands for this host, which loads drive."""
    source = DirectorySource(tree)
    source.live = True
    monkeypatch.setattr(sites, "open_source", lambda _: source)


def soak(*keys: str) -> str:
    return "\n".join([BEFORE + '[[step]]\nkind = "soak"\nminutes = 1', *keys])


def faults(text: str, folder: Path) -> tuple[Fault, ...]:
    plan = read_plan(text.encode()).plan
    assert plan is not None
    site = Site(sysfs=None, folder=folder, record=folder / "record.json")
    return Checking(plan, site, step_lines(text.encode(), plan), {}).preview("plan.toml").faults


@pytest.mark.usefixtures("here")
def test_more_than_the_file_system_holds(tmp_path: Path) -> None:
    scratch = f'loads = ["storage-round-trip:{tmp_path}/scratch"]'
    assert faults(soak(scratch, "size = 65536"), tmp_path) == ()
    (fault,) = faults(soak(scratch, f"size = {1 << 60}"), tmp_path)
    assert (fault.line, fault.remedy) == (4, "give less")
    assert "is more than is free there" in fault.what
    assert not list(tmp_path.glob("scratch*"))


@pytest.mark.usefixtures("here")
def test_more_memory_than_there_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(refusing, "available_bytes", lambda: 10**9)
    assert faults(soak('loads = ["memory"]', f"block = {1 << 20}", "in_flight = 4"), tmp_path) == ()
    (fault,) = faults(soak('loads = ["memory"]', f"block = {1 << 30}", "in_flight = 4"), tmp_path)
    assert fault.line == 4
    assert "the loads would take 8.6 GB of memory, of which 1.0 are free" in fault.what


@pytest.mark.usefixtures("here")
def test_a_block_that_no_disk_reads_directly(tmp_path: Path) -> None:
    (fault,) = faults(soak(f'loads = ["storage-round-trip:{tmp_path}/scratch"]', "block = 5000"), tmp_path)
    assert "--block 5000: is no multiple of 4096" in fault.what


@pytest.mark.usefixtures("here")
def test_a_plan_never_writes_to_a_raw_device(tmp_path: Path) -> None:
    block_device = next((path for path in sorted(Path("/dev").iterdir()) if path.is_block_device()), None)
    if block_device is None:
        pytest.skip("there is no block device here")
    (fault,) = faults(soak(f'loads = ["storage-round-trip:{block_device}"]'), tmp_path)
    assert fault.what == f"soak: {block_device}: is a raw device, to which a plan never writes"
    assert "name a scratch file" in fault.remedy


@pytest.mark.usefixtures("here")
def test_the_least_share_is_that_of_the_plan_and_stands_in_its_limit(tmp_path: Path) -> None:
    for key, asked, told in (("at_least = 0.8", 0.8, ", at least 0.8 of its ceiling each way"), ("", None, "6/2h")):
        plan = read_plan(soak(key).encode()).plan
        assert plan is not None
        step = plan.step[1]
        assert isinstance(step, SoakStep)
        site = Site(sysfs=None, folder=tmp_path, record=tmp_path / "record.json")
        assert setup_of(step, site, site.snapshot(), 60.0, None).at_least == asked
        assert limit_of(step, None).endswith(told)


def test_loads_drive_this_host_and_no_tree(tree: Path, run: Run, tmp_path: Path) -> None:
    path, record = tmp_path / "plan.toml", tmp_path / "record.json"
    path.write_text(soak('loads = ["memory"]'))
    status, out, _ = run("qualify", path, "--sysfs", tree, "-o", record)
    assert status == 64
    assert f"{path} line 4: soak: loads of soak: drive this host, not the tree of --sysfs" in " ".join(out.split())
    assert not list(tmp_path.glob("record*"))
