"""Where a zero is not believed: what kept errors from being counted, and at whom."""

from typing import Any

import pytest
from msgspec.structs import replace

from fake_sysfs import Machine, card, machine, root_port
from probe.errors.coverage import counter_doubts
from probe.evidence import Evidence
from probe.host.machine import read_machine
from probe.links.topology import topology
from probe.registers.device import DeviceControl
from probe.registers.errors import CorrectableErrorMask
from probe.registers.header import BridgeControl
from probe.registers.table_language import Field

PORTS = tuple(f"0000:00:{number:02x}.0" for number in range(1, 6))


def doubts(described: Machine | Evidence) -> list[str]:
    evidence = read_machine(described.build().source()) if isinstance(described, Machine) else described
    found = list(counter_doubts(evidence, topology(evidence)))
    assert {note.subject for note in found} <= {"error counters"}
    return [note.meaning for note in found]


def of(count: int = 1, *, on_port: dict[Any, Any] | None = None, on_card: dict[Any, Any] | None = None) -> Machine:
    return machine(*(
        root_port(at, "8 GT/s x4", registers=on_port or {}).holds(card("8 GT/s x4", registers=on_card or {}))
        for at in PORTS[:count]
    ))  # fmt: skip


def test_a_machine_that_counts_is_believed() -> None:
    assert doubts(of(3)) == []


@pytest.mark.published("Linux include/uapi/linux/pci_regs.h, PCI_ERR_COR_*: bits 0, 6, 7, 8, 12 are those of the lanes")
@pytest.mark.parametrize("field", CorrectableErrorMask.fields, ids=lambda field: field.name)
def test_only_a_mask_of_link_errors_is_a_doubt(field: Field[bool]) -> None:
    found = doubts(of(on_card={field: True}))
    if field.low in {0, 6, 7, 8, 12}:
        assert found == ["link errors are masked and not counted at 0000:01:00.0"]
    else:
        assert found == []


@pytest.mark.parametrize(
    ("count", "who"),
    [
        (1, "0000:01:00.0"),
        (3, "0000:01:00.0, 0000:02:00.0, 0000:03:00.0"),
        (4, "0000:01:00.0, 0000:02:00.0, 0000:03:00.0 and 1 more"),
        (5, "0000:01:00.0, 0000:02:00.0, 0000:03:00.0 and 2 more"),
    ],
)
def test_three_are_named_and_the_rest_counted(count: int, who: str) -> None:
    silent = {DeviceControl.correctable_error_reporting_enable: False}
    assert doubts(of(count, on_card=silent)) == [f"correctable errors are not reported, so not counted, by {who}"]


def test_a_bridge_that_forwards_nothing() -> None:
    closed = of(on_port={BridgeControl.serr_enable: False})
    assert doubts(closed) == ["errors from below are not forwarded, so not counted, by 0000:00:01.0"]


def test_reporting_means_nothing_without_the_capability() -> None:
    silent: dict[Any, Any] = {DeviceControl.correctable_error_reporting_enable: False}
    described = machine(root_port(PORTS[0], "8 GT/s x4").holds(card("8 GT/s x4", has_aer=False, registers=silent)))
    assert doubts(described) == []


def test_a_machine_without_a_root_port_and_one_without_counters() -> None:
    alone = Machine(on_root_bus=(("0000:00:05.0", card("16 GT/s x16")),))
    assert doubts(alone) == [
        "no Root Port is visible (a virtual machine?): errors go to the host and are not counted here"
    ]
    bare = machine(root_port(PORTS[0], "8 GT/s x4", has_aer=False).holds(card("8 GT/s x4", has_aer=False)))
    assert doubts(bare) == ["no function has error counters: the kernel or the platform does not offer them"]
    one = machine(root_port(PORTS[0], "8 GT/s x4", has_aer=False).holds(card("8 GT/s x4")))
    assert doubts(one) == []
    assert doubts(Machine(on_root_bus=(("0000:00:1f.0", card("2.5 GT/s x1", conventional=True)),))) == []


@pytest.mark.published(
    "Linux Documentation/admin-guide/kernel-parameters.txt: pci=noaer, pcie_ports=compat|native|dpc-native"
)
@pytest.mark.parametrize(
    ("line", "word"),
    [("ro pci=noaer quiet", "pci=noaer"), ("pci=nomsi,noaer", "pci=noaer"), ("pcie_ports=compat", "pcie_ports=compat"),
     ("pcie_ports=native", None), ("quiet", None), (None, None)],
)  # fmt: skip
def test_what_the_kernel_was_told(line: str | None, word: str | None) -> None:
    evidence = read_machine(of().build().source())
    found = doubts(replace(evidence, host=replace(evidence.host, command_line=line)))
    assert len(found) == (word is not None)
    assert word is None or word in found[0]
