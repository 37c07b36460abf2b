"""What one end of a link says: the best it can do, and what the link runs at."""

from typing import TypeVar

import msgspec

from probe import kernel_spellings as kernel
from probe.address import Address
from probe.links.fact import Fact, Written, value_of
from probe.links.function import FunctionFacts
from probe.links.state import LinkState
from probe.registers.link import LinkCapabilities, LinkCapabilities2, LinkStatus
from probe.registers.table_language import Field

T = TypeVar("T")


class LinkEnd(msgspec.Struct, frozen=True):
    """One end of a link. None is not read; `speeds` are those of its vector, none where it has none or was not read."""

    function: FunctionFacts
    best_speed: Fact[float] | None
    best_width: Fact[int] | None
    speed: Fact[float] | None
    width: Fact[int] | None
    speeds: tuple[float, ...] = ()

    @property
    def address(self) -> Address:
        """The function that speaks for this end."""
        return self.function.address

    @property
    def status_reads_zero(self) -> bool:
        """Link Status was read and holds nothing: no speed, no width (Virtual Functions, Base Specification 9.3.5)."""
        raw = self.function.space.register(LinkStatus)
        if raw is not None:
            return raw == 0
        if self.function.keeps_link_in_memory:
            return False
        return self.function.evidence.attributes.get(kernel.CURRENT_LINK_WIDTH) == "0"

    @property
    def states_its_best(self) -> bool:
        """Both of its own capabilities are known."""
        return self.best_speed is not None and self.best_width is not None

    @property
    def best_not_read(self) -> bool:
        """What it can do was there to be read, and was not: something other than an end that states nothing."""
        files = (kernel.MAX_LINK_SPEED, kernel.MAX_LINK_WIDTH)
        of_this = self.function.evidence
        if self.states_its_best:
            return False
        listed = all(name in of_this.attributes for name in files)
        return any(of_this.why_unread(name) for name in files) or (not listed and bool(of_this.why_unread("config")))


def best_of(end: LinkEnd | None) -> LinkState:
    """What one end can do by its own word."""
    if end is None:
        return LinkState()
    return LinkState(value_of(end.best_speed), value_of(end.best_width))


def link_end(function: FunctionFacts) -> LinkEnd:
    """One end, from config space first, from the kernel's attributes where that was not read."""
    capabilities, status = kernel.CXL_LINK_CAPABILITIES, kernel.CXL_LINK_STATUS
    return LinkEnd(
        function,
        _best_speed(function)
        or _attribute_speed(function, kernel.MAX_LINK_SPEED)
        or _cxl(function, capabilities, LinkCapabilities.max_link_speed),
        function.read(LinkCapabilities.maximum_link_width)
        or _attribute_width(function, kernel.MAX_LINK_WIDTH)
        or _cxl(function, capabilities, LinkCapabilities.maximum_link_width),
        function.read(LinkStatus.current_link_speed)
        or _attribute_speed(function, kernel.CURRENT_LINK_SPEED)
        or _cxl(function, status, LinkStatus.current_link_speed),
        function.read(LinkStatus.negotiated_link_width)
        or _attribute_width(function, kernel.CURRENT_LINK_WIDTH)
        or _cxl(function, status, LinkStatus.negotiated_link_width),
        value_of(function.read(LinkCapabilities2.supported_link_speeds_vector)) or (),
    )


def _best_speed(function: FunctionFacts) -> Fact[float] | None:
    """The highest bit of the Supported Link Speeds Vector, else Max Link Speed (as kernel pcie_get_speed_cap)."""
    stated = function.read(LinkCapabilities.max_link_speed)
    vector = function.read(LinkCapabilities2.supported_link_speeds_vector)
    if stated is None or vector is None:
        return stated
    usable = [speed for speed in vector.value if speed <= stated.value]
    return stated if not usable or usable[-1] == stated.value else Fact(usable[-1], vector.site)


def _attribute_speed(function: FunctionFacts, name: str) -> Fact[float] | None:
    fact = function.attribute(name)
    value = None if fact is None else kernel.speed_gts(fact.value)
    return None if fact is None or value is None else Fact(value, fact.site)


def _attribute_width(function: FunctionFacts, name: str) -> Fact[int] | None:
    fact = function.attribute(name)
    value = None if fact is None else kernel.width_lanes(fact.value)
    return None if fact is None or value is None else Fact(value, fact.site)


def _cxl(function: FunctionFacts, name: str, field: Field[T]) -> Fact[T] | None:
    """A field of a link register that a CXL device keeps in an attribute (kernel commit c5eaec79fa43)."""
    fact = function.attribute(name)
    raw = None if fact is None else kernel.number(fact.value)
    value = None if raw is None else field.decode(raw)
    if fact is None or raw is None or value is None:
        return None
    return Fact(value, Written(fact.source, f"{field.text(raw)} ({fact.shown}h)"))
