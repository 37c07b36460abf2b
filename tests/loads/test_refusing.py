"""What is refused before anything runs: somebody's data, what does not fit, what cannot be read past the cache."""

import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from probe.exceptions import InputError
from probe.host import memory
from probe.loads import block_devices, refusing
from probe.loads.interface import Options, Target
from probe.loads.kinds.memory import MemoryBaseline
from probe.loads.kinds.storage_read import StorageRead
from probe.loads.kinds.storage_round_trip import StorageRoundTrip
from probe.loads.refusing import refuse_what_cannot_run

# LUKS On-Disk Format Specification 1.2.3, figure 1: magic, version, names of the cipher, and a UUID at byte 168.
LUKS = b"LUKS\xba\xbe\x00\x01".ljust(168, b"\0") + b"12345678-1234-1234-1234-123456789abc"


@pytest.fixture
def raw(disk: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A disk with a serial number, which disks made of files have not."""
    monkeypatch.setattr(block_devices, "serial_of", lambda _: "serial-0")
    return disk


def refuse(disk: Path, *overwritten: str, **changes: Any) -> None:
    values: dict[str, Any] = {"raw_serial": "serial-0", "size": 1 << 20, "overwritten_signatures": overwritten}
    StorageRoundTrip().refuse(StorageRoundTrip().target(str(disk)), Options(**values | changes))


def test_an_empty_disk_may_be_written(raw: Path) -> None:
    refuse(raw)


@pytest.mark.parametrize("serial", [None, "another"])
def test_the_serial_number_has_to_be_repeated(serial: str | None, raw: Path) -> None:
    with pytest.raises(InputError, match=r"would be overwritten \(serial number serial-0\)"):
        refuse(raw, raw_serial=serial)


MAKING: dict[str, Sequence[str]] = {
    "ext4": ("mkfs.ext4", "-q", "-F", "-L", "a name"),
    "swap": ("mkswap", "-q"),
}


@pytest.mark.parametrize("name", MAKING)
def test_what_is_on_a_disk_is_said_and_has_to_be_named(name: str, raw: Path) -> None:
    subprocess.run([*MAKING[name], raw], check=True, capture_output=True)
    with pytest.raises(
        InputError, match=rf"holds data of somebody's: {name}.* at byte \d+.*--overwrite-signature {name}"
    ):
        refuse(raw)
    refuse(raw, name)


def test_every_signature_has_to_be_named(raw: Path) -> None:
    subprocess.run(["sfdisk", "-q", raw], input=b"label: gpt\n", check=True, capture_output=True)
    with pytest.raises(InputError, match=r"gpt at byte 512, gpt at byte \d+, PMBR at byte 510") as caught:
        refuse(raw)
    assert "say --overwrite-signature gpt --overwrite-signature PMBR" in str(caught.value)
    with pytest.raises(InputError, match="PMBR at byte 510"):
        refuse(raw, "gpt")
    refuse(raw, "gpt", "PMBR")


def test_an_encrypted_disk(raw: Path) -> None:
    raw.write_bytes(LUKS)
    with pytest.raises(InputError, match="crypto_LUKS at byte 0"):
        refuse(raw)


def test_a_name_that_is_not_there(raw: Path) -> None:
    with pytest.raises(InputError, match=r"--overwrite-signature xfs: is not on .* which holds no signature"):
        refuse(raw, "xfs")


def test_what_cannot_be_asked_is_no_empty_disk(raw: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "which", lambda *_, **__: None)
    with pytest.raises(InputError, match="could not be asked"):
        refuse(raw)


def test_a_disk_in_use(raw: Path, tmp_path: Path) -> None:
    subprocess.run(["mkfs.ext4", "-q", "-F", raw], check=True, capture_output=True)
    place = tmp_path / "mounted"
    place.mkdir()
    if subprocess.run(["mount", raw, place], capture_output=True, check=False).returncode:
        pytest.skip("nothing can be mounted here")
    try:
        with pytest.raises(InputError, match="is in use"):
            refuse(raw, "ext4")
    finally:
        subprocess.run(["umount", "--lazy", place], check=True)


def test_more_than_the_disk_holds(raw: Path) -> None:
    with pytest.raises(InputError, match="is larger than /dev/loop"):
        refuse(raw, size=1 << 40)


def test_more_than_the_file_system_holds(tmp_path: Path) -> None:
    load = StorageRoundTrip()
    with pytest.raises(InputError, match="is more than is free there"):
        load.refuse(load.target(str(tmp_path / "scratch")), Options(size=1 << 60))


def test_a_block_larger_than_the_disk(disk: Path) -> None:
    with pytest.raises(InputError, match="is smaller than one block of 16777216: it has 8388608 bytes"):
        StorageRead().refuse(Target(label=str(disk)), Options(block=16 << 20))


def test_a_block_that_no_disk_reads_directly(disk: Path) -> None:
    with pytest.raises(InputError, match="--block 5000: is no multiple of 4096"):
        StorageRead().refuse(Target(label=str(disk)), Options(block=5000))


def test_more_memory_than_there_is(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(refusing, "available_bytes", lambda: 10**9)
    load = MemoryBaseline()
    loads = [(load, load.target("host"))]
    refuse_what_cannot_run(loads, Options(block=1 << 20, in_flight=4))
    with pytest.raises(
        InputError, match=r"--block 1073741824: the loads would take 8.6 GB of memory, of which 1.0 are free"
    ):
        refuse_what_cannot_run(loads, Options(block=1 << 30, in_flight=4))


def test_memory_is_what_the_kernel_says_it_can_give() -> None:
    available = memory.available_bytes()
    assert available is not None
    assert 1 << 24 < available < 1 << 50
