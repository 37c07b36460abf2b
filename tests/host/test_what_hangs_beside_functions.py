"""A file beside the functions that does not answer (SMBIOS, /proc, a slot, a sensor) costs itself: one entry, no more.

It hangs as a read in the kernel does: whoever reads it comes back after minutes.
"""

import json
import os
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from fake_sysfs import SlotRecord, Tree, card, machine, root_port
from probe.evidence import Evidence, Unread, Why
from probe.host.bounded import read_bounded, read_host_bounded
from probe.host.child import PATIENCE_S
from probe.host.machine import read_machine
from probe.host.opening import open_source
from probe.host.source import DirectorySource
from tests.conftest import Run

HANG_S = 300.0
FILES = {
    "SMBIOS": "sys/firmware/dmi/tables/DMI",
    "the kernel's log": "dev/kmsg",
    "the host's name": "proc/sys/kernel/hostname",
    "uptime": "proc/uptime",
    "the board": "sys/class/dmi/id/board_name",
    "a slot's speed": "sys/bus/pci/slots/1/cur_bus_speed",
    "a slot's address": "sys/bus/pci/slots/2/address",
    "a cooling device": "sys/class/thermal/cooling_device0/cur_state",
}
Hang = Callable[..., None]


@pytest.fixture
def root(tmp_path: Path) -> Path:
    ports = [root_port(f"0000:00:0{n}.0", "8 GT/s x4", slot=n).holds(card("8 GT/s x4")) for n in (1, 2)]
    tree: Tree = machine(
        *ports,
        smbios_slots=(SlotRecord(designation="SLOT 1", id=1, type_code=0xB1, width_code=0x0A, address="0000:00:01.0"),),
    ).build()
    for path, content in {
        "proc/uptime": b"100.0 0\n", "proc/sys/kernel/hostname": b"name\n", "dev/kmsg": b"6,1,1,-;PCIe\n",
        "sys/class/dmi/id/board_name": b"board\n", "sys/class/dmi/id/sys_vendor": b"vendor\n",
        "sys/class/thermal/cooling_device0/type": b"PCIe_Port_Link_Speed_0000:00:01.0\n",
        "sys/class/thermal/cooling_device0/cur_state": b"0\n", "sys/class/thermal/cooling_device0/max_state": b"2\n",
    }.items():  # fmt: skip
        tree = tree.with_file(path, content)
    return tree.write(tmp_path / "machine")


@pytest.fixture
def hang(monkeypatch: pytest.MonkeyPatch) -> Iterator[Hang]:
    """Files that do not answer, and patience that is short."""
    real = os.read

    def these(*files: str) -> None:
        def read(descriptor: int, size: int) -> bytes:
            name = str(Path(f"/proc/self/fd/{descriptor}").readlink())
            if any(name.endswith(f"/{file}") for file in files):
                time.sleep(HANG_S)
            return real(descriptor, size)

        monkeypatch.setattr(os, "read", read)

    monkeypatch.setattr("probe.host.bounded.PATIENCE_S", 0.5)
    monkeypatch.setitem(read_bounded.__kwdefaults__ or {}, "patience_s", 0.5)
    yield these
    monkeypatch.undo()


def silent(evidence: Evidence) -> list[str]:
    return [item.path for item in evidence.unread if item.why is Why.HUNG]


def directory(root: Path) -> DirectorySource:
    source = open_source(root)
    assert isinstance(source, DirectorySource)
    return source


@pytest.mark.parametrize("name", FILES)
def test_it_is_one_entry_and_the_rest_is_kept(name: str, root: Path, hang: Hang) -> None:
    whole = read_machine(directory(root))
    hang(FILES[name])
    began = time.monotonic()
    found = read_bounded(directory(root), patience_s=0.5)
    assert time.monotonic() - began < HANG_S / 2
    assert silent(found) == [FILES[name]]
    assert found.functions == whole.functions
    for part in ("slots", "smbios_slots", "cooling", "kernel_log"):
        mine, all_of_it = getattr(found, part), getattr(whole, part)
        assert all_of_it, part
        if part not in {"slots", "cooling"}:
            assert mine == all_of_it or name in {"SMBIOS", "the kernel's log"}
    kept = {slot.name: slot.cur_bus_speed for slot in found.slots}
    assert kept == {
        "a slot's speed": {"1": None, "2": "8.0 GT/s PCIe"}, "a slot's address": {"1": "8.0 GT/s PCIe"},
    }.get(name, {"1": "8.0 GT/s PCIe", "2": "8.0 GT/s PCIe"})  # fmt: skip
    lost = {"the host's name": "name", "uptime": "uptime_s"}.get(name)
    for field in ("name", "uptime_s", "boot_id", "kernel", "machine_id"):
        assert getattr(found.host, field) == (None if field == lost else getattr(whole.host, field))
    assert found.host.firmware == {
        name_of: text for name_of, text in whole.host.firmware.items()
        if name != "the board" or name_of != "board_name"
    }  # fmt: skip


def test_all_of_them_at_once(root: Path, hang: Hang) -> None:
    hang(*FILES.values())
    began = time.monotonic()
    found = read_bounded(directory(root), patience_s=0.5)
    assert time.monotonic() - began < HANG_S / 2
    assert sorted(silent(found)) == sorted(FILES.values())
    assert len(found.functions) == 4
    assert [slot.name for slot in found.slots] == ["1"]


def test_what_cannot_be_named_costs_its_part(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A list that hangs before anything is open, for one."""

    def hangs(*_: object) -> None:
        time.sleep(HANG_S)

    monkeypatch.setattr("probe.host.surroundings.slot_names", hangs)
    found = read_bounded(directory(root), patience_s=0.5)
    assert [(item.path, item.why) for item in found.unread] == [("sys/bus/pci/slots", Why.HUNG)]
    assert found.slots == ()
    assert found.host.name == "name"
    assert found.smbios_slots


def test_a_slow_link_to_a_file_is_followed_to_it(root: Path, hang: Hang) -> None:
    """/sys/class is links: the file that hangs is known by where they lead."""
    real = root / "devices" / "virtual" / "dmi" / "id"
    real.parent.mkdir(parents=True)
    (root / "class/dmi/id").rename(real)
    (root / "class/dmi/id").symlink_to("../../devices/virtual/dmi/id")
    hang("dmi/id/board_name")
    found = read_bounded(directory(root), patience_s=0.5)
    assert silent(found) == ["sys/devices/virtual/dmi/id/board_name"]
    assert found.host.firmware == {"sys_vendor": "vendor"}


def test_the_host_alone(root: Path, hang: Hang) -> None:
    hang(FILES["the host's name"], FILES["SMBIOS"])
    found = read_host_bounded(directory(root))
    assert (found.name, found.uptime_s) == (None, 100.0)


COMMANDS = {
    "audit": ("audit", "--json", "--sysfs", "{tree}"),
    "explain": ("explain", "0000:01:00.0", "--sysfs", "{tree}"),
    "paths": ("paths", "--sysfs", "{tree}"),
    "snapshot": ("snapshot", "--sysfs", "{tree}", "-o", "{out}"),
    "expect write": ("expect", "write", "--sysfs", "{tree}"),
    "collect": ("collect", "--sysfs", "{tree}", "--spool", "{out}"),
    "soak": ("soak", "--minutes", "0.005", "--interval", "0.1", "--sysfs", "{tree}", "-o", "{out}"),
    "watch": ("watch", "--minutes", "0.005", "--interval", "0.1", "--json", "--sysfs", "{tree}"),
    "qualify": ("qualify", "--write-plan", "--sysfs", "{tree}"),
    "train, its plan": ("train", "0000:01:00.0", "--sysfs", "{tree}"),
}


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_comes_to_its_end(name: str, root: Path, hang: Hang, run: Run, tmp_path: Path) -> None:
    places = {"{tree}": str(root), "{out}": str(tmp_path / "out")}
    arguments = [places.get(item, item) for item in COMMANDS[name]]
    whole, _, _ = run(*arguments)
    shutil.rmtree(tmp_path / "out", ignore_errors=True)
    (tmp_path / "out").unlink(missing_ok=True)
    hang(FILES["SMBIOS"], FILES["the host's name"], FILES["a slot's speed"])
    began = time.monotonic()
    status, out, err = run(*arguments)
    assert time.monotonic() - began < HANG_S / 2
    assert status == whole, err
    if name == "audit":
        told = [Unread(item["path"], Why(item["why"])) for item in json.loads(out)["unread"]]
        assert {item.path for item in told if item.why is Why.HUNG} == {
            FILES["SMBIOS"], FILES["the host's name"], FILES["a slot's speed"],
        }  # fmt: skip


def test_patience_is_what_a_function_has() -> None:
    assert PATIENCE_S == 10.0
