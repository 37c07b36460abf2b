"""The address of a Function: domain, bus, device, function, always written with its domain."""

import re
from typing import NamedTuple, Self

from probe.exceptions import InputError

ADDRESS = r"[0-9a-f]{4,8}:[0-9a-f]{2}:[01][0-9a-f]\.[0-7]"
"""An address with its domain, to be a part of other patterns."""

ROOT_BUS = r"pci[0-9a-f]{4,8}:[0-9a-f]{2}"
"""The kernel's directory of a root bus."""

_ADDRESS = re.compile(r"(?:([0-9a-f]{4,8}):)?([0-9a-f]{2}):([01][0-9a-f])\.([0-7])", re.IGNORECASE)


class Address(NamedTuple):
    """Where a Function sits; sorts in bus order. Domains may be wider than four digits (`10000:e1:00.0`)."""

    domain: int
    bus: int
    device: int
    function: int

    @classmethod
    def parse(cls, text: str) -> Self:
        """Read `DDDD:BB:DD.F`; a missing domain means domain 0. Raises InputError for anything else."""
        address = cls.find(text)
        if address is None:
            raise InputError("not a device address", where=repr(text), remedy="write it as 0000:3b:00.0")
        return address

    @classmethod
    def find(cls, text: str) -> Self | None:
        """The address that the text is, or None."""
        match = _ADDRESS.fullmatch(text)
        if match is None:
            return None
        return cls(*(int(part or "0", 16) for part in match.groups()))

    def __str__(self) -> str:
        """The kernel's spelling, domain always there."""
        return f"{self.domain:04x}:{self.bus:02x}:{self.device:02x}.{self.function:x}"

    @property
    def without_function(self) -> str:
        """The address without its function, as the slot directory of the kernel writes it."""
        return f"{self.domain:04x}:{self.bus:02x}:{self.device:02x}"
