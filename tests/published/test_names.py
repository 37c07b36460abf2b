"""Names of vendors and devices against the `pci.ids` package."""

import re
from pathlib import Path

import pytest

from probe.evidence import FunctionEvidence
from probe.host.names import named
from probe.host.source import MemorySource

IDS = Path("/usr/share/misc/pci.ids")
pytestmark = pytest.mark.published("Debian's pci.ids package")


def _entries() -> list[tuple[str, str, str, str]]:
    """Vendor id, vendor name, device id, device name: the first device of each vendor, read line by line."""
    found, vendor = [], None
    for line in IDS.read_text(encoding="utf-8").splitlines():
        if line.startswith("C "):
            break
        if match := re.fullmatch(r"([0-9a-f]{4})  (.+)", line):
            vendor = (match[1], match[2].strip())
        elif vendor and (match := re.fullmatch(r"\t([0-9a-f]{4})  (.+)", line)):
            found.append((*vendor, match[1], match[2].strip()))
            vendor = None
    return found


@pytest.mark.skipif(not IDS.exists(), reason="the list of names is not installed")
def test_every_vendors_first_device() -> None:
    """Whichever version of the list is there."""
    entries = _entries()
    assert entries
    functions = [
        FunctionEvidence(
            address="0000:00:00.0",
            path="devices/x",
            attributes={"vendor": f"0x{vendor}", "device": f"0x{device}", "class": "0x010802"},
        )
        for vendor, _, device, _ in entries
    ]
    answered = named(functions, MemorySource({"usr/share/misc/pci.ids": IDS.read_bytes()}, {}, "file"))
    assert [(item.names.vendor, item.names.device) for item in answered] == [(entry[1], entry[3]) for entry in entries]
    assert len({item.names.kind for item in answered}) == 1


def test_unknown_numbers_have_no_name() -> None:
    item = FunctionEvidence(
        address="0000:00:00.0", path="x", attributes={"vendor": "0xfff0", "device": "0x0001", "class": "0x010802"}
    )
    (answered,) = named([item], MemorySource({}, {}, "empty"))
    assert answered.names.vendor is None
    assert answered.names.device is None
