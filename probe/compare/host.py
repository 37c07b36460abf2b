"""The machine itself, before and after: its kernel, its firmware, its name."""

from collections.abc import Iterator, Sequence
from itertools import pairwise

import msgspec

from probe.compare.rank import Rank
from probe.evidence import Host
from probe.exceptions import InputError
from probe.placeholders import is_stated

_FIRMWARE = ("bios", "product", "board")


class HostChanged(msgspec.Struct, frozen=True, kw_only=True, tag_field="change", tag="host"):
    """A value of the machine is another one."""

    name: str
    before: str | None
    after: str | None

    kind = "host"
    place = "this machine"
    rank = Rank.NEUTRAL
    urgent = False
    evidence = "host identity"

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        return f"{self.name} changed from {self.before or 'none'} to {self.after or 'none'}"


def host_changes(before: Host, after: Host) -> Iterator[HostChanged]:
    """What of the machine differs, of what was read both times."""
    then, now = _values(before), _values(after)
    for name in sorted(then.keys() & now.keys()):
        if then[name] != now[name]:
            yield HostChanged(name=name, before=then[name], after=now[name])


def _values(host: Host) -> dict[str, str]:
    firmware = {name: text for name, text in host.firmware.items() if name.startswith(_FIRMWARE)}
    return firmware if host.kernel is None else {"kernel": host.kernel, **firmware}


_OF_THE_BOARD = ("product_serial", "board_serial")
_OF_THE_MODEL = ("sys_vendor", "product_name")


def another_machine(before: Host, after: Host) -> str | None:
    """What says that two snapshots are of different machines, as words; None where nothing that was read says so.

    The machine id decides where both have one, unless a serial number of the machine agrees (installed anew); else
    serial numbers, else the model.
    """
    boards = _both(before, after, _OF_THE_BOARD)
    same_board = any(then == now for _, then, now in boards)
    if None not in {before.machine_id, after.machine_id}:
        differs = before.machine_id != after.machine_id and not same_board
        return "machine id" if differs else None
    if same_board:
        return None
    for name, then, now in (*boards, *_both(before, after, _OF_THE_MODEL)):
        if then != now:
            return f"{name.replace('_', ' ')}: {then} and {now}"
    return None


def one_machine(hosts: Sequence[Host], names: Sequence[str]) -> None:
    """Raise InputError where two snapshots that follow each other are of different machines."""
    for (before, first), (after, second) in pairwise(zip(hosts, names, strict=True)):
        found = another_machine(before, after)
        if found is not None:
            what = f"these are of different machines ({before.name or 'one'} and {after.name or 'another'}; {found})"
            raise InputError(what, where=f"{first}, {second}", remedy="give --different-machines to compare them still")


def _both(before: Host, after: Host, names: Sequence[str]) -> list[tuple[str, str, str]]:
    """The names that both have, with both values."""
    then, now = before.firmware, after.firmware
    return [(name, then[name], now[name]) for name in names if is_stated(then.get(name)) and is_stated(now.get(name))]
