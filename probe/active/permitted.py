"""All that linkprobe may ever write to hardware, as two tables: bits of registers, and files of sysfs.

May live here: what may be written, at which end of a link, with which values. May not: opening, deciding when.
What is not in a table cannot be written: not by a mistake in a protocol, not by a damaged journal.
"""

import re
from enum import StrEnum
from typing import Any

import msgspec

from probe.address import ADDRESS
from probe.registers.bits import cut, mask_of, outside
from probe.registers.link import LinkControl, LinkControl2
from probe.registers.margining import LANE_MARGINING, MarginingLaneControl
from probe.registers.table_language import Field, Register


class End(StrEnum):
    """Which end of a link a function is, or that it only shares the fate of the link."""

    PORT = "port"
    COMPONENT = "component"
    BELOW = "below"


class RegisterBits(msgspec.Struct, frozen=True, eq=False):
    """Bits of a register that may be written: its fields, the bytes of it that they lie in, and at which ends.

    `neutral` are commands to be given, each answered in the next register, before the old value may come back.
    """

    fields: tuple[Field[Any], ...]
    byte: int
    size: int
    ends: frozenset[End]
    neutral: tuple[int, ...] = ()

    @property
    def register(self) -> type[Register]:
        """The register of the fields."""
        return self.fields[0].register

    @property
    def mask(self) -> int:
        """The bits, within the bytes that are written."""
        return cut(mask_of(*self.fields), self.byte, self.size)


_PORT = frozenset({End.PORT})
_BOTH = frozenset({End.PORT, End.COMPONENT})
_LANE = MarginingLaneControl
_LANE_FIELDS = (_LANE.receiver_number, _LANE.margin_type, _LANE.usage_model, _LANE.margin_payload)
NO_COMMAND = _LANE.pack({_LANE.margin_type: "no command or capability access", _LANE.margin_payload: 0x9C})
GO_TO_NORMAL_SETTINGS = _LANE.pack({_LANE.margin_type: "set", _LANE.margin_payload: 0x0F})
CLEAR_ERROR_LOG = _LANE.pack({_LANE.margin_type: "set", _LANE.margin_payload: 0x55})

REGISTERS: tuple[RegisterBits, ...] = (
    # A byte, never a dword: Link Status, next to it, has bits that a written 1 clears.
    RegisterBits((LinkControl.retrain_link,), 0, 1, _PORT),
    RegisterBits((LinkControl.aspm_control,), 0, 1, _BOTH),
    # Bits 10 and 11 of the same byte are the kernel's (bandwidth service).
    RegisterBits((LinkControl.hardware_autonomous_width_disable,), 1, 1, _BOTH),
    RegisterBits((LinkControl2.target_link_speed,), 0, 1, _PORT),
    RegisterBits((LinkControl2.hardware_autonomous_speed_disable,), 0, 1, _BOTH),
    RegisterBits(
        _LANE_FIELDS, 0, 2, _BOTH,
        neutral=(NO_COMMAND, GO_TO_NORMAL_SETTINGS, NO_COMMAND, CLEAR_ERROR_LOG, NO_COMMAND),
    ),
)  # fmt: skip


class SysfsFile(msgspec.Struct, frozen=True, eq=False):
    """A file below /sys that may be written, and with what. `act` says that it does something and holds no state."""

    path: re.Pattern[str]
    text: re.Pattern[str]
    act: bool = False


_FUNCTION = rf"bus/pci/devices/(?P<address>{ADDRESS})"
_ASPM = "l0s_aspm|l1_aspm|l1_1_aspm|l1_2_aspm|l1_1_pcipm|l1_2_pcipm|clkpm"

FILES: tuple[SysfsFile, ...] = (
    SysfsFile(re.compile(rf"{_FUNCTION}/reset_method"), re.compile(r"[a-z_]*( [a-z_]+)*")),
    SysfsFile(re.compile(rf"{_FUNCTION}/reset"), re.compile("1"), act=True),
    SysfsFile(re.compile(rf"{_FUNCTION}/reset_subordinate"), re.compile("1"), act=True),
    SysfsFile(re.compile(rf"{_FUNCTION}/power/control"), re.compile("on|auto")),
    SysfsFile(re.compile(rf"{_FUNCTION}/link/({_ASPM})"), re.compile("0|1")),
    SysfsFile(re.compile(r"bus/pci/slots/(?P<slot>[^/.][^/]*)/power"), re.compile("0|1")),
    SysfsFile(re.compile(r"class/thermal/(?P<cooling>cooling_device\d+)/cur_state"), re.compile(r"\d{1,2}")),
)


class Place(msgspec.Struct, frozen=True, kw_only=True):
    """A function that a test may touch, and where its capabilities were found when the test began.

    They are not looked up again: a component that vanishes gives all ones as a list of capabilities.
    """

    address: str
    end: End
    express: int | None = None
    express_flags: int = 0
    margining: int | None = None
    lanes: int = 0
    identity: str | None = None
    """Vendor and device id as the kernel lists them, to know the function again."""


class Scope(msgspec.Struct, frozen=True, kw_only=True):
    """What one run may write to: its functions, the names of its slots, and of the kernel's cooling devices."""

    places: tuple[Place, ...] = ()
    slots: tuple[str, ...] = ()
    cooling: tuple[str, ...] = ()

    def place(self, address: str) -> Place | None:
        """The function, if it is in scope."""
        return next((place for place in self.places if place.address == address), None)


class NotPermitted(Exception):
    """A write that no table has; always a fault of this program."""


def register_at(scope: Scope, address: str, offset: int, size: int, mask: int) -> RegisterBits:
    """The row that lets these bits be written. Raises NotPermitted where there is none."""
    place = scope.place(address)
    rows = [] if place is None else [row for row in REGISTERS if place.end in row.ends and _covers(row, place, offset)]
    rows = [row for row in rows if row.size == size]
    allowed = 0
    for row in rows:
        allowed |= row.mask
    if not rows or not mask or outside(mask, allowed):
        message = f"{address}: {size} bytes at {offset:03x}h with mask {mask:x}h are not in the table"
        raise NotPermitted(message)
    return rows[0]


def _covers(row: RegisterBits, place: Place, offset: int) -> bool:
    structure = row.register.structure
    if structure is not None and structure is not LANE_MARGINING:
        there = row.register in structure.existing(place.express_flags)
        return there and place.express is not None and offset == place.express + row.register.offset + row.byte
    if place.margining is None:
        return False
    lanes = list(row.register.instances())[: place.lanes]
    return any(offset == place.margining + at + row.byte for at in lanes)


def file_at(scope: Scope, path: str, text: str) -> SysfsFile:
    """The row that lets this text be written to this file below /sys. Raises NotPermitted where there is none."""
    for row in FILES:
        match = row.path.fullmatch(path)
        if match is not None and row.text.fullmatch(text) and _in_scope(scope, match.groupdict()):
            return row
    message = f"{path}: writing {text!r} is not in the table"
    raise NotPermitted(message)


def _in_scope(scope: Scope, named: dict[str, str]) -> bool:
    if "address" in named:
        return scope.place(named["address"]) is not None
    return named.get("slot") in scope.slots or named.get("cooling") in scope.cooling
