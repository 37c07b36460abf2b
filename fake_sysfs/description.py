"""The words a machine is described in. Everything is frozen; a change makes a new description."""

import re
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple, Self

from probe.registers.table_language import Field

_STATE = re.compile(r"([\d.]+) GT/s x(\d+)")


class State(NamedTuple):
    """A speed in GT/s and a width in lanes."""

    speed_gts: float
    width: int

    @classmethod
    def parse(cls, text: str) -> Self:
        """Read `16 GT/s x4`. Raises ValueError for anything else."""
        match = _STATE.fullmatch(text)
        if match is None:
            message = f"not a link state: {text!r}"
            raise ValueError(message)
        return cls(float(match[1]), int(match[2]))


@dataclass(frozen=True, kw_only=True, slots=True)
class Function:
    """One function. `registers` overrides any field, `attributes` any file (None takes it away)."""

    vendor: int = 0x1234
    device: int = 0x0001
    class_code: int = 0x010802
    subsystem: tuple[int, int] = (0x1234, 0x0001)
    best: State | None = None
    supported: tuple[float, ...] | None = None
    number: int = 0
    version: int = 2
    conventional: bool = False
    integrated: bool = False
    serial: int | None = None
    payload: int = 256
    payload_supported: int = 512
    read_request: int = 512
    power_state: str = "D0"
    driver: str | None = None
    numa_node: int = 0
    counters: dict[str, dict[str, int]] = field(default_factory=dict)
    root_totals: dict[str, int] = field(default_factory=dict)
    registers: dict[Field[Any], Any] = field(default_factory=dict)
    attributes: dict[str, str | None] = field(default_factory=dict)
    virtual_functions: int = 0
    has_aer: bool = True
    margining: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Component:
    """What sits below a port: a card of one or more functions, or a switch with ports of its own."""

    functions: tuple[Function, ...]
    trained: State | None = None
    ports: tuple["Port", ...] = ()

    def also(self, **changes: Any) -> "Component":
        """The same component with one more function."""
        following = replace(self.functions[0], **({"number": len(self.functions), "serial": None} | changes))
        return replace(self, functions=(*self.functions, following))


@dataclass(frozen=True, kw_only=True, slots=True)
class Port:
    """A Root Port (it has an address) or a Downstream Port of a Switch, and what it holds."""

    function: Function
    address: str | None = None
    slot: int | None = None
    slot_name: str | None = None
    hot_plug: bool = False
    below: Component | None = None
    target_gts: float | None = None
    trained: State | None = None

    def holds(self, component: Component) -> "Port":
        """The same port with something in it."""
        return replace(self, below=component)


@dataclass(frozen=True, kw_only=True, slots=True)
class SlotRecord:
    """A System Slots record of SMBIOS for the port at `address` (of the function below, as firmware writes it)."""

    designation: str
    type_code: int
    width_code: int
    address: str
    id: int = 0
    usage: int = 4
    peers: tuple[tuple[str, int], ...] = ()
    base_lanes: int = 0


_PORT_FIELDS = frozenset({"slot", "slot_name", "hot_plug", "target_gts", "trained"})


def port(best: str, **changes: Any) -> Port:
    """A port with this capability; further arguments are fields of Port or of its Function."""
    own = {name: changes.pop(name) for name in list(changes) if name in _PORT_FIELDS}
    if isinstance(own.get("trained"), str):
        own["trained"] = State.parse(own["trained"])
    defaults: dict[str, Any] = {"class_code": 0x060400, "device": 0x1000, "driver": "pcieport"}
    function = Function(best=State.parse(best), **(defaults | changes))
    return Port(function=function, **own)


def root_port(address: str, best: str, **changes: Any) -> Port:
    """A Root Port at an address."""
    return replace(port(best, **changes), address=address)


def card(best: str, *, trained: str | None = None, **changes: Any) -> Component:
    """A card of one function, trained to its best with the port unless `trained` says otherwise."""
    state = None if trained is None else State.parse(trained)
    return Component(functions=(Function(best=State.parse(best), **changes),), trained=state)


def switch(best: str, *ports: Port, trained: str | None = None, **changes: Any) -> Component:
    """A switch: an Upstream Port with this capability and the given Downstream Ports."""
    defaults: dict[str, Any] = {"class_code": 0x060400, "device": 0x2000, "driver": "pcieport"}
    return replace(card(best, trained=trained, **(defaults | changes)), ports=ports)
