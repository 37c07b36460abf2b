"""What can be read on this host by this user, looked at and not guessed from versions."""

import os
from collections.abc import Iterator

import msgspec

from probe.counted import counted
from probe.evidence import Unread, Why
from probe.host.bounded import read_functions
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


def abilities(source: DirectorySource) -> Iterator[Ability]:
    """The abilities of this installation with that machine; nothing of it is woken."""
    addresses = function_names(source)
    listed = [names for address in addresses if not isinstance(names := source.names(f"{DEVICES}/{address}"), Unread)]
    yield Ability("PCI functions", bool(addresses), f"{len(addresses)} listed")
    yield _configuration(source, addresses)
    for what, name in (
        ("link attributes (kernel 4.13)", MAX_LINK_SPEED),
        ("error counters (kernel 4.19)", COUNTER_FILES[Severity.CORRECTABLE]),
    ):
        having = sum(name in names for names in listed)
        yield Ability(what, bool(having), f"at {counted(having, 'function')}")
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
    """By the first function that can be read without waking one."""
    what, asleep = "whole configuration space", False
    for address in addresses:
        (read,) = read_functions(source, [address])
        if read.config:
            whole = read.config_end != _PRIVILEGED_FROM
            return Ability(what, whole, "as root sees it" if whole else "64 bytes each: root sees more")
        failed = read.why_unread("config")
        asleep |= failed is not None and failed.why is Why.ASLEEP
    return Ability(what, there=False, detail="all sleep, and none was woken" if asleep else "none could be read")
