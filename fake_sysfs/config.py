"""Config space of a described function, packed with the same register tables that decode it.

Whatever a description overrides has a place in what is built: the capability is added where the function would not
have it, and a register that cannot be there is refused.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from fake_sysfs.description import Function, State
from probe.registers import errors, express, function, header, margining, physical
from probe.registers.catalogue import STRUCTURES
from probe.registers.class_code import ClassCode
from probe.registers.device import (
    DOWNSTREAM_PORT,
    FROM_PCI,
    ROOT_PORT,
    TO_PCI,
    UPSTREAM_PORT,
    DeviceCapabilities,
    DeviceControl,
    ExpressCapabilities,
)
from probe.registers.function import PowerManagementCapabilities, PowerManagementControlStatus, serial_halves
from probe.registers.link import (
    LinkCapabilities,
    LinkCapabilities2,
    LinkControl,
    LinkControl2,
    LinkStatus,
    LinkStatus2,
)
from probe.registers.slot import SlotCapabilities, SlotStatus
from probe.registers.space import EXTENDED_START, classic_header, extended_header
from probe.registers.table_language import Field, Register, Structure
from probe.registers.values import SPEED_GTS

CLASSIC_AT = 0x40
_CLASSIC_STEP = 0x20
_PORTS = frozenset({ROOT_PORT, DOWNSTREAM_PORT})
_BRIDGES = frozenset({*_PORTS, UPSTREAM_PORT, FROM_PCI, TO_PCI})
_POWER_STATES = frozenset({"D0", "D3hot"})
_LANES = 16
_FLIT_GTS = 64.0
Values = dict[Field[Any], Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """What is known around a function: its slot's number and presence, its port's speed limit, its bus numbers."""

    slot: int | None = None
    hot_plug: bool = False
    present: bool = False
    target_gts: float | None = None
    buses: tuple[int, ...] = ()


class _Image:
    """Bytes under construction, and which of the wanted fields have found their place."""

    def __init__(self, size: int, values: Values, overrides: Values) -> None:
        self.data = bytearray(size)
        self._wanted: dict[type[Register], Values] = {}
        for wanted, value in {**values, **overrides}.items():
            self._wanted.setdefault(wanted.register, {})[wanted] = value
        self._unplaced = {wanted.register for wanted in overrides}

    def put(self, offset: int, value: int, size: int) -> None:
        """Write a number."""
        self.data[offset : offset + size] = value.to_bytes(size, "little")

    def registers(self, at: int, registers: tuple[type[Register], ...]) -> None:
        """Write the registers of a structure that starts at an offset."""
        for register in registers:
            packed = register.pack(self._wanted.get(register, {}))
            self._unplaced.discard(register)
            for offset in register.instances():
                if packed:
                    self.put(at + offset, packed, register.size)

    def finish(self) -> bytes:
        """The bytes. Raises ValueError if a register that was to hold something has no place."""
        if self._unplaced:
            names = ", ".join(sorted(register.name for register in self._unplaced))
            message = f"this function has no place for {names}"
            raise ValueError(message)
        return bytes(self.data)


def config_space(described: Function, kind: str | None, trained: State | None, around: Around) -> bytes:
    """The bytes of a function; `kind` is its Device/Port Type, None for a conventional function.

    Raises ValueError for an override of a register that the function cannot have.
    """
    values = _header(described, kind, around)
    if kind is None:
        image = _Image(256, values, described.registers)
        image.registers(0, header.LAYOUTS["type 0"])
        return image.finish()
    values |= _classic(described, kind, trained, around)
    extended = list(_extended(described, trained))
    for _, fields in extended:
        values |= fields
    image = _Image(4096, values, described.registers)
    image.registers(0, header.LAYOUTS["type 1" if kind in _BRIDGES else "type 0"])
    flags = {**values, **described.registers}
    raw = ExpressCapabilities.pack({key: value for key, value in flags.items() if key.register is ExpressCapabilities})
    classic = _with_overridden((function.POWER_MANAGEMENT, express.PCI_EXPRESS), described, extended=False)
    _list(image, CLASSIC_AT, classic, raw)
    added = _with_overridden(tuple(structure for structure, _ in extended), described, extended=True)
    _list(image, EXTENDED_START, added, raw)
    return image.finish()


def _with_overridden(built: tuple[Structure, ...], described: Function, *, extended: bool) -> tuple[Structure, ...]:
    wanted = {wanted.register.structure for wanted in described.registers}
    more = (item for item in STRUCTURES if item in wanted and item not in built and item.extended is extended)
    return (*built, *more)


def _list(image: _Image, at: int, structures: tuple[Structure, ...], flags: int) -> None:
    for index, structure in enumerate(structures):
        end = _rounded_up(at + _size(structure), 4 if structure.extended else _CLASSIC_STEP)
        following = end if index + 1 < len(structures) else 0
        if structure.extended:
            image.put(at, extended_header(structure.id, following), 4)
        else:
            image.put(at, classic_header(structure.id, following), 2)
        image.registers(at, structure.existing(flags))
        at = end


def _size(structure: Structure) -> int:
    """Bytes a structure takes, with sixteen lanes where it repeats by lane."""
    ends = (
        register.offset + (min(register.count, _LANES) - 1) * register.stride + register.size
        for register in structure.registers
    )
    return max(ends)


def _rounded_up(offset: int, step: int) -> int:
    return -(-offset // step) * step


def _header(described: Function, kind: str | None, around: Around) -> Values:
    code = ClassCode.of(described.class_code)
    values: Values = {
        header.VendorId.vendor_id: described.vendor,
        header.DeviceId.device_id: described.device,
        header.Command.interrupt_disable: True,
        header.Command.bus_master_enable: True,
        header.Command.memory_space_enable: True,
        header.Command.io_space_enable: True,
        header.BaseClassCode.base_class_code: code.base,
        header.ClassCode.sub_class_code: code.sub,
        header.ClassCode.programming_interface: code.interface,
    }
    if kind is not None:
        values |= {header.Status.capabilities_list: True, header.CapabilitiesPointer.capabilities_pointer: CLASSIC_AT}
    if kind not in _BRIDGES:
        values[header.SubsystemVendorId.subsystem_vendor_id] = described.subsystem[0]
        values[header.SubsystemId.subsystem_id] = described.subsystem[1]
        return values
    numbers = (
        header.PrimaryBusNumber.primary_bus_number,
        header.SecondaryBusNumber.secondary_bus_number,
        header.SubordinateBusNumber.subordinate_bus_number,
    )
    values |= dict(zip(numbers, around.buses, strict=False))
    values[header.HeaderType.header_layout] = "type 1"
    values[header.BridgeControl.serr_enable] = True  # as firmware leaves it
    return values


def _classic(described: Function, kind: str, trained: State | None, around: Around) -> Values:
    state = described.power_state if described.power_state in _POWER_STATES else "D3hot"
    values: Values = {
        PowerManagementCapabilities.version: 3,
        PowerManagementControlStatus.power_state: state,
        PowerManagementControlStatus.no_soft_reset: True,
        ExpressCapabilities.capability_version: described.version,
        ExpressCapabilities.device_port_type: kind,
        ExpressCapabilities.slot_implemented: around.slot is not None,
        DeviceCapabilities.max_payload_size_supported: described.payload_supported,
        DeviceCapabilities.role_based_error_reporting: True,
        DeviceControl.max_payload_size: described.payload,
        DeviceControl.max_read_request_size: described.read_request,
        DeviceControl.correctable_error_reporting_enable: True,
        DeviceControl.non_fatal_error_reporting_enable: True,
        DeviceControl.fatal_error_reporting_enable: True,
        DeviceControl.unsupported_request_reporting_enable: True,
        SlotCapabilities.physical_slot_number: around.slot or 0,
        SlotCapabilities.hot_plug_capable: around.hot_plug,
        SlotStatus.presence_detect_state: "card present" if around.present else "slot empty",
    }
    return values if described.best is None else values | _link(described, described.best, kind, trained, around)


def _link(described: Function, best: State, kind: str, trained: State | None, around: Around) -> Values:
    is_port = kind in _PORTS
    speeds = described.supported or tuple(speed for speed in SPEED_GTS.values() if speed <= best.speed_gts)
    values: Values = {
        LinkCapabilities.max_link_speed: best.speed_gts,
        LinkCapabilities.maximum_link_width: best.width,
        LinkCapabilities.aspm_support: "L1",
        LinkCapabilities.data_link_layer_link_active_reporting_capable: is_port,
        LinkCapabilities.link_bandwidth_notification_capability: is_port,
        LinkControl.common_clock_configuration: True,
        LinkCapabilities2.supported_link_speeds_vector: speeds,
        LinkControl2.target_link_speed: around.target_gts or best.speed_gts,
    }
    if trained is None:
        return values
    status: Values = {
        LinkStatus.current_link_speed: trained.speed_gts,
        LinkStatus.negotiated_link_width: trained.width,
        LinkStatus.slot_clock_configuration: True,
        LinkStatus.data_link_layer_link_active: is_port,
        LinkStatus2.flit_mode_status: trained.speed_gts >= _FLIT_GTS,
    }
    return values | status | _equalized(physical.EQUALIZATIONS[0], trained)


def _equalized(row: physical.Equalization, trained: State) -> Values:
    """Equalization at a rate is complete where the link trained to that rate or past it."""
    reached = trained.speed_gts >= row.rate_gts
    return dict.fromkeys((row.complete, *row.phases), True) if reached else {}


def _extended(described: Function, trained: State | None) -> Iterator[tuple[Structure, Values]]:
    if described.has_aer:
        severity = errors.UncorrectableErrorSeverity.fields
        yield (
            errors.ADVANCED_ERROR_REPORTING,
            {
                errors.CorrectableErrorMask.advisory_non_fatal_error: True,
                **{bit: True for bit in severity if bit.decode(errors.SEVERITY_DEFAULT)},
            },
        )
    if described.serial is not None:
        lower, upper = serial_halves(described.serial)
        yield (
            function.DEVICE_SERIAL_NUMBER,
            {
                function.SerialNumberLower.serial_number_lower: lower,
                function.SerialNumberUpper.serial_number_upper: upper,
            },
        )
    if described.virtual_functions:
        yield function.SINGLE_ROOT_IO_VIRTUALIZATION, {function.TotalVfs.total_vfs: described.virtual_functions}
    if described.best is None:
        return
    state = trained or State(2.5, 1)
    for gts, structure in _BY_SPEED:
        if described.best.speed_gts >= gts:
            fields: Values = {}
            for row in physical.EQUALIZATIONS:
                if row.complete.register in structure.registers:
                    fields |= _equalized(row, state)
            yield structure, fields
    if described.margining:
        control = margining.MarginingLaneControl
        at_reset: Values = {control.margin_type: "no command or capability access", control.margin_payload: 0x9C}
        yield margining.LANE_MARGINING, {**at_reset, margining.MarginingPortStatus.margining_ready: True}


_BY_SPEED = (
    (8.0, physical.SECONDARY_PCI_EXPRESS),
    (16.0, physical.DATA_LINK_FEATURE),
    (16.0, physical.PHYSICAL_LAYER_16),
    (32.0, physical.PHYSICAL_LAYER_32),
    (64.0, physical.PHYSICAL_LAYER_64),
)
