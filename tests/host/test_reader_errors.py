"""The reader's error paths on a real file system (pyfakefs): whatever fails becomes evidence, nothing is lost."""

import contextlib
import errno
import os
from collections.abc import Iterator
from pathlib import Path
from unittest import mock

import pytest
from pyfakefs.fake_filesystem import FakeFilesystem

from fake_sysfs import Tree, card, machine, root_port
from probe.audit.audit import audit
from probe.evidence import Evidence, Unread, Why, unlisted
from probe.exceptions import InputError
from probe.host.machine import read_machine
from probe.host.opening import open_source
from probe.host.source import DirectorySource
from probe.verdict.verdicts import Verdict

PORT, CARD = "0000:00:01.0", "0000:01:00.0"
CONFIG = f"devices/pci0000:00/{PORT}/{CARD}/config"


def built() -> Tree:
    return machine(
        root_port(PORT, "8 GT/s x4").holds(card("8 GT/s x4")),
        root_port("0000:00:02.0", "8 GT/s x4").holds(card("8 GT/s x4")),
    ).build()


@pytest.fixture
def sys_root(fs: FakeFilesystem) -> Path:
    assert fs.exists("/")
    return built().write(Path("/copy"))


def read(root: Path) -> Evidence:
    return read_machine(DirectorySource(root, root.parent))


def unread_of(evidence: Evidence, address: str) -> dict[str, Why]:
    function = next(item for item in evidence.functions if item.address == address)
    return {item.path.rsplit("/", 1)[-1]: item.why for item in function.unread}


@contextlib.contextmanager
def fail(path: str, code: int, call: str) -> Iterator[None]:
    """Make one system call fail for one path, as the kernel would."""
    opened: dict[int, str] = {}
    real_open, real_read = os.open, os.read

    def opening(name: str, flags: int, mode: int = 0o777) -> int:
        if str(name).endswith(path) and call == "open":
            raise OSError(code, os.strerror(code))
        descriptor = real_open(name, flags, mode)
        opened[descriptor] = str(name)
        return descriptor

    def reading(descriptor: int, size: int) -> bytes:
        if opened.get(descriptor, "").endswith(path) and call == "read":
            raise OSError(code, os.strerror(code))
        return real_read(descriptor, size)

    with mock.patch.object(os, "open", opening), mock.patch.object(os, "read", reading):
        yield


@pytest.mark.parametrize(
    ("code", "call", "why"),
    [
        (errno.EACCES, "open", Why.DENIED),
        (errno.ENODEV, "read", Why.GONE),
        (errno.EIO, "read", Why.FAILED),
        (errno.EINVAL, "read", Why.FAILED),
    ],
)
def test_config_that_cannot_be_read(sys_root: Path, code: int, call: str, why: Why) -> None:
    with fail(CONFIG, code, call):
        evidence = read(sys_root)
    assert unread_of(evidence, CARD)["config"] is why
    assert [link.verdict for link in audit(evidence).links] == [Verdict.FULL, Verdict.FULL]


def test_an_attribute_that_vanishes_in_mid_read(sys_root: Path) -> None:
    with fail(f"{CARD}/max_link_width", errno.ENODEV, "read"):
        evidence = read(sys_root)
    assert unread_of(evidence, CARD)["max_link_width"] is Why.GONE
    assert len(audit(evidence).links) == 2


def test_a_directory_that_vanishes(sys_root: Path) -> None:
    link = sys_root / "bus/pci/devices" / CARD
    link.unlink()
    link.symlink_to("../../../devices/gone")
    evidence = read(sys_root)
    assert [item.why for item in next(f for f in evidence.functions if f.address == CARD).unread] == [Why.ABSENT]
    assert len(evidence.functions) == 4


def test_sixty_four_bytes(sys_root: Path) -> None:
    (sys_root / CONFIG).write_bytes((sys_root / CONFIG).read_bytes()[:64])
    evidence = read(sys_root)
    assert unread_of(evidence, CARD)["config"] is Why.SHORT
    assert "CAP_SYS_ADMIN" in next(f for f in evidence.functions if f.address == CARD).unread[0].detail


def test_an_empty_config(sys_root: Path) -> None:
    (sys_root / CONFIG).write_bytes(b"")
    assert unread_of(read(sys_root), CARD)["config"] is Why.SHORT


def test_all_ones(sys_root: Path) -> None:
    (sys_root / CONFIG).write_bytes(b"\xff" * 4096)
    evidence = read(sys_root)
    assert unread_of(evidence, CARD)["config"] is Why.ALL_ONES
    assert audit(evidence).links[0].urgent


def test_a_padded_copy_of_a_short_config(sys_root: Path) -> None:
    """tar pads what the kernel cut at 64 bytes: the zeros are no capabilities, and the attributes are believed."""
    config = (sys_root / CONFIG).read_bytes()
    (sys_root / CONFIG).write_bytes(config[:64] + bytes(len(config) - 64))
    (link, _) = audit(read(sys_root)).links
    assert (link.verdict, link.negotiated.width) == (Verdict.FULL, 4)


def test_no_sysfs(fs: FakeFilesystem) -> None:
    fs.create_dir("/nothing")
    with pytest.raises(InputError, match=r"/nothing: no /sys tree is here; give a directory"):
        open_source(Path("/nothing"))
    with pytest.raises(InputError, match=r"/absent: no such directory"):
        open_source(Path("/absent"))


def test_no_pci_at_all(fs: FakeFilesystem) -> None:
    fs.create_dir("/copy/sys")
    without = read(Path("/copy/sys"))
    assert without.functions == ()
    assert unlisted(without.unread) is not None
    fs.create_dir("/copy/sys/bus/pci/devices")
    assert unlisted(read(Path("/copy/sys")).unread) is None


def test_a_sleeping_device_is_left_asleep(fs: FakeFilesystem) -> None:
    assert fs.exists("/")
    described = machine(
        root_port(PORT, "8 GT/s x4").holds(card("8 GT/s x4", trained="2.5 GT/s x4", power_state="D3hot"))
    )
    root = described.build().write(Path("/copy"))
    asleep = read(root)
    assert unread_of(asleep, CARD) == {"config": Why.ASLEEP}
    assert next(f for f in asleep.functions if f.address == CARD).config == {}
    (link,) = audit(asleep).links
    assert link.verdict is Verdict.RESTING
    woken = read_machine(DirectorySource(root, root.parent), wake=True)
    assert unread_of(woken, CARD) == {}


def test_a_live_kernel_is_not_asked_for_the_link_of_a_device_in_d3cold() -> None:
    """There the link attributes resume the device: kernel pci_config_pm_runtime_get."""
    tree = machine(
        root_port(PORT, "8 GT/s x4").holds(card("8 GT/s x4", trained="2.5 GT/s x4", power_state="D3cold"))
    ).build()
    source = tree.source()
    source.live = True
    with mock.patch("probe.host.surroundings.read_kernel_log", return_value=()):
        evidence = read_machine(source)
    unread = unread_of(evidence, CARD)
    assert unread["current_link_speed"] is Why.ASLEEP
    assert audit(evidence).links[0].verdict is Verdict.RESTING


def test_a_source_tells_its_failures_instead_of_raising(fs: FakeFilesystem) -> None:
    fs.create_file("/copy/sys/file", contents="x")
    source = DirectorySource(Path("/copy/sys"), None)
    for answer in (source.text("sys/no"), source.names("sys/no"), source.target("sys/no"), source.open("sys/no")):
        assert isinstance(answer, Unread)
    assert isinstance(source.text("proc/uptime"), Unread)
    assert isinstance(source.open("sys"), Unread)


def test_cxl_registers_in_attributes() -> None:
    """Kernel commit c5eaec79fa43: rcd_link_cap and rcd_link_status, in hexadecimal."""
    tree = machine(root_port(PORT, "32 GT/s x16").holds(card("32 GT/s x8", class_code=0x050210))).build()
    for name in ("max_link_speed", "max_link_width", "current_link_speed", "current_link_width"):
        tree = tree.with_attribute(CARD, name, None)
    tree = tree.with_attribute(CARD, "rcd_link_cap", "423c85").with_attribute(CARD, "rcd_link_status", "1085")
    tree = tree.with_bytes(CARD, 0x34, b"\0")
    (link,) = audit(read_machine(tree.source())).links
    assert (link.verdict, link.component_best.speed_gts, link.component_best.width) == (Verdict.FULL, 32.0, 8)
    assert any("rcd_link" in reason.source for reason in link.reasons) or link.negotiated.width == 8
