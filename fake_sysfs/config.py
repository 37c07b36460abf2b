"""Config space of a described function, packed with the same register tables that decode it."""

from collections.abc import Iterator, Mapping

from fake_sysfs.description import Fields, Function, State
from probe.registers import errors, express, function, physical
from probe.registers.express import DOWNSTREAM_PORT, FROM_PCI, ROOT_PORT
from probe.registers.model import Register, Structure
from probe.registers.values import SPEED_GTS

POWER_AT = 0x40
EXPRESS_AT = 0x60
_PORTS = frozenset({ROOT_PORT, DOWNSTREAM_PORT})
_POWER_STATES = frozenset({"D0", "D3hot"})
LANES = 16
FLIT_GTS = 64.0


class Image:
    """Bytes under construction, and the fields each register is to hold."""

    def __init__(self, described: Function, size: int) -> None:
        self.data = bytearray(size)
        self._overrides = described.registers

    def put(self, offset: int, value: int, size: int) -> None:
        """Write a number."""
        self.data[offset : offset + size] = value.to_bytes(size, "little")

    def structure(self, at: int, structure: Structure, values: Mapping[Register, Fields], express_flags: int) -> None:
        """Write a capability's registers, with the description's overrides laid over `values`."""
        for register in structure.existing(express_flags):
            fields = {**values.get(register, {}), **self._overrides.get(register, {})}
            packed = register.pack(fields)
            for offset, _ in register.instances():
                if packed:
                    self.put(at + offset, packed, register.size)


def config_space(
    described: Function, kind: str | None, trained: State | None, *, port: Fields | None = None, buses: bytes = b""
) -> bytes:
    """The bytes of a function; `kind` is its Device/Port Type, None for a conventional function.

    `port` holds what the port around it knows: slot number, presence, link activity, Target Link Speed.
    """
    image = Image(described, 256 if kind is None else 4096)
    bridge = kind in {*_PORTS, express.UPSTREAM_PORT, FROM_PCI, express.TO_PCI}
    for offset, value in ((0, described.vendor), (2, described.device), (4, 0x0407), (6, 0x0010 if kind else 0)):
        image.put(offset, value, 2)
    image.put(8, described.class_code << 8, 4)
    image.data[0x0E] = 1 if bridge else 0
    if bridge:
        image.data[0x18 : 0x18 + len(buses)] = buses
        image.data[0x3E] = 0x02  # SERR# Enable, as firmware leaves it
    else:
        image.put(0x2C, described.subsystem[0], 2)
        image.put(0x2E, described.subsystem[1], 2)
    if kind is not None:
        image.data[0x34] = POWER_AT
        _power(image, described)
        flags = _express(image, described, kind, trained, port or {})
        _extended(image, described, trained, flags)
    return bytes(image.data)


def _power(image: Image, described: Function) -> None:
    image.put(POWER_AT, function.POWER_MANAGEMENT.id | EXPRESS_AT << 8, 2)
    state = described.power_state if described.power_state in _POWER_STATES else "D3hot"
    image.structure(POWER_AT, function.POWER_MANAGEMENT, {
        function.POWER_CAPABILITIES: {"Version": 3},
        function.POWER_CONTROL: {"PowerState": state, "No_Soft_Reset": True},
    }, 0)  # fmt: skip


def _express(image: Image, described: Function, kind: str, trained: State | None, port: Fields) -> int:
    image.put(EXPRESS_AT, express.PCI_EXPRESS.id, 2)
    capability: Fields = {"Capability Version": described.version, "Device/Port Type": kind}
    if port.get("slot") is not None:
        capability["Slot Implemented"] = True
    flags = express.CAPABILITIES.pack({**capability, **described.registers.get(express.CAPABILITIES, {})})
    values: dict[Register, Fields] = {
        express.CAPABILITIES: capability,
        express.DEVICE_CAPABILITIES: {
            "Max_Payload_Size Supported": described.payload_supported, "Role-Based Error Reporting": True,
        },
        express.DEVICE_CONTROL: {
            "Max_Payload_Size": described.payload, "Max_Read_Request_Size": described.read_request,
            "Correctable Error Reporting Enable": True, "Non-Fatal Error Reporting Enable": True,
            "Fatal Error Reporting Enable": True, "Unsupported Request Reporting Enable": True,
        },
        express.SLOT_CAPABILITIES: {
            "Physical Slot Number": port.get("slot") or 0, "Hot-Plug Capable": bool(port.get("hot plug")),
        },
        express.SLOT_STATUS: {"Presence Detect State": port.get("presence", "slot empty")},
    }  # fmt: skip
    if described.best is not None:
        values |= _link(described, kind, trained, port)
    image.structure(EXPRESS_AT, express.PCI_EXPRESS, values, flags)
    return flags


def _link(described: Function, kind: str, trained: State | None, port: Fields) -> dict[Register, Fields]:
    best = described.best
    if best is None:
        return {}
    is_port = kind in _PORTS
    speeds = described.supported or tuple(speed for speed in SPEED_GTS.values() if speed <= best.speed_gts)
    values: dict[Register, Fields] = {
        express.LINK_CAPABILITIES: {
            "Max Link Speed": best.speed_gts, "Maximum Link Width": best.width, "ASPM Support": "L1",
            "Data Link Layer Link Active Reporting Capable": is_port, "Link Bandwidth Notification Capability": is_port,
        },
        express.LINK_CONTROL: {"Common Clock Configuration": True},
        express.LINK_CAPABILITIES_2: {"Supported Link Speeds Vector": _vector(speeds)},
        express.LINK_CONTROL_2: {"Target Link Speed": port.get("target") or best.speed_gts},
    }  # fmt: skip
    if trained is not None:
        values[express.LINK_STATUS] = {
            "Current Link Speed": trained.speed_gts, "Negotiated Link Width": trained.width,
            "Slot Clock Configuration": True, "Data Link Layer Link Active": is_port,
        }  # fmt: skip
        values[express.LINK_STATUS_2] = {
            **_equalized("8.0", trained), "Flit Mode Status": trained.speed_gts >= FLIT_GTS,
        }  # fmt: skip
    return values


def _vector(speeds: tuple[float, ...]) -> int:
    return sum(1 << code - 1 for code, speed in SPEED_GTS.items() if speed in speeds)


def _equalized(rate: str, trained: State) -> Fields:
    """Equalization at a rate is complete where the link trained to that rate or past it."""
    if trained.speed_gts < float(rate):
        return {}
    phases = {f"Equalization {rate} GT/s Phase {phase} Successful": True for phase in (1, 2, 3)}
    return {f"Equalization {rate} GT/s Complete": True, **phases}


def _extended(image: Image, described: Function, trained: State | None, flags: int) -> None:
    at = 0x100
    entries = list(_extended_structures(described, trained))
    for index, (structure, values) in enumerate(entries):
        end = at + _size(structure)
        following = end if index + 1 < len(entries) else 0
        image.put(at, structure.id | 1 << 16 | following << 20, 4)
        image.structure(at, structure, values, flags)
        at = end


def _size(structure: Structure) -> int:
    """Bytes a structure takes, with sixteen lanes where it repeats by lane."""
    ends = (
        register.offset + (min(register.count, LANES) - 1) * register.stride + register.size
        for register in structure.registers
    )
    return max(ends) + 3 & ~3


def _extended_structures(
    described: Function, trained: State | None
) -> Iterator[tuple[Structure, Mapping[Register, Fields]]]:
    if described.has_aer:
        fatal: Fields = {
            name: True for bit, name in errors.UNCORRECTABLE_BITS.items() if errors.SEVERITY_DEFAULT >> bit & 1
        }
        yield errors.ADVANCED_ERROR_REPORTING, {
            errors.CORRECTABLE_MASK: {"Advisory Non-Fatal Error": True}, errors.UNCORRECTABLE_SEVERITY: fatal,
        }  # fmt: skip
    if described.serial is not None:
        yield function.DEVICE_SERIAL_NUMBER, {
            function.SERIAL_LOW: {"Serial Number, lower": described.serial & 0xFFFF_FFFF},
            function.SERIAL_HIGH: {"Serial Number, upper": described.serial >> 32},
        }  # fmt: skip
    if described.virtual_functions:
        count: Fields = {"TotalVFs": described.virtual_functions}
        register = next(r for r in function.SINGLE_ROOT_IO_VIRTUALIZATION.registers if r.name == "TotalVFs")
        yield function.SINGLE_ROOT_IO_VIRTUALIZATION, {register: count}
    if described.best is None:
        return
    state = trained or State(2.5, 1)
    for gts, structure, status, rate in _BY_SPEED:
        if described.best.speed_gts >= gts:
            yield structure, {status: _equalized(rate, state)} if status else {}


_BY_SPEED = (
    (8.0, physical.SECONDARY_PCI_EXPRESS, None, ""),
    (16.0, physical.DATA_LINK_FEATURE, None, ""),
    (16.0, physical.PHYSICAL_LAYER_16, physical.STATUS_16, "16.0"),
    (32.0, physical.PHYSICAL_LAYER_32, physical.STATUS_32, "32.0"),
    (64.0, physical.PHYSICAL_LAYER_64, physical.STATUS_64, "64.0"),
)
