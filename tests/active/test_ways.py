"""Which means the kernel's offers allow for each way, and which are refused."""

import pytest

from fake_sysfs import Component, Function, Machine, State, card, machine, root_port
from probe.active.guard import Effect
from probe.active.target import Target, targets
from probe.active.ways import ByFunction, ByPort, ByRetrain, BySlot, Way, effect_of, means
from probe.exceptions import InputError
from probe.host.machine import read_machine
from probe.host.resets import Resets

PORT, COMPONENT = "0000:00:01.0", "0000:01:00.0"
BY_PORT = ByPort(f"bus/pci/devices/{PORT}/reset_subordinate")
BY_BUS = ByFunction(f"bus/pci/devices/{COMPONENT}/reset", "bus", "flr bus")
METHODS: dict[str, tuple[str, ...]] = {COMPONENT: ("flr", "bus")}


def target(described: Machine | None = None) -> Target:
    made = described or machine(root_port(PORT, "8 GT/s x4", slot=3).holds(card("8 GT/s x4")))
    return targets(read_machine(made.build().source()), [PORT])[0]


TWO = machine(
    root_port(PORT, "8 GT/s x4", slot=3).holds(
        Component(functions=(Function(best=State(8.0, 4)), Function(best=State(8.0, 4), number=1)))
    )
)


@pytest.mark.parametrize(
    ("resets", "expected"),
    [
        (Resets(subordinate=True, methods=METHODS), BY_PORT),
        (Resets(subordinate=True, methods=METHODS, hot_plug_driver="pciehp", ignores_resets=True), BY_PORT),
        (Resets(subordinate=True, methods=METHODS, hot_plug_driver="pciehp", ignores_resets=False), BY_BUS),
        (Resets(subordinate=True, methods=METHODS, hot_plug_driver="pciehp", ignores_resets=None), BY_BUS),
        (Resets(methods=METHODS), BY_BUS),
        (Resets(methods={COMPONENT: ("bus",)}), ByFunction(BY_BUS.path, "bus")),
    ],
)
def test_a_bus_reset(resets: Resets, expected: object) -> None:
    assert means(Way.BUS_RESET, target(), resets) == expected


@pytest.mark.parametrize(
    ("described", "resets", "why"),
    [
        (None, Resets(), "no reset_subordinate"),
        (None, Resets(methods={COMPONENT: ("flr", "pm")}), "has no reset by bus of its own"),
        (TWO, Resets(methods=METHODS), "where 2 are below"),
        (TWO, Resets(subordinate=True, hot_plug_driver="pciehp", ignores_resets=False), "would remove the device"),
        (TWO, Resets(subordinate=True, hot_plug_driver="pciehp", ignores_resets=None), "would remove the device"),
    ],
)
def test_a_bus_reset_that_would_lose_the_device_is_refused(described: Machine | None, resets: Resets, why: str) -> None:
    with pytest.raises(InputError, match=why):
        means(Way.BUS_RESET, target(described), resets)


def test_slot_power_and_function_reset() -> None:
    assert means(Way.SLOT_POWER, target(), Resets()) == BySlot("bus/pci/slots/3/power")
    with pytest.raises(InputError, match="no slot whose power"):
        means(Way.SLOT_POWER, target(machine(root_port(PORT, "8 GT/s x4").holds(card("8 GT/s x4")))), Resets())
    assert means(Way.FUNCTION_RESET, target(), Resets(methods=METHODS)) == ByFunction(BY_BUS.path, "flr")
    with pytest.raises(InputError, match="no way to reset it"):
        means(Way.FUNCTION_RESET, target(), Resets())


@pytest.mark.parametrize(
    ("chosen", "effect"),
    [
        (ByRetrain(), Effect.RETRAINS),
        (BY_PORT, Effect.LINK_DOWN),
        (BY_BUS, Effect.LINK_DOWN),
        (ByFunction("x", "acpi"), Effect.LINK_DOWN),
        (ByFunction("x", "flr"), Effect.RESETS_FUNCTION),
        (ByFunction("x", "pm"), Effect.RESETS_FUNCTION),
        (BySlot("x"), Effect.POWER_OFF),
    ],
)
def test_what_each_does_to_the_link(chosen: ByRetrain | ByPort | ByFunction | BySlot, effect: Effect) -> None:
    assert effect_of(chosen) is effect
