"""Facts of one function and of one end of a link: decoded values, each with where it was read and what stood there.

May live here: choosing between config space and the kernel's attributes. May not: comparing two ends, judging.
"""

from collections.abc import Iterator
from functools import cached_property
from typing import Generic, Protocol, TypeVar

import msgspec

from probe.address import Address
from probe.evidence import FunctionEvidence, Unread, Why
from probe.kernel_spellings import speed_gts, width_lanes
from probe.registers import express
from probe.registers.function import POWER_CONTROL, POWER_MANAGEMENT
from probe.registers.model import FieldOf, Register, Structure, Value
from probe.registers.space import ALL_ONES, ConfigSpace
from probe.registers.values import SPEED_GTS, speed_of_vector

T = TypeVar("T")

DISPLAY = 0x03
ACCELERATOR = 0x12
BRIDGE = 0x0604
ASLEEP = frozenset({"D1", "D2", "D3hot", "D3cold"})


class Site(Protocol):
    """Where a fact was read."""

    @property
    def source(self) -> str:
        """The register or file."""

    @property
    def shown(self) -> str:
        """What stood there."""


class Written(msgspec.Struct, frozen=True):
    """A site that is told in full: a file, or a state of affairs."""

    source: str
    shown: str


class InRegister(msgspec.Struct, frozen=True):
    """A field of a register; put into words only when somebody asks."""

    address: Address
    offset: int
    bound: FieldOf
    raw: int

    @property
    def source(self) -> str:
        """The register, the function, the offset in its config space."""
        return f"{self.bound.register.name} of {self.address}, offset {self.offset:03x}h"

    @property
    def shown(self) -> str:
        """The field, its value, and the whole register in hexadecimal."""
        field, register = self.bound.field, self.bound.register
        return f"{field.name} {field.text(self.raw)} ({self.raw:0{2 * register.size}x}h)"


class Fact(msgspec.Struct, Generic[T], frozen=True):
    """A value and where it was read."""

    value: T
    site: Site

    @property
    def source(self) -> str:
        """The register or file it was read from."""
        return self.site.source

    @property
    def shown(self) -> str:
        """What stood there."""
        return self.site.shown


def value_of(fact: Fact[T] | None) -> T | None:
    """The value of a fact, None where it was not read."""
    return None if fact is None else fact.value


class FunctionFacts:
    """One function: its evidence and what follows from it alone."""

    def __init__(self, evidence: FunctionEvidence) -> None:
        self.evidence = evidence
        self.address = Address.parse(evidence.address)

    @cached_property
    def space(self) -> ConfigSpace:
        """Its configuration space as far as it was read."""
        return self.evidence.space()

    @cached_property
    def port_type(self) -> str | None:
        """Device/Port Type; None where it was not read or is no PCI Express function."""
        return express.port_type(self.space.express_flags) if self.space.find(express.PCI_EXPRESS) else None

    @cached_property
    def class_code(self) -> int | None:
        """The six-digit class code."""
        text = self.evidence.attributes.get("class")
        if text is not None:
            return int(text, 16)
        word = self.space.word(0x08)
        return None if word is None else word >> 8

    @property
    def vendor(self) -> int | None:
        """Vendor ID."""
        text = self.evidence.attributes.get("vendor")
        return int(text, 16) if text else self.space.raw(0, 2)

    @property
    def is_bridge(self) -> bool:
        """A PCI to PCI bridge by its class, as every PCI Express port is."""
        return self.class_code is not None and self.class_code >> 8 == BRIDGE

    @property
    def is_virtual(self) -> bool:
        """A virtual function, which has no link of its own."""
        return self.evidence.physical_function is not None

    @property
    def computes_or_displays(self) -> bool:
        """A display controller or processing accelerator, whose speed follows its performance state."""
        return self.class_code is not None and self.class_code >> 16 in {DISPLAY, ACCELERATOR}

    @property
    def silent(self) -> bool:
        """Config space reads all ones: nothing answers at this address."""
        first = self.space.word(0)
        failed = self.evidence.why_unread("config")
        return first == ALL_ONES or (failed is not None and failed.why is Why.ALL_ONES)

    @cached_property
    def power_state(self) -> Fact[str] | None:
        """The power state: the kernel's attribute, else runtime suspension, else the PowerState field."""
        attributes = self.evidence.attributes
        state = attributes.get("power_state")
        if state in {"D0", *ASLEEP}:
            return Fact(state, Written(f"power_state of {self.address}", state))
        if attributes.get("power/runtime_status") == "suspended":
            return Fact("suspended", Written(f"power/runtime_status of {self.address}", "suspended"))
        return self.text(POWER_MANAGEMENT, POWER_CONTROL["PowerState"])

    @property
    def asleep(self) -> bool:
        """In a power state below D0, or suspended at run time."""
        state = self.power_state
        suspended = self.evidence.attributes.get("power/runtime_status") == "suspended"
        return suspended or (state is not None and state.value in ASLEEP)

    def register(self, structure: Structure, register: Register) -> int | None:
        """A register's raw value; None also where it reads all ones, which is no answer."""
        raw = self.space.register(structure, register)
        return None if raw is None or raw == (1 << 8 * register.size) - 1 else raw

    def _site(self, structure: Structure, bound: FieldOf) -> InRegister | None:
        raw = self.register(structure, bound.register)
        found = self.space.find(structure)
        if raw is None or found is None:
            return None
        return InRegister(self.address, found.offset + bound.register.offset, bound, raw)

    def _decoded(self, structure: Structure, bound: FieldOf) -> tuple[Value, InRegister] | None:
        site = self._site(structure, bound)
        return None if site is None else (bound.field.meaning.decode(bound.field.raw(site.raw)), site)

    def number(self, structure: Structure, bound: FieldOf) -> Fact[int] | None:
        """A field as the number it stands for (decoded); None where unread or reserved."""
        read = self._decoded(structure, bound)
        if read is None or not isinstance(read[0], int):
            return None
        return Fact(int(read[0]), read[1])

    def speed(self, structure: Structure, bound: FieldOf) -> Fact[float] | None:
        """A speed field in GT/s; None where unread or reserved."""
        read = self._decoded(structure, bound)
        if read is None or not isinstance(read[0], float):
            return None
        return Fact(read[0], read[1])

    def flag(self, structure: Structure, bound: FieldOf) -> Fact[bool] | None:
        """A single bit."""
        site = self._site(structure, bound)
        return None if site is None else Fact(bool(bound.field.raw(site.raw)), site)

    def text(self, structure: Structure, bound: FieldOf) -> Fact[str] | None:
        """A named encoding; None where unread or reserved."""
        read = self._decoded(structure, bound)
        return None if read is None or read[0] is None else Fact(str(read[0]), read[1])

    def express_number(self, bound: FieldOf) -> Fact[int] | None:
        """A number of the PCI Express Capability."""
        return self.number(express.PCI_EXPRESS, bound)

    def express_flag(self, bound: FieldOf) -> Fact[bool] | None:
        """A bit of the PCI Express Capability."""
        return self.flag(express.PCI_EXPRESS, bound)

    def express_text(self, bound: FieldOf) -> Fact[str] | None:
        """A named encoding of the PCI Express Capability."""
        return self.text(express.PCI_EXPRESS, bound)

    def attribute(self, name: str) -> Fact[str] | None:
        """A file of the function's directory."""
        content = self.evidence.attributes.get(name)
        return None if content is None else Fact(content, Written(f"{name} of {self.address}", content or "(empty)"))

    def unread(self) -> Iterator[Unread]:
        """What could not be read of it."""
        yield from self.evidence.unread


def _attribute_speed(function: FunctionFacts, name: str) -> Fact[float] | None:
    fact = function.attribute(name)
    value = None if fact is None else speed_gts(fact.value)
    return None if fact is None or value is None else Fact(value, fact.site)


def _attribute_width(function: FunctionFacts, name: str) -> Fact[int] | None:
    fact = function.attribute(name)
    value = None if fact is None else width_lanes(fact.value)
    return None if fact is None or value is None else Fact(value, fact.site)


def _cxl(function: FunctionFacts, name: str, register: Register) -> tuple[Fact[float] | None, Fact[int] | None]:
    """Speed and width of a link register that a CXL device keeps in an attribute (kernel commit c5eaec79fa43)."""
    fact = function.attribute(name)
    try:
        raw = None if fact is None else int(fact.value, 16)
    except ValueError:
        return None, None
    if fact is None or raw is None:
        return None, None
    speed_name, width_name = (
        ("Max Link Speed", "Maximum Link Width") if register is express.LINK_CAPABILITIES
        else ("Current Link Speed", "Negotiated Link Width")
    )  # fmt: skip
    speed, width = register[speed_name].field, register[width_name].field
    gts, lanes = SPEED_GTS.get(speed.raw(raw)), width.meaning.decode(width.raw(raw))
    return (
        None if gts is None else Fact(gts, Written(fact.source, f"{speed.text(raw)} ({fact.shown}h)")),
        Fact(lanes, Written(fact.source, f"{width.text(raw)} ({fact.shown}h)")) if isinstance(lanes, int) else None,
    )


class LinkEnd(msgspec.Struct, frozen=True):
    """What one end of a link says: the best it can do, and what the link runs at. None is not read."""

    function: FunctionFacts
    best_speed: Fact[float] | None
    best_width: Fact[int] | None
    speed: Fact[float] | None
    width: Fact[int] | None

    @property
    def address(self) -> Address:
        """The function that speaks for this end."""
        return self.function.address

    @property
    def states_its_best(self) -> bool:
        """Both of its own capabilities are known."""
        return self.best_speed is not None and self.best_width is not None


def link_end(function: FunctionFacts) -> LinkEnd:
    """One end, from config space first, from the kernel's attributes where that was not read."""
    best_speed = _best_speed(function)
    best_width = function.express_number(express.LINK_CAPABILITIES["Maximum Link Width"])
    speed = function.speed(express.PCI_EXPRESS, express.LINK_STATUS["Current Link Speed"])
    width = function.express_number(express.LINK_STATUS["Negotiated Link Width"])
    cxl_best = _cxl(function, "rcd_link_cap", express.LINK_CAPABILITIES)
    cxl_now = _cxl(function, "rcd_link_status", express.LINK_STATUS)
    return LinkEnd(
        function,
        best_speed or _attribute_speed(function, "max_link_speed") or cxl_best[0],
        best_width or _attribute_width(function, "max_link_width") or cxl_best[1],
        speed or _attribute_speed(function, "current_link_speed") or cxl_now[0],
        width or _attribute_width(function, "current_link_width") or cxl_now[1],
    )


def _best_speed(function: FunctionFacts) -> Fact[float] | None:
    """The highest bit of the Supported Link Speeds Vector, else Max Link Speed (as kernel pcie_get_speed_cap)."""
    bound = express.LINK_CAPABILITIES_2["Supported Link Speeds Vector"]
    raw = function.register(express.PCI_EXPRESS, bound.register)
    stated = function.speed(express.PCI_EXPRESS, express.LINK_CAPABILITIES["Max Link Speed"])
    speeds = () if raw is None else speed_of_vector(bound.field.raw(raw))
    if not speeds or stated is None:
        return stated
    usable = [speed for speed in speeds if speed <= stated.value]
    if not usable or usable[-1] == stated.value:
        return stated
    vector = function.text(express.PCI_EXPRESS, bound)
    return stated if vector is None else Fact(usable[-1], vector.site)
