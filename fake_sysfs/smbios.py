"""An SMBIOS table with System Slots records. DMTF DSP0134, 7.10."""

from fake_sysfs.description import SlotRecord
from probe.address import Address
from probe.registers.smbios import device_and_function

_BASE_LENGTH = 0x13


def dmi_table(records: tuple[SlotRecord, ...]) -> bytes:
    """The records as a table, closed by an end-of-table structure."""
    structures = [_slot(record, 0x900 + index) for index, record in enumerate(records)]
    return b"".join(structures) + bytes([127, 4, 0xFF, 0xFE]) + b"\0\0"


def _slot(record: SlotRecord, handle: int) -> bytes:
    where = Address.parse(record.address)
    peers = b"".join(_peer(Address.parse(address), lanes) for address, lanes in record.peers)
    body = bytes([9, _BASE_LENGTH + len(peers)]) + handle.to_bytes(2, "little")
    body += bytes([1, record.type_code, record.width_code, record.usage, 4]) + record.id.to_bytes(2, "little")
    body += bytes([0x04, 0x01]) + _place(where) + bytes([record.base_lanes, len(record.peers)]) + peers
    return body + record.designation.encode() + b"\0\0"


def _place(where: Address) -> bytes:
    return where.domain.to_bytes(2, "little") + bytes([where.bus, device_and_function(where.device, where.function)])


def _peer(where: Address, lanes: int) -> bytes:
    return _place(where) + bytes([lanes])
