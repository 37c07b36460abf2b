"""What is mounted where on this host, from /proc/self/mountinfo (`Documentation/filesystems/proc.rst`, 3.5)."""

import os
import re
from pathlib import Path

import msgspec

_OCTAL = re.compile(r"\\([0-7]{3})")
_SEPARATOR = " - "


class Mount(msgspec.Struct, frozen=True):
    """One mount: the device number of its file system (`8:1`), where it is, of which type, from which source."""

    device: str
    point: str
    kind: str
    source: str


def parse_mounts(text: str) -> tuple[Mount, ...]:
    """The mounts in the text of a mountinfo file; a line that is none is passed over."""
    found = []
    for line in text.splitlines():
        before, separator, after = line.partition(_SEPARATOR)
        place, system = before.split(), after.split()
        if separator and len(place) > 4 and len(system) > 1:  # noqa: PLR2004 - fields 3 and 5, and two after the dash
            found.append(Mount(place[2], _plain(place[4]), system[0], _plain(system[1])))
    return tuple(found)


def _plain(text: str) -> str:
    """White space is written as its octal code."""
    return _OCTAL.sub(lambda match: chr(int(match[1], 8)), text)


def kind_of_file_system(device: int) -> str | None:
    """The type of the file system that has this device number (`st_dev`), None where it is not mounted here."""
    number = f"{os.major(device)}:{os.minor(device)}"
    mounts = parse_mounts(Path("/proc/self/mountinfo").read_text())
    return next((mount.kind for mount in mounts if mount.device == number), None)
