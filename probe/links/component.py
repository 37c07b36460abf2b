"""What sits below a port: its names and numbers."""

import msgspec

from probe.evidence import Names
from probe.links.facts import FunctionFacts
from probe.registers.function import DEVICE_SERIAL_NUMBER, SERIAL_HIGH, SERIAL_LOW


class Component(msgspec.Struct, frozen=True, kw_only=True):
    """What sits below the port."""

    names: Names
    vendor_id: str | None = None
    device_id: str | None = None
    class_code: str | None = None
    subsystem_id: str | None = None
    serial: str | None = None
    driver: str | None = None
    numa_node: int | None = None
    iommu_group: str | None = None
    power_state: str | None = None
    functions: tuple[str, ...] = ()


def component_of(functions: tuple[FunctionFacts, ...]) -> Component | None:
    """The component that these functions are; None for none."""
    if not functions:
        return None
    first = functions[0]
    attributes = first.evidence.attributes
    node = attributes.get("numa_node", "")
    device = first.space.raw(2, 2)
    vendor_id = attributes.get("vendor") or (None if first.vendor is None else f"{first.vendor:#06x}")
    return Component(
        names=first.evidence.names,
        vendor_id=vendor_id,
        device_id=attributes.get("device") or (None if device is None else f"{device:#06x}"),
        class_code=None if first.class_code is None else f"{first.class_code:#08x}",
        subsystem_id=_subsystem(attributes),
        serial=serial_number(first),
        driver=first.evidence.driver,
        numa_node=int(node) if node.isdecimal() else None,
        iommu_group=first.evidence.iommu_group,
        power_state=None if first.power_state is None else first.power_state.value,
        functions=tuple(str(function.address) for function in functions),
    )


def _subsystem(attributes: dict[str, str]) -> str | None:
    vendor, device = attributes.get("subsystem_vendor"), attributes.get("subsystem_device")
    return f"{vendor}:{device}" if vendor and device else None


def serial_number(function: FunctionFacts) -> str | None:
    """The Device Serial Number, high byte first, as the kernel prints it; None where it has none or was not read."""
    low = function.space.register(DEVICE_SERIAL_NUMBER, SERIAL_LOW)
    high = function.space.register(DEVICE_SERIAL_NUMBER, SERIAL_HIGH)
    if low is None or high is None:
        return function.evidence.attributes.get("serial_number")
    return (high << 32 | low).to_bytes(8, "big").hex("-")
