"""The machine id as systemd derives it, and what is no id."""

import shutil
import subprocess
from pathlib import Path

import pytest

from fake_sysfs import machine, root_port
from probe.documents.redaction import Pseudonyms
from probe.host.machine import read_machine
from probe.host.machine_id import APPLICATION, application_specific, read_machine_id
from probe.host.opening import open_source
from probe.host.source import DirectorySource

ID = "3d1219c7c4c5404aaa1f6d2a48adfda4"


@pytest.mark.published("systemd-id128(1) --app-specific of the installed systemd")
@pytest.mark.skipif(shutil.which("systemd-id128") is None, reason="needs Debian's systemd package")
def test_derived_as_systemd_derives_it() -> None:
    done = subprocess.run(
        ["systemd-id128", "machine-id", f"--app-specific={APPLICATION.hex}"],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        pytest.skip(f"this host has no machine id: {done.stderr.strip()}")
    ours = read_machine_id(DirectorySource())
    assert ours == done.stdout.strip()
    assert ours != Path("/etc/machine-id").read_text().strip()


@pytest.mark.parametrize("text", ["", "uninitialized", "0" * 32, ID[:-1], ID + "0", "x" * 32])
def test_what_is_no_id(text: str) -> None:
    assert application_specific(text) is None


def test_read_from_the_root_of_a_copied_tree(tmp_path: Path) -> None:
    root = machine(root_port("0000:00:01.0", "16 GT/s x8"), machine_id=ID).build().write(tmp_path)
    evidence = read_machine(open_source(root))
    assert evidence.host.machine_id == application_specific(ID)
    assert Pseudonyms(b"key").clean(evidence.host).machine_id != evidence.host.machine_id


def test_unread_where_the_tree_has_none() -> None:
    assert read_machine(machine(root_port("0000:00:01.0", "16 GT/s x8")).build().source()).host.machine_id is None
