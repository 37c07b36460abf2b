"""Facts of one function: decoded values, each with where it was read and what stood there.

May live here: choosing between config space and the kernel's attributes. May not: a second function, judging.
"""

from collections.abc import Iterator
from functools import cached_property
from typing import Any, TypeVar

from probe import kernel_spellings as kernel
from probe.address import Address
from probe.evidence import FunctionEvidence, Unread, Why
from probe.links.fact import Fact, InRegister, Written
from probe.registers import express
from probe.registers.class_code import ACCELERATOR, BRIDGE_TO_PCI, DISPLAY, ClassCode
from probe.registers.function import PowerManagementControlStatus
from probe.registers.header import DeviceId, VendorId
from probe.registers.space import ConfigSpace
from probe.registers.table_language import Field

T = TypeVar("T")


class FunctionFacts:
    """One function: its evidence and what follows from it alone."""

    def __init__(self, evidence: FunctionEvidence) -> None:
        self.evidence = evidence
        self.address = Address.parse(evidence.address)
        self._facts: dict[tuple[Field[Any], int], Fact[Any] | None] = {}

    @cached_property
    def space(self) -> ConfigSpace:
        """Its configuration space as far as it was read."""
        return self.evidence.space()

    def read(self, field: Field[T], index: int = 0) -> Fact[T] | None:
        """A field of a register (of its repetition `index`); None where unread, reserved or not there."""
        key = (field, index)
        if key not in self._facts:
            self._facts[key] = self._decoded(field, index)
        return self._facts[key]

    def _decoded(self, field: Field[T], index: int) -> Fact[T] | None:
        found = self.space.place(field.register, index)
        if found is None:
            return None
        offset, raw = found
        value = field.decode(raw)
        return None if value is None else Fact(value, InRegister(self.address, offset, field, raw))

    def attribute(self, name: str) -> Fact[str] | None:
        """A file of the function's directory."""
        content = self.evidence.attributes.get(name)
        return None if content is None else Fact(content, Written(f"{name} of {self.address}", content or "(empty)"))

    def unread(self) -> Iterator[Unread]:
        """What could not be read of it."""
        yield from self.evidence.unread

    @cached_property
    def port_type(self) -> str | None:
        """Device/Port Type; None where it was not read or is no PCI Express function."""
        return express.port_type(self.space.express_flags) if self.space.find(express.PCI_EXPRESS) else None

    @cached_property
    def class_code(self) -> ClassCode | None:
        """Base class, sub-class and programming interface; None where not read."""
        number = self._number(kernel.CLASS)
        return self.space.class_code if number is None else ClassCode.of(number)

    @cached_property
    def vendor(self) -> int | None:
        """Vendor ID."""
        number = self._number(kernel.VENDOR)
        return self.space.value(VendorId.vendor_id) if number is None else number

    @cached_property
    def device(self) -> int | None:
        """Device ID."""
        number = self._number(kernel.DEVICE)
        return self.space.value(DeviceId.device_id) if number is None else number

    def _number(self, name: str) -> int | None:
        text = self.evidence.attributes.get(name)
        return None if text is None else kernel.number(text)

    @cached_property
    def is_bridge(self) -> bool:
        """A PCI to PCI bridge, as every PCI Express port is: by its class, or else by the kernel's files.

        The kernel gives the numbers of the buses below for bridges alone: Linux, drivers/pci/pci-sysfs.c,
        `pci_bridge_attrs_are_visible`.
        """
        if self.class_code is None:
            return kernel.SECONDARY_BUS_NUMBER in self._listed
        return self.class_code.kind == BRIDGE_TO_PCI

    @property
    def mute(self) -> bool:
        """Listed, and nothing else of it was read: what it is, is not known."""
        return not self.evidence.attributes and not self.evidence.config

    @cached_property
    def has_link_files(self) -> bool:
        """The kernel lists link files for it: read or not, as those of a sleeping function are."""
        return kernel.MAX_LINK_SPEED in self._listed or kernel.CXL_LINK_CAPABILITIES in self._listed

    @cached_property
    def _listed(self) -> frozenset[str]:
        """The files of the function that were there, read or not."""
        return frozenset([*self.evidence.attributes, *(item.path.rsplit("/", 1)[-1] for item in self.unread())])

    @property
    def keeps_link_in_memory(self) -> bool:
        """A CXL 1.1 device: an integrated endpoint by its register, whose link registers are mapped to memory.

        CXL 3.1, 8.2.1 (from memory); the kernel gives them as files of the device.
        """
        return kernel.CXL_LINK_CAPABILITIES in self.evidence.attributes or bool(
            self.evidence.why_unread(kernel.CXL_LINK_CAPABILITIES)
        )

    @property
    def is_virtual(self) -> bool:
        """A virtual function, which has no link of its own."""
        return self.evidence.physical_function is not None

    @property
    def computes_or_displays(self) -> bool:
        """A display controller or processing accelerator, whose speed follows its performance state."""
        return self.class_code is not None and self.class_code.base in {DISPLAY, ACCELERATOR}

    @property
    def capabilities_read(self) -> bool:
        """Both lists of capabilities were read to their end, so that one not met is not there."""
        evidence = self.evidence
        whole = bool(evidence.config) and evidence.config_end is None and evidence.why_unread("config") is None
        return whole and self.space.capabilities.to_the_end

    @property
    def silent(self) -> bool:
        """Config space reads all ones: nothing answers at this address."""
        failed = self.evidence.why_unread("config")
        return self.space.silent or (failed is not None and failed.why is Why.ALL_ONES)

    @property
    def hung(self) -> Unread | None:
        """The read of its configuration space, or of all of it, that did not end; None where none did not."""
        return next(
            (item for item in self.unread() if item.why is Why.HUNG and (self.mute or item.path.endswith("/config"))),
            None,
        )

    @cached_property
    def power_state(self) -> Fact[str] | None:
        """The power state: the kernel's attribute, runtime suspension where that says D0, else the PowerState field."""
        state = self.attribute(kernel.POWER_STATE)
        if state is not None and state.value in kernel.ASLEEP:
            return state
        runtime = self.attribute(kernel.RUNTIME_STATUS)
        if runtime is not None and runtime.value == kernel.SUSPENDED:
            return runtime
        if state is not None and state.value in kernel.POWER_STATES:
            return state
        return self.read(PowerManagementControlStatus.power_state)

    @property
    def asleep(self) -> bool:
        """In a power state below D0, or suspended at run time."""
        state = self.power_state
        return kernel.sleeps(self.evidence.attributes) or (state is not None and state.value in kernel.ASLEEP)
