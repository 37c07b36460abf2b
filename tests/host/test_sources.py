"""The same evidence from a directory, from memory, from a tar: one reader, many sources."""

import io
import tarfile
from pathlib import Path

import msgspec
import psutil
import pytest

from fake_sysfs import machine
from fake_sysfs.demonstration import correlator
from probe.evidence import Evidence, LogLine
from probe.exceptions import InputError
from probe.host.kernel_log import parse_line
from probe.host.machine import read_machine
from probe.host.opening import open_source
from probe.host.owner import read_host
from probe.host.source import MemorySource, Source


def read(source: Source) -> Evidence:
    evidence = read_machine(source)
    return msgspec.structs.replace(evidence, host=msgspec.structs.replace(evidence.host, taken_at="", source=""))


def packed(root: Path, inside: str, name: Path) -> Path:
    with tarfile.open(name, "w:gz") as archive:
        archive.add(root, arcname=inside)
    return name


def test_directory_memory_and_tar_agree(tmp_path: Path) -> None:
    tree = correlator().build()
    sys = tree.write(tmp_path / "copy")
    memory = read(tree.source())
    assert read(open_source(sys)) == memory
    assert read(open_source(sys.parent)) == memory
    assert read(open_source(packed(sys.parent, "capture/host", tmp_path / "whole.tar.gz"))) == memory
    only_sys = read(open_source(packed(sys, "sys", tmp_path / "sys.tar.gz")))
    assert only_sys.functions
    assert [f.config for f in only_sys.functions] == [f.config for f in memory.functions]


def test_load_memory_and_processors_of_this_host() -> None:
    """psutil is the witness."""
    host = read_host(open_source(None))
    assert (host.memory_bytes, host.processors) == (psutil.virtual_memory().total, psutil.cpu_count())
    assert host.load_average is not None
    assert len(host.load_average) == 3


def test_processors_are_counted_from_a_list() -> None:
    """Kernel Documentation/admin-guide/cputopology.rst: `online` is a list as 0-2,8."""
    source = MemorySource(
        {"sys/devices/system/cpu/online": b"0-2,8\n", "proc/loadavg": b"0.50 1.00 2.00 1/99 7\n"}, {}, "x"
    )
    host = read_host(source)
    assert (host.processors, host.load_average, host.memory_bytes) == (4, (0.5, 1.0, 2.0), None)


def test_the_socket_of_each_memory_node() -> None:
    """Kernel Documentation/ABI/stable/sysfs-devices-system-cpu: physical_package_id; -1 is none."""
    tree = machine(sockets={0: 0, 1: 0, 2: 1, 3: -1}).build()
    empty = tree.with_file("sys/devices/system/node/node4/cpulist", b"\n")
    assert read_host(empty.source()).sockets == {0: 0, 1: 0, 2: 1}
    assert read_host(machine().build().source()).sockets == {}


def test_a_tree_that_is_not_named_sys_has_no_surroundings(tmp_path: Path) -> None:
    sys = correlator().build().write(tmp_path)
    sys.rename(tmp_path / "tree")
    evidence = read(open_source(tmp_path / "tree"))
    assert evidence.host.name is None
    assert evidence.kernel_log == ()
    assert len(evidence.functions) == len(read(correlator().build().source()).functions)


def test_a_file_that_is_no_tar(tmp_path: Path) -> None:
    path = tmp_path / "x.tar"
    path.write_text("hello")
    with pytest.raises(InputError, match="not a readable tar"):
        open_source(path)


def test_a_tar_without_sysfs(tmp_path: Path) -> None:
    path = tmp_path / "x.tar"
    with tarfile.open(path, "w") as archive:
        archive.addfile(tarfile.TarInfo("a"), io.BytesIO())
    with pytest.raises(InputError, match="no /sys tree is inside"):
        open_source(path)


@pytest.mark.published("Documentation/ABI/testing/dev-kmsg (records), and printk's time stamp")
@pytest.mark.parametrize(
    ("line", "parsed"),
    [
        ("6,339,5140900,-;NET: registered PF", LogLine("NET: registered PF", 5.1409)),
        ("[    5.140900] NET: registered PF", LogLine("NET: registered PF", 5.1409)),
        ("<6>[    5.140900] NET: registered PF", LogLine("NET: registered PF", 5.1409)),
        ("pcieport 0000:00:01.0: x", LogLine("pcieport 0000:00:01.0: x", None)),
    ],
)
def test_log_lines(line: str, parsed: LogLine) -> None:
    assert parse_line(line) == parsed
