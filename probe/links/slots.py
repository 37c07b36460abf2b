"""What the slot of a link is called, by everyone who names it, and which of them agree."""

import re
from collections import Counter
from collections.abc import Iterator, Sequence

import msgspec

from probe.address import Address
from probe.evidence import Evidence, SlotDirectory
from probe.kernel_spellings import ACPI_INDEX, LABEL
from probe.links.function import FunctionFacts
from probe.links.topology import secondary_bus
from probe.registers.slot import SlotCapabilities
from probe.registers.smbios import SystemSlot, decode_slot


class SlotName(msgspec.Struct, frozen=True):
    """One name of a slot and who gives it."""

    source: str
    name: str


class Slot(msgspec.Struct, frozen=True, kw_only=True):
    """Where a link is, by every name found. `title` is what to show first: what is printed on the board, if known.

    `agreement` says which names agree, as a sentence; None where there is nothing to compare.
    """

    title: str | None
    names: tuple[SlotName, ...] = ()
    agreement: str | None = None
    number: int | None = None
    smbios_type: str | None = None
    smbios_lanes: int | None = None
    smbios_usage: str | None = None
    power_limit_w: float | None = None


_RENAMED = re.compile(r"(.+)-[1-9]\d*")  # the kernel makes duplicates unique: drivers/pci/slot.c, make_slot_name
_NUMBER = re.compile(r"\d+")
_DIRECTORY = "slot directory"


def agreement(names: Sequence[SlotName]) -> str | None:
    """Which names agree, as a sentence; None where there is nothing to compare."""
    groups: dict[str, list[SlotName]] = {}
    for item in names:
        groups.setdefault(_key(item.name), []).append(item)
    if len(names) < 2:  # noqa: PLR2004 - one name has nothing to agree with
        return None
    if len(groups) == 1:
        return f"{_sources(names)} agree"
    agreeing = [group for group in groups.values() if len(group) > 1]
    parts = [f"{_sources(group)} agree on {group[0].name}" for group in agreeing]
    parts += [f"{group[0].source} says {group[0].name}" for group in groups.values() if len(group) == 1]
    return "; ".join(parts)


def _sources(names: Sequence[SlotName]) -> str:
    listed = [item.source for item in names]
    return ", ".join(listed[:-1]) + " and " + listed[-1]


def _key(name: str) -> str:
    """What two names have in common when they mean one slot: their last number, else the words."""
    renamed = _RENAMED.fullmatch(name) if name.count("-") == 1 and name[0].isdigit() else None
    numbers = _NUMBER.findall(renamed[1] if renamed else name)
    return str(int(numbers[-1])) if numbers else name.casefold()


class Slots:
    """Finds the slot of a link among the machine's slot directories and SMBIOS records."""

    def __init__(self, evidence: Evidence) -> None:
        self._directories: dict[str, SlotDirectory] = {item.address: item for item in evidence.slots}
        self._directory_names = frozenset(item.name for item in evidence.slots)
        self._named_so = Counter(map(self._as_given, self._directory_names))
        decoded = (decode_slot(bytes.fromhex(raw)) for raw in evidence.smbios_slots)
        self._records = [record for record in decoded if record is not None]

    def of(self, port: FunctionFacts | None, below: tuple[FunctionFacts, ...]) -> Slot | None:
        """The slot of the link between this port and these functions; None where nothing names it."""
        record = self._record(port, below)
        number, power = _slot_number(port), _power_limit(port)
        names = tuple(self._names(port, below, record, number))
        if not names and power is None:
            return None
        return Slot(
            title=self._title(names, number),
            names=names,
            agreement=agreement(names),
            number=number,
            smbios_type=record.type_name if record else None,
            smbios_lanes=record.wired_lanes if record else None,
            smbios_usage=record.usage if record else None,
            power_limit_w=power,
        )

    def _title(self, names: Sequence[SlotName], number: int | None) -> str | None:
        """The first name; a directory's as firmware gave it, but for a number that it gave to several ports."""
        if not names:
            return None
        first = names[0].name
        if names[0].source != _DIRECTORY:
            return first
        given = self._as_given(first)
        if number is not None and given.isdecimal() and self._named_so[given] > 1:
            return str(number)
        renamed = _RENAMED.fullmatch(first)
        return renamed[1] if renamed is not None and renamed[1] == str(number) else given

    def _as_given(self, name: str) -> str:
        """A directory's name without the suffix by which the kernel makes a second one of a name unique."""
        renamed = _RENAMED.fullmatch(name)
        return renamed[1] if renamed is not None and renamed[1] in self._directory_names else name

    def _names(
        self,
        port: FunctionFacts | None,
        below: tuple[FunctionFacts, ...],
        record: SystemSlot | None,
        number: int | None,
    ) -> Iterator[SlotName]:
        if record is not None and record.designation:
            yield SlotName("SMBIOS", record.designation)
        directory = self._directory(port, below)
        if directory is not None:
            yield SlotName(_DIRECTORY, directory.name)
        if number is not None:
            yield SlotName("Slot Capabilities", str(number))
        for function in below[:1]:
            for attribute in (LABEL, ACPI_INDEX):
                text = function.evidence.attributes.get(attribute)
                if text:
                    yield SlotName(attribute, text)
            for source, name in function.evidence.place_names.items():
                yield SlotName(source, name)

    def _directory(self, port: FunctionFacts | None, below: tuple[FunctionFacts, ...]) -> SlotDirectory | None:
        wanted = [below[0].address.without_function] if below else []
        bus = None if port is None else secondary_bus(port)
        if port is not None and bus:
            base = f"{port.address.domain:04x}:{bus:02x}"
            wanted += [f"{base}:00", base]
        return next((self._directories[address] for address in wanted if address in self._directories), None)

    def _record(self, port: FunctionFacts | None, below: tuple[FunctionFacts, ...]) -> SystemSlot | None:
        ends = {function.address for function in below}
        if port is not None:
            ends.add(port.address)
        for record in self._records:
            if record.bus is not None and record_address(record) in ends:
                return record
        for record in self._records:
            if any(Address(p.segment, p.bus, p.device, p.function) in ends for p in record.peers):
                return record
        return None


def record_address(record: SystemSlot) -> Address:
    """The function that a System Slots record names; what it leaves open is zero."""
    return Address(record.segment or 0, record.bus or 0, record.device or 0, record.function or 0)


def _slot_number(port: FunctionFacts | None) -> int | None:
    """The Physical Slot Number; zero means that there is no slot to plug into."""
    fact = None if port is None else port.read(SlotCapabilities.physical_slot_number)
    return None if fact is None or fact.value == 0 else fact.value


_STEP_FROM, _STEP_W = 0xF0, 25
_SCALES = {"x 1 W": 1.0, "x 0.1 W": 0.1, "x 0.01 W": 0.01, "x 0.001 W": 0.001}


def _power_limit(port: FunctionFacts | None) -> float | None:
    if port is None:
        return None
    value = port.read(SlotCapabilities.slot_power_limit_value)
    scale = port.read(SlotCapabilities.slot_power_limit_scale)
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
