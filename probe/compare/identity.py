"""What a component is, as far as it was read. Not read never means another one.

Two identities are told apart only by what was read of both: unknown agrees with everything.
"""

import re

import msgspec

from probe.address import Address
from probe.links.component import Component

_NO_VENDOR = "0xffff"  # what an address without an answer reads
_SERIAL = re.compile(r"[0-9a-f]{2}(?:-[0-9a-f]{2}){7}")  # a name put in its place by redaction is no serial number
_NO_SERIALS = frozenset({"00-00-00-00-00-00-00-00", "ff-ff-ff-ff-ff-ff-ff-ff"})


class Identity(msgspec.Struct, frozen=True, kw_only=True):
    """What was read of a component. `speaker` is the device and function number that the numbers are of."""

    serial: str | None = None
    vendor_id: str | None = None
    device_id: str | None = None
    subsystem_id: str | None = None
    speaker: tuple[int, int] | None = None

    def differs_from(self, other: "Identity") -> bool:
        """Whether what was read of both cannot be of one component."""
        same_serial = None not in {self.serial, other.serial} and self.serial == other.serial
        if _contradict(self.serial, other.serial) or _contradict(self.vendor_id, other.vendor_id):
            return True
        if same_serial or self.speaker != other.speaker:  # new firmware gives other numbers; so does another function
            return False
        return _contradict(self.device_id, other.device_id) or _contradict(self.subsystem_id, other.subsystem_id)

    def filled_from(self, earlier: "Identity") -> "Identity":
        """This identity with what only an earlier reading of the same component gave."""
        if self.speaker != earlier.speaker:
            return msgspec.structs.replace(self, serial=self.serial or earlier.serial)
        return Identity(
            serial=self.serial or earlier.serial,
            vendor_id=self.vendor_id or earlier.vendor_id,
            device_id=self.device_id or earlier.device_id,
            subsystem_id=self.subsystem_id or earlier.subsystem_id,
            speaker=self.speaker,
        )

    @property
    def shown(self) -> str:
        """In a word: the serial number, else the numbers of its kind."""
        if self.serial is not None:
            return f"serial {self.serial}"
        if self.vendor_id is None and self.device_id is None:
            return "not read"
        numbers = f"{self.vendor_id or '?'}:{self.device_id or '?'}"
        return f"{numbers} subsystem {self.subsystem_id}" if self.subsystem_id else numbers


def identity_of(component: Component) -> Identity:
    """What was read of this component."""
    first = Address.find(component.functions[0]) if component.functions else None
    answers = component.vendor_id != _NO_VENDOR
    return Identity(
        serial=_serial(component.serial),
        vendor_id=component.vendor_id if answers else None,
        device_id=component.device_id if answers else None,
        subsystem_id=component.subsystem_id if answers else None,
        speaker=None if first is None else (first.device, first.function),
    )


def _serial(text: str | None) -> str | None:
    stated = text is not None and _SERIAL.fullmatch(text) is not None and text not in _NO_SERIALS
    return text if stated else None


def _contradict(one: str | None, other: str | None) -> bool:
    return one is not None and other is not None and one != other
