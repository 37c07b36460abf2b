"""Published sources that lie on the machine."""

import re
from collections.abc import Mapping
from pathlib import Path

import pytest

HEADER = Path("/usr/include/linux/pci_regs.h")
_DEFINE = re.compile(r"^#define\s+(PCI_\w+)\s+(?:\(?\s*)(0x[0-9a-fA-F]+|\d+)U?L?\b", re.MULTILINE)


@pytest.fixture(scope="session")
def header() -> Mapping[str, int]:
    """Every plain number that the kernel's header defines."""
    return {name: int(value, 0) for name, value in _DEFINE.findall(HEADER.read_text())}
