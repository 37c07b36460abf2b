"""A tar of a /sys tree: whole or refused, bounded, and nothing that leads out of it."""

import io
import tarfile
from pathlib import Path

import pytest

from fake_sysfs import Tree, card, machine, root_port
from probe.exceptions import InputError
from probe.host import archive
from probe.host.machine import read_machine
from probe.host.opening import open_source
from tests.conftest import Run


def tree() -> Tree:
    return machine(root_port("0000:00:01.0", "16 GT/s x16", slot=1).holds(card("16 GT/s x16"))).build()


def packed(
    members: dict[str, bytes] | None = None, *, mode: str = "w", extra: tuple[tarfile.TarInfo, ...] = ()
) -> bytes:
    built, out = tree(), io.BytesIO()
    with tarfile.open(fileobj=out, mode=mode) as tar:  # type: ignore[call-overload] # a mode of the test's table
        for name, content in {**built.files, **(members or {})}.items():
            info = tarfile.TarInfo(name)
            info.size = len(content)
            tar.addfile(info, io.BytesIO(content))
        for name, target in built.links.items():
            info = tarfile.TarInfo(name)
            info.type, info.linkname = tarfile.SYMTYPE, target
            tar.addfile(info)
        for info in extra:
            tar.addfile(info)
    return out.getvalue()


def saved(folder: Path, data: bytes) -> Path:
    path = folder / "machine.tar"
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("mode", ["w", "w:gz", "w:bz2", "w:xz"])
def test_a_whole_one_is_the_machine(tmp_path: Path, mode: str) -> None:
    evidence = read_machine(open_source(saved(tmp_path, packed(mode=mode))))
    assert [item.config for item in evidence.functions] == [
        item.config for item in read_machine(tree().source()).functions
    ]


def test_every_cut_is_refused(tmp_path: Path, run: Run) -> None:
    """POSIX.1-2017, pax, ustar: the end is two 512-byte blocks of zeros. Without them there was more."""
    data = packed()
    with tarfile.open(fileobj=io.BytesIO(data)) as whole:
        ends = [member.offset for member in whole.getmembers()] + [whole.offset, whole.offset + 512]
    assert any(data[end - 1024 : end] == bytes(1024) for end in ends[:-2]), "a member that ends in zeros"
    for cut in ends:
        path = saved(tmp_path, data[:cut])
        assert run("audit", "--sysfs", path)[0] == 64, cut
    assert run("audit", "--sysfs", saved(tmp_path, data[: ends[-1] + 512]))[0] == 0


@pytest.mark.parametrize("more", [b"\1" + bytes(511), bytes(100), packed()])
def test_what_follows_the_end_is_refused(tmp_path: Path, more: bytes) -> None:
    with pytest.raises(InputError, match="cut off, or more follows"):
        open_source(saved(tmp_path, packed() + more))


@pytest.mark.parametrize("mode", ["w:gz", "w:bz2", "w:xz"])
def test_damage_to_a_packed_one_is_a_sentence(tmp_path: Path, run: Run, mode: str) -> None:
    data = bytearray(packed(mode=mode))
    data[len(data) // 2] ^= 0xFF
    status, _, err = run("audit", "--sysfs", saved(tmp_path, bytes(data)))
    assert (status, err.count("\n")) == (64, 1)


def test_names_that_lead_out_and_devices_are_passed_over(tmp_path: Path) -> None:
    device = tarfile.TarInfo("sys/device")
    device.type = tarfile.CHRTYPE
    data = packed({"../../etc/passwd": b"x", "sys/../../up": b"x", "/absolute": b"x"}, extra=(device,))
    files, _ = archive.read_archive_file(saved(tmp_path, data))
    assert not {"etc/passwd", "../../etc/passwd", "up", "../up", "sys/device"} & files.keys()
    assert files["absolute"] == b"x"  # below the tree, as every name is


def test_bounds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = saved(tmp_path, packed({"sys/big": bytes(5000)}))
    for name, value in (("MEMBER_BYTES", 4999), ("ARCHIVE_BYTES", 4096), ("MEMBERS", 3)):
        with monkeypatch.context() as patched:
            patched.setattr(archive, name, value)
            with pytest.raises(InputError, match="more than"):
                archive.read_archive_file(path)


def test_a_pipe_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    import os  # noqa: PLC0415 - for one call

    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(InputError, match="neither a directory nor a regular file"):
        open_source(tmp_path / "pipe")
