"""What a soak says before it starts."""

import io
from typing import Any

import pytest
from msgspec.structs import replace
from rich.console import Console

from fake_sysfs import card, machine, root_port
from probe.active.root_disk import targets_with_root
from probe.active.users import root_disks
from probe.host.mounts import Mount
from probe.host.uses import BlockDevice, Uses
from probe.loads.interface import Target
from probe.loads.kinds.storage_read import StorageRead
from probe.render.terminal import soak_plan
from probe.soak.preview import plan, shows
from probe.soak.setup import Setup, Stops
from tests.compare.machines import drive, of, slot, snapshot

TWO = snapshot(of(slot(1, drive()), slot(2, drive(2, "16 GT/s x2"))))
TARGETS = (Target(label="/dev/nvme0n1", address="0000:01:00.0"), Target(label="/dev/nvme1n1", address="0000:02:00.0"))


def setup(**changes: Any) -> Setup:
    given: dict[str, Any] = {"links": TWO.links, "planned_s": 600.0} | changes
    return Setup(sys="/sys", snapshot=TWO, live=False, **given)


def told(made: Setup, with_root: tuple[str, ...] | None = (), width: int = 120) -> str:
    out = io.StringIO()
    soak_plan.render(plan(made, with_root), Console(file=out, width=width))
    return out.getvalue()


def test_what_the_time_can_show_is_one_sentence_for_all_links() -> None:
    """No error in N bits shows a ratio below -ln(0.05)/N at 95 % (the rule of three): 16e9 x 4 x 600 bits."""
    found = shows(TWO.links, 600.0)
    assert found.most is not None
    assert found.least is not None
    assert found.most.ratio == pytest.approx(2.9957 / (16e9 * 4 * 600), rel=1e-4)
    assert found.least.ratio == found.most.ratio, "both ends of both can do x4"
    text = told(setup())
    assert text.count("bit error ratio") == 1
    assert "Without an error this time shows a bit error ratio below 7.8e-14 (95 %, one direction)" in " ".join(
        text.split()
    )


def test_the_links_of_which_it_shows_most_and_least_are_named() -> None:
    lesser = snapshot(of(slot(1, drive()), root_port("0000:00:02.0", "8 GT/s x4", slot=2).holds(card("8 GT/s x1"))))
    assert "below 7.8e-14 (slot 1) to 6.2e-13 (slot 2) (95 %" in str(shows(lesser.links, 600.0))


def test_links_that_it_says_nothing_of() -> None:
    flits = root_port("0000:00:01.0", "64 GT/s x4").holds(card("64 GT/s x4"))
    links = snapshot(machine(flits, root_port("0000:00:02.0", "16 GT/s x4").holds(card("16 GT/s x8")))).links
    in_flits = replace(links[0], bandwidth=replace(links[0].bandwidth, flit_mode=True))
    found = shows((in_flits, links[1]), 60.0)
    assert (found.in_flits, found.unknown) == (1, 0)
    assert "it says nothing of links in Flit mode (1)" in " ".join(told(setup(links=(in_flits, links[1]))).split())
    assert shows(links, 0.0).least is None
    assert "its length is not known" in told(setup(planned_s=None))


@pytest.mark.parametrize("width", [80, 120])
def test_which_load_goes_over_which_link_where_it_runs_and_what_it_writes(width: int) -> None:
    load = StorageRead()
    text = told(setup(loads=tuple((load, target) for target in TARGETS), stops=Stops(fatal=True)), (), width)
    assert max(map(len, text.splitlines())) <= width
    rows = [" ".join(line.split()) for line in text.splitlines()]
    assert any(
        row.startswith("slot 1 storage-read /dev/nvme0n1 the NUMA node") and row.endswith("nothing") for row in rows
    )
    flowed = " ".join(rows)
    assert "ends early on fatal" in flowed
    assert "of its ceiling one way" not in flowed
    assert "A link fails that carries less than 0.8 of its ceiling one way." in told(setup(at_least=0.8))
    assert "2 links are loaded at once: they draw their most power together" in flowed
    assert "No target holds the system's root." in flowed
    assert f"storage-read: {load.verifies}" in flowed


def test_links_without_a_load_are_said_to_be_only_watched() -> None:
    assert "No load is given: 2 links are only watched" in told(setup())
    one = told(setup(loads=((StorageRead(), TARGETS[0]),)))
    assert "1 link is only watched: nothing can be said of it under load" in one
    assert "are loaded at once" not in one
    covered = told(setup(covers=(TWO.links[0].place_id, TWO.links[1].place_id)))
    assert "Loaded by your word: slot 1, slot 2." in covered
    assert "only watched" not in covered


ROOT = BlockDevice(
    name="nvme0n1", number="259:0", paths=("devices/pci0000:00/0000:00:01.0/0000:01:00.0/nvme/nvme0/nvme0n1",)
)
PART = BlockDevice(name="nvme0n1p2", number="259:2", paths=(f"{ROOT.paths[0]}/nvme0n1p2",), holders=("dm-0",))
MAPPED = BlockDevice(name="dm-0", number="253:0", paths=("devices/virtual/block/dm-0",), title="vg-root")
DATA = BlockDevice(
    name="nvme1n1", number="259:5", paths=("devices/pci0000:00/0000:00:02.0/0000:02:00.0/nvme/nvme1/nvme1n1",)
)
PATHS = {
    "0000:01:00.0": "devices/pci0000:00/0000:00:01.0/0000:01:00.0",
    "0000:02:00.0": "devices/pci0000:00/0000:00:02.0/0000:02:00.0",
}


def uses(*mounts: Mount) -> Uses:
    return Uses(live=True, block_devices=(ROOT, PART, MAPPED, DATA), mounts=mounts)


def test_a_target_that_holds_the_root_is_found_through_what_is_built_on_it() -> None:
    on_a_volume = uses(
        Mount("253:0", "/", "ext4", "/dev/mapper/vg-root"), Mount("259:5", "/data", "xfs", "/dev/nvme1n1")
    )
    assert {disk.name for disk in root_disks(on_a_volume)} == {"nvme0n1", "nvme0n1p2", "dm-0"}
    assert targets_with_root(TARGETS, PATHS, on_a_volume) == ("/dev/nvme0n1",)
    assert targets_with_root(TARGETS[1:], PATHS, on_a_volume) == ()
    text = " ".join(told(setup(loads=((StorageRead(), TARGETS[0]),)), ("/dev/nvme0n1",)).split())
    assert "/dev/nvme0n1 holds the system's root: if the load takes it down" in text


def test_a_root_on_no_disk_that_is_seen_is_not_known() -> None:
    assert targets_with_root(TARGETS, PATHS, uses(Mount("0:23", "/", "overlay", "overlay"))) is None
    text = " ".join(told(setup(loads=((StorageRead(), TARGETS[0]),)), None).split())
    assert "Which disk holds the system's root cannot be told here" in text
