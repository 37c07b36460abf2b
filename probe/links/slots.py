"""What the place of a link is called, by everyone who names it, and which of them agree."""

import re
from collections.abc import Iterable

import msgspec

from probe.address import Address
from probe.evidence import Evidence, SlotDirectory
from probe.links.facts import FunctionFacts
from probe.registers import express
from probe.registers.smbios import SystemSlot, decode_slot


class NameOfPlace(msgspec.Struct, frozen=True):
    """One name of a slot and who gives it."""

    source: str
    name: str


class Slot(msgspec.Struct, frozen=True, kw_only=True):
    """Where a link is, by every name found."""

    title: str | None
    names: tuple[NameOfPlace, ...] = ()
    agreement: str | None = None
    number: int | None = None
    smbios_type: str | None = None
    smbios_lanes: int | None = None
    smbios_usage: str | None = None
    power_limit_w: float | None = None


_RENAMED = re.compile(r"(.+)-\d+")  # pci_create_slot makes duplicate names unique with a suffix
_NUMBER = re.compile(r"\d+")


class Named(msgspec.Struct, frozen=True):
    """One name of a place and who gives it."""

    source: str
    name: str


class Place(msgspec.Struct, frozen=True):
    """Every name of a link's place; `smbios` is firmware's record, `power_limit_w` the slot's power limit in watts."""

    names: tuple[Named, ...] = ()
    smbios: SystemSlot | None = None
    number: int | None = None
    power_limit_w: float | None = None

    @property
    def title(self) -> str | None:
        """The name to show first: what is printed on the board, else the slot's own name."""
        return self.names[0].name if self.names else None

    @property
    def agreement(self) -> str | None:
        """Which names agree, as a sentence; None where there is nothing to compare."""
        groups: dict[str, list[Named]] = {}
        for item in self.names:
            groups.setdefault(_key(item.name), []).append(item)
        if len(self.names) < 2:  # noqa: PLR2004 - one name has nothing to agree with
            return None
        if len(groups) == 1:
            return f"{_sources(self.names)} agree"
        agreeing = [group for group in groups.values() if len(group) > 1]
        parts = [f"{_sources(group)} agree on {group[0].name}" for group in agreeing]
        parts += [f"{group[0].source} says {group[0].name}" for group in groups.values() if len(group) == 1]
        return "; ".join(parts)


def _sources(names: Iterable[Named]) -> str:
    listed = [item.source for item in names]
    return ", ".join(listed[:-1]) + " and " + listed[-1]


def _key(name: str) -> str:
    """What two names have in common when they mean one place: their last number, else the words."""
    renamed = _RENAMED.fullmatch(name) if name.count("-") == 1 and name[0].isdigit() else None
    numbers = _NUMBER.findall(renamed[1] if renamed else name)
    return str(int(numbers[-1])) if numbers else name.casefold()


class Places:
    """Finds the place of a link among the machine's slot directories and SMBIOS records."""

    def __init__(self, evidence: Evidence) -> None:
        self._directories: dict[str, SlotDirectory] = {item.address: item for item in evidence.slots}
        decoded = (decode_slot(bytes.fromhex(raw)) for raw in evidence.smbios_slots)
        self._records = [record for record in decoded if record is not None]

    def of(self, port: FunctionFacts | None, below: tuple[FunctionFacts, ...], secondary_bus: int | None) -> Place:
        """Every name known for the link between this port and these functions."""
        record = self._record(port, below)
        names = [Named("SMBIOS", record.designation)] if record is not None and record.designation else []
        directory = self._directory(port, below, secondary_bus)
        if directory is not None:
            names.append(Named("slot directory", directory.name))
        number = _slot_number(port)
        if number is not None:
            names.append(Named("Slot Capabilities", str(number)))
        for function in below[:1]:
            for attribute in ("label", "acpi_index"):
                text = function.evidence.attributes.get(attribute)
                if text:
                    names.append(Named(attribute, text))
            names += [Named(source, name) for source, name in function.evidence.place_names.items()]
        return Place(tuple(names), record, number, _power_limit(port))

    def _directory(
        self, port: FunctionFacts | None, below: tuple[FunctionFacts, ...], secondary_bus: int | None
    ) -> SlotDirectory | None:
        wanted = [below[0].address.place] if below else []
        if port is not None and secondary_bus:
            base = f"{port.address.domain:04x}:{secondary_bus:02x}"
            wanted += [f"{base}:00", base]
        return next((self._directories[place] for place in wanted if place in self._directories), None)

    def _record(self, port: FunctionFacts | None, below: tuple[FunctionFacts, ...]) -> SystemSlot | None:
        ends = {function.address for function in below}
        if port is not None:
            ends.add(port.address)
        for record in self._records:
            if record.bus is not None and _address(record) in ends:
                return record
        for record in self._records:
            if any(Address(p.segment, p.bus, p.device, p.function) in ends for p in record.peers):
                return record
        return None


def _address(record: SystemSlot) -> Address:
    return Address(record.segment or 0, record.bus or 0, record.device or 0, record.function or 0)


def _slot_number(port: FunctionFacts | None) -> int | None:
    """The Physical Slot Number; zero means a place that is no slot to plug into."""
    fact = None if port is None else port.express_number(express.SLOT_CAPABILITIES["Physical Slot Number"])
    return None if fact is None or fact.value == 0 else fact.value


_STEP_FROM, _STEP_W = 0xF0, 25
_SCALES = {"x 1 W": 1.0, "x 0.1 W": 0.1, "x 0.01 W": 0.01, "x 0.001 W": 0.001}


def _power_limit(port: FunctionFacts | None) -> float | None:
    if port is None:
        return None
    value = port.express_number(express.SLOT_CAPABILITIES["Slot Power Limit Value"])
    scale = port.express_text(express.SLOT_CAPABILITIES["Slot Power Limit Scale"])
    if value is None or scale is None or value.value == 0:
        return None
    return slot_power_w(value.value, _SCALES[scale.value])


def slot_power_w(value: int, scale: float) -> float:
    """Slot Power Limit in watts. At scale 1, values from F0h on stand for 250 W in steps of 25 W, up to FEh = 600 W.

    Kernel `drivers/pci/of.c`, of_pci_get_slot_power_limit.
    """
    if scale == 1.0 and value >= _STEP_FROM:
        return 250.0 + _STEP_W * (value - _STEP_FROM)
    return value * scale


def slot_of(place: Place) -> Slot | None:
    """The slot as the document has it; None where nothing names it."""
    if not place.names and place.power_limit_w is None:
        return None
    return Slot(
        title=place.title,
        names=tuple(NameOfPlace(item.source, item.name) for item in place.names),
        agreement=place.agreement,
        number=place.number,
        smbios_type=place.smbios.type_name if place.smbios else None,
        smbios_lanes=place.smbios.wired_lanes if place.smbios else None,
        smbios_usage=place.smbios.usage if place.smbios else None,
        power_limit_w=place.power_limit_w,
    )
