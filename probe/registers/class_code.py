"""The class code of a Function: base class, sub-class, programming interface.

PCI Code and ID Assignment Specification; kernel `include/linux/pci_ids.h`, PCI_CLASS_*.
"""

from typing import NamedTuple, Self

STORAGE = 0x01
NETWORK = 0x02
DISPLAY = 0x03
THREE_D = (0x03, 0x02)
BRIDGE_TO_PCI = (0x06, 0x04)
ACCELERATOR = 0x12


class ClassCode(NamedTuple):
    """The three bytes of a class code."""

    base: int
    sub: int
    interface: int

    @classmethod
    def of(cls, number: int) -> Self:
        """From the six-digit number, as the kernel prints it."""
        return cls(number >> 16 & 0xFF, number >> 8 & 0xFF, number & 0xFF)

    @property
    def kind(self) -> tuple[int, int]:
        """Base class and sub-class."""
        return self.base, self.sub

    def __int__(self) -> int:
        """The six-digit number."""
        return self.base << 16 | self.sub << 8 | self.interface
