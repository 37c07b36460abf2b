"""What sits below a port: its names and numbers."""

import msgspec
from msgspec.structs import replace

from probe.evidence import Names
from probe.kernel_spellings import DEVICE, NUMA_NODE, SERIAL_NUMBER, SUBSYSTEM_DEVICE, SUBSYSTEM_VENDOR, VENDOR
from probe.links.fact import value_of
from probe.links.function import FunctionFacts
from probe.registers.class_words import class_words
from probe.registers.function import SerialNumberLower, SerialNumberUpper, serial_text


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
    node = attributes.get(NUMA_NODE, "")
    vendor_id = attributes.get(VENDOR) or (None if first.vendor is None else f"{first.vendor:#06x}")
    return Component(
        names=_names(first),
        vendor_id=vendor_id,
        device_id=attributes.get(DEVICE) or (None if first.device is None else f"{first.device:#06x}"),
        class_code=None if first.class_code is None else f"{int(first.class_code):#08x}",
        subsystem_id=_subsystem(attributes),
        serial=serial_number(first),
        driver=first.evidence.driver,
        numa_node=int(node) if node.isdecimal() else None,
        iommu_group=first.evidence.iommu_group,
        power_state=value_of(first.power_state),
        functions=tuple(str(function.address) for function in functions),
    )


def _names(function: FunctionFacts) -> Names:
    """The names of the hardware database, with the kind by the class code where it has none."""
    names = function.evidence.names
    if names.kind is not None or function.class_code is None:
        return names
    return replace(names, kind=class_words(function.class_code))


def _subsystem(attributes: dict[str, str]) -> str | None:
    vendor, device = attributes.get(SUBSYSTEM_VENDOR), attributes.get(SUBSYSTEM_DEVICE)
    return f"{vendor}:{device}" if vendor and device else None


def serial_number(function: FunctionFacts) -> str | None:
    """The Device Serial Number, high byte first, as the kernel prints it; None where it has none or was not read."""
    lower = function.space.value(SerialNumberLower.serial_number_lower)
    upper = function.space.value(SerialNumberUpper.serial_number_upper)
    if lower is None or upper is None:
        return function.evidence.attributes.get(SERIAL_NUMBER)
    return serial_text(lower, upper)
