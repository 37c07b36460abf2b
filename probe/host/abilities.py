"""What can be read on this host by this user, looked at and not guessed from versions."""

import os
from collections.abc import Iterator

import msgspec

from probe.counted import counted
from probe.evidence import Unread
from probe.host.files import DEVICES, SMBIOS
from probe.host.kernel_log import read_kernel_log
from probe.host.listing import function_names, slot_names
from probe.host.names import PCI_IDS_FILES
from probe.host.source import DirectorySource
from probe.kernel_spellings import COUNTER_FILES, MAX_LINK_SPEED
from probe.registers.errors import Severity

_PRIVILEGED_FROM = 64


class Ability(msgspec.Struct, frozen=True):
    """One thing that can be read or done, or not, with a word on what that means."""

    what: str
    there: bool
    detail: str


def abilities() -> Iterator[Ability]:
    """The abilities of this installation here."""
    source = DirectorySource()
    addresses = function_names(source)
    yield Ability("PCI functions", bool(addresses), f"{len(addresses)} listed")
    yield _configuration(source, addresses)
    for what, name in (
        ("link attributes (kernel 4.13)", MAX_LINK_SPEED),
        ("error counters (kernel 4.19)", COUNTER_FILES[Severity.CORRECTABLE]),
    ):
        having = [a for a in addresses if isinstance(source.text(f"{DEVICES}/{a}/{name}"), str)]
        yield Ability(what, bool(having), f"at {counted(len(having), 'function')}")
    slots = slot_names(source)
    yield Ability("slot directories", bool(slots), f"{len(slots)}")
    table = source.open(SMBIOS)
    yield Ability("SMBIOS table", not isinstance(table, Unread), table.why if isinstance(table, Unread) else "readable")
    if not isinstance(table, Unread):
        table.close()
    log = read_kernel_log(source)
    detail = str(log.why) if isinstance(log, Unread) else f"{counted(len(log), 'line')} on PCI Express"
    yield Ability("kernel log", not isinstance(log, Unread), detail)
    ids = [path for path in PCI_IDS_FILES if os.path.exists(f"/{path}")]  # noqa: PTH110 - one look
    yield Ability("names of devices", bool(ids), f"/{ids[0]}" if ids else "numbers only, unless udev knows them")


def _configuration(source: DirectorySource, addresses: list[str]) -> Ability:
    for address in addresses:
        opened = source.open(f"{DEVICES}/{address}/config")
        if isinstance(opened, Unread):
            continue
        data = opened.read(0, _PRIVILEGED_FROM + 4)
        opened.close()
        whole = isinstance(data, bytes) and len(data) > _PRIVILEGED_FROM
        return Ability("whole configuration space", whole, "as root" if whole else "64 bytes each: root sees more")
    return Ability("whole configuration space", there=False, detail="none could be opened")
