"""A host without Python: the script that collects evidence there, and the notes it leaves beside the files."""

import os
from collections.abc import Iterable
from importlib.resources import files as package_files

import msgspec

from probe import __version__
from probe import kernel_spellings as kernel
from probe.evidence import Unread, Why
from probe.host import files
from probe.host.machine_id import APPLICATION
from probe.host.source import WHY, Origin

NOTES = "linkprobe-capture"
"""The file of notes in the tar: a line each, of words apart by tabulators."""

_WHY_SAID = {os.strerror(code): why for code, why in WHY.items()} | {files.LEFT_ASLEEP: Why.ASLEEP}


class Notes(msgspec.Struct, frozen=True, kw_only=True):
    """What the script noted: where and when the files come from, and what was there and could not be read."""

    origin: Origin
    unread: dict[str, Unread]


def script() -> str:
    """The script, with its lists of files from the table that the reader works by."""
    text = package_files("probe.host").joinpath("capture.sh").read_text()
    asleep = " | ".join(f"*/{state}" for state in sorted(kernel.ASLEEP))
    words = {
        "VERSION": __version__, "NOTES": NOTES, "RUNTIME_STATUS": kernel.RUNTIME_STATUS,
        "POWER_STATE": kernel.POWER_STATE, "DEEPEST_SLEEP": kernel.DEEPEST_SLEEP, "SUSPENDED": kernel.SUSPENDED,
        "ASLEEP": asleep, "COOLING_TYPE": kernel.COOLING_TYPE, "HOST": _joined(files.HOST.values()),
        "APPLICATION": APPLICATION.hex,
    }  # fmt: skip
    for name in (
        "RUNTIME",
        "POWER",
        "QUIET",
        "ASPM",
        "FROM_REGISTERS",
        "FROM_DRIVER",
        "POINTERS",
        "SLOT",
        "COOLING",
        "FIRMWARE",
    ):
        words[name] = _joined(getattr(files, name))
    for name in (
        "LEFT_ASLEEP", "LINK_FOLDER", "MACHINE_ID", "DEVICES", "SLOTS", "THERMAL", "FIRMWARE_PLACE", "SMBIOS",
        "KERNEL_LOG", "NODES", "NODE", "PROCESSORS", "PACKAGE",
    ):  # fmt: skip
        words[name] = getattr(files, name)
    for name, word in words.items():
        text = text.replace(f"@{name}@", word)
    return text


def _joined(names: Iterable[str]) -> str:
    return " ".join(names)


def read_notes(text: str) -> Notes:
    """The notes from their text; lines of kinds not known here are passed over."""
    said: dict[str, str] = {}
    unread: dict[str, Unread] = {}
    for line in text.splitlines():
        match line.split("\t"):
            case ["unread", path, reason]:
                unread[path] = Unread(path, _WHY_SAID.get(reason, Why.FAILED), reason)
            case [name, value]:
                said[name] = value
    privileged = {"yes": True, "no": False}.get(said.get("privileged", ""))
    return Notes(origin=Origin(said.get("taken_at"), privileged, said.get("machine_id")), unread=unread)
