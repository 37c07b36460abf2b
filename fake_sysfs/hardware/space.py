"""Configuration space of one function that takes writes: each bit as the kind of access that its register gives it."""

from probe.registers.space import ConfigSpace
from probe.registers.table_language import Access

EXPRESS, POWER, ERRORS, MARGINING = (False, 0x10), (False, 0x01), (True, 0x0001), (True, 0x0027)
LINK_CONTROL, LINK_STATUS, LINK_CONTROL_2, LINK_STATUS_2 = 0x10, 0x12, 0x30, 0x32
LINK_CAPABILITIES, LINK_CAPABILITIES_2 = 0x0C, 0x2C
GONE = 0xFF


class Space:
    """The bytes of a function, which of their bits can be written, and which are cleared by a written 1."""

    def __init__(self, address: str, image: bytes) -> None:
        self.address = address
        self.data = bytearray(image)
        self.gone = False
        self._capabilities = ConfigSpace.from_bytes(image)
        self._writable = bytearray(len(image))
        self._clearable = bytearray(len(image))
        self._set_masks()

    def _set_masks(self) -> None:
        for found in self._capabilities.capabilities.found:
            if found.structure is None:
                continue
            for register in found.structure.existing(self._capabilities.express_flags):
                for at in register.instances():
                    for masks, access in ((self._writable, Access.RW), (self._clearable, Access.RW1C)):
                        bits = sum(field.mask for field in register.fields if field.access is access)
                        start = found.offset + at
                        if start + register.size <= len(self.data):
                            masks[start : start + register.size] = bits.to_bytes(register.size, "little")

    def at(self, kind: tuple[bool, int]) -> int | None:
        """The offset of a capability."""
        extended, number = kind
        found = self._capabilities.capabilities.found
        return next((item.offset for item in found if item.extended is extended and item.id == number), None)

    @property
    def express(self) -> int:
        """The offset of the PCI Express Capability, which every function of a modelled link has."""
        found = self.at(EXPRESS)
        if found is None:
            message = f"{self.address} has no PCI Express Capability"
            raise ValueError(message)
        return found

    def get(self, offset: int, size: int) -> int:
        """What a read gives."""
        return int.from_bytes(self.read(offset, size), "little")

    def put(self, offset: int, size: int, value: int) -> None:
        """Hardware changes its own register."""
        self.data[offset : offset + size] = value.to_bytes(size, "little")

    def change(self, offset: int, size: int, mask: int, value: int) -> None:
        """Hardware changes some bits of its own register."""
        old = int.from_bytes(self.data[offset : offset + size], "little")
        self.put(offset, size, old & ~mask | value & mask)

    def read(self, offset: int, size: int) -> bytes:
        """The bytes, all ones for a function that is gone."""
        if self.gone:
            return bytes([GONE]) * max(0, min(size, len(self.data) - offset))
        return bytes(self.data[offset : offset + size])

    def write(self, offset: int, data: bytes) -> None:
        """Take a write, bit by bit as the registers allow."""
        if self.gone:
            return
        for at, byte in enumerate(data, start=offset):
            writable, clearable = self._writable[at], self._clearable[at]
            self.data[at] = (self.data[at] & ~writable | byte & writable) & ~(byte & clearable)

    def kept(self) -> bytes:
        """All bits that software can write, which is what has to be as it was when a test is over."""
        return bytes(byte & mask for byte, mask in zip(self.data, self._writable, strict=True))

    def hold(self, offset: int, mask: int) -> None:
        """Make bits of a byte read-only, as hardware may that does not offer what they turn off."""
        self._writable[offset] &= ~mask & 0xFF

    def can_write(self, offset: int, mask: int) -> bool:
        """All bits of a two-byte mask take a write."""
        return int.from_bytes(self._writable[offset : offset + 2], "little") & mask == mask
