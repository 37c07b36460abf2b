"""How much memory this host can give (`Documentation/filesystems/proc.rst`, meminfo)."""

import re
from pathlib import Path

_AVAILABLE = re.compile(r"^MemAvailable:\s+(\d+) kB$", re.MULTILINE)


def available_bytes() -> int | None:
    """The kernel's own estimate of what can be taken without swapping; None where it is not told."""
    try:
        match = _AVAILABLE.search(Path("/proc/meminfo").read_text())
    except OSError:
        return None
    return None if match is None else int(match[1]) * 1024
