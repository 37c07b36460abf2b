"""The ways to make a link train, and for each link the means that the kernel offers for the way that was chosen.

May live here: which means may be used, and why others may not. May not: carrying them out. Never among them: the
bridge's own reset bit and Link Disable, after which nobody restores what is below.
"""

from enum import StrEnum

import msgspec

from probe.active.guard import Effect
from probe.active.target import Target
from probe.exceptions import InputError
from probe.host.resets import Resets
from probe.registers.link import LinkControl2

_BUS = "bus"
_LOSES_THE_LINK = frozenset({"bus", "cxl_bus", "acpi", "device_specific"})  # the last two: nobody says what they do


class Way(StrEnum):
    """How a training is asked for."""

    RETRAIN = "retrain"
    BUS_RESET = "bus-reset"
    SLOT_POWER = "slot-power"
    FUNCTION_RESET = "function-reset"


class ByRetrain(msgspec.Struct, frozen=True):
    """The Retrain Link bit of the port."""


class ByPort(msgspec.Struct, frozen=True):
    """The port's `reset_subordinate`: the kernel saves, resets and restores everything below."""

    path: str


class ByFunction(msgspec.Struct, frozen=True):
    """A function's `reset`, by `method`; where it has to be chosen first, `instead_of` is what reset_method holds."""

    path: str
    method: str
    instead_of: str | None = None


class BySlot(msgspec.Struct, frozen=True):
    """The slot's `power`, off and on."""

    path: str


class ByTarget(msgspec.Struct, frozen=True):
    """Target Link Speed of the port, then a retrain."""


class ByThermal(msgspec.Struct, frozen=True):
    """The kernel's cooling device of the port; state 0 is the port's best speed, whose code is `most`."""

    path: str
    most: int


Means = ByRetrain | ByPort | ByFunction | BySlot
SpeedMeans = ByTarget | ByThermal


def means(way: Way, target: Target, resets: Resets) -> Means:
    """How this way is gone at this link. Raises InputError where the kernel offers no safe one."""
    match way:
        case Way.RETRAIN:
            return ByRetrain()
        case Way.BUS_RESET:
            return _bus_reset(target, resets)
        case Way.SLOT_POWER:
            return _slot_power(target)
        case Way.FUNCTION_RESET:
            return _function_reset(target, resets)


def speed_means(target: Target) -> SpeedMeans:
    """The kernel's cooling device where the port has one; else its Target Link Speed. Raises InputError."""
    cooling = target.cooling
    if cooling is not None and cooling.max_state.isdecimal():
        # drivers/thermal/pcie_cooling.c: state 0 is the port's best speed, the last state 2.5 GT/s, whose code is 1.
        return ByThermal(f"class/thermal/{cooling.name}/cur_state", int(cooling.max_state) + 1)
    if target.port.space.register(LinkControl2) is None:
        what = "has no Target Link Speed (PCI Express Capability before version 2), or it could not be read"
        raise InputError(what, where=str(target.port.address), remedy="use linkprobe train")
    return ByTarget()


def effect_of(chosen: Means) -> Effect:
    """What these means do to the link."""
    match chosen:
        case ByRetrain():
            return Effect.RETRAINS
        case ByPort():
            return Effect.LINK_DOWN
        case ByFunction(method=method):
            return Effect.LINK_DOWN if method in _LOSES_THE_LINK else Effect.RESETS_FUNCTION
        case BySlot():
            return Effect.POWER_OFF


def _bus_reset(target: Target, resets: Resets) -> Means:
    port, component = str(target.port.address), str(target.component.address)
    watched = resets.hot_plug_driver is not None
    if resets.subordinate and (not watched or resets.ignores_resets):
        return ByPort(_function_file(port, "reset_subordinate"))
    alone = len(target.below) == 1
    if alone and _BUS in resets.methods.get(component, ()):
        held = " ".join(resets.methods[component])
        return ByFunction(_function_file(component, "reset"), _BUS, None if held == _BUS else held)
    if resets.subordinate:
        what = "this kernel's hot-plug driver would remove the device in the middle of the reset"
    else:
        what = "the kernel offers no reset of this bus (no reset_subordinate)"
    instead = (
        f"and {component} has no reset by bus of its own" if alone
        else f"and a reset by one function is not offered where {len(target.below)} are below"
    )  # fmt: skip
    raise InputError(f"{what}, {instead}", where=port, remedy="use --way retrain, or a newer kernel")


def _slot_power(target: Target) -> Means:
    if len(target.slots) != 1:
        what = (
            "has no slot whose power the kernel can switch" if not target.slots else "has several slots by its address"
        )
        raise InputError(what, where=str(target.port.address), remedy="use --way retrain or bus-reset")
    return BySlot(f"bus/pci/slots/{target.slots[0].name}/power")


def _function_reset(target: Target, resets: Resets) -> Means:
    component = str(target.component.address)
    methods = resets.methods.get(component)
    if not methods:
        raise InputError("the kernel knows no way to reset it", where=component, remedy="use --way retrain")
    return ByFunction(_function_file(component, "reset"), methods[0])


def _function_file(address: str, name: str) -> str:
    return f"bus/pci/devices/{address}/{name}"
