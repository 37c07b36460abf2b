"""The demonstration machine: the correlator node of Karrow Fen, a radio observatory that does not exist.

Two sockets and a switch. Faults on purpose, each a named constant for the tests: see the *_AT addresses below.
"""

from collections.abc import Iterator
from typing import Any

from fake_sysfs.build import Machine
from fake_sysfs.description import Port, SlotRecord, card, port, root_port, switch
from probe.registers.link import LinkStatus2
from probe.registers.physical import LaneErrorStatus, Status16, Status32

KARROW = 0x1D7B
"""The vendor id of the observatory's own workshop; the tree carries a `pci.ids` that names it."""

IDS = b"""\
1d7b  Karrow Fen Workshop
\t0010  Root Port, socket A
\t0011  Root Port, socket B
\t0020  Lane switch, Upstream Port
\t0021  Lane switch, Downstream Port
\t0100  Antenna sampler, 8 inputs
\t0101  Antenna sampler, 16 inputs
\t0110  Correlation engine
\t0111  Correlation engine, sound of the sky
\t0120  Array link adapter, 2 ports
\t0130  Visibility store, 4 TB
\t0131  Visibility store, 8 TB
\t0140  Maser clock interface
\t0150  Control room display
\t0160  Array link adapter, virtual function
\t0170  Site management controller
C 01  Mass storage controller
\t08  Non-Volatile memory controller
C 02  Network controller
\t00  Ethernet controller
C 03  Display controller
\t00  VGA compatible controller
C 06  Bridge
\t00  Host bridge
\t04  PCI bridge
C 0b  Processor
C 08  Generic system peripheral
\t80  System peripheral
C 11  Signal processing controller
\t80  Signal processing controller
C 12  Processing accelerators
\t00  Processing accelerators
"""

SPEED_FAULT_AT = "0000:02:00.0"
WIDTH_FAULT_AT = "0000:01:00.0"
CAPPED_AT = "0000:03:00.0"
NARROW_SLOT_AT = "0000:04:00.0"
EMPTY_SLOT_AT = "0000:00:05.0"
RESTING_AT = "0000:82:00.0"
LANE_ERROR_AT = "0000:81:00.0"
HIDDEN_FUNCTION_0_AT = "0000:84:00.1"
VIRTUAL_FUNCTIONS_AT = "0000:83:00.0"

PLANTED = {
    SPEED_FAULT_AT: "downtrained", WIDTH_FAULT_AT: "downtrained", CAPPED_AT: "capped", NARROW_SLOT_AT: "limited",
    EMPTY_SLOT_AT: "empty", RESTING_AT: "resting", LANE_ERROR_AT: "full", HIDDEN_FUNCTION_0_AT: "full",
    VIRTUAL_FUNCTIONS_AT: "full",
}  # fmt: skip
"""The verdict that each of them must get."""

_STORE, _NETWORK, _DISPLAY, _SIGNAL, _ACCELERATOR = 0x010802, 0x020000, 0x030000, 0x118000, 0x120000


def correlator() -> Machine:
    """The machine, faults and all."""
    return _machine(hours=0)


def correlator_after_load() -> Machine:
    """The machine after two hours under load: the resting engine woke, errors came in B6, slot 21 lost two lanes."""
    return _machine(hours=2)


def _machine(*, hours: int) -> Machine:
    return Machine(
        ports=(*_socket_a(loaded=bool(hours)), *_socket_b(loaded=bool(hours))),
        on_root_bus=(
            ("0000:00:00.0", card("2.5 GT/s x1", vendor=KARROW, device=0x0001, class_code=0x060000, conventional=True)),
            ("0000:00:1f.0", card("2.5 GT/s x1", vendor=KARROW, device=0x0170, class_code=0x088000, integrated=True)),
        ),
        smbios_slots=_SLOTS,
        cooling=(("0000:00:03.0", 2, 4), ("0000:00:01.0", 0, 4)),
        log=tuple(_LOG),
        ids=IDS,
        name="correlator-07",
        kernel="6.14.2",
        uptime_s=518_400.0 + 3600 * hours,
        boot_id="6b1c0f5e-5d0e-4c55-9d6a-2f7f0a4b7c07",
        firmware={
            "sys_vendor": "Karrow Fen Workshop", "product_name": "Correlator node", "board_name": "Twin socket board 2",
            "bios_vendor": "Karrow Fen Workshop", "bios_version": "2.4", "bios_date": "03/17/2026",
        },
    )  # fmt: skip


def _root(address: str, best: str, slot: int | None, device: int, **changes: Any) -> Port:
    return root_port(address, best, slot=slot, vendor=KARROW, device=device, **changes)


def _socket_a(*, loaded: bool) -> Iterator[Port]:
    sampler: dict[str, Any] = {"vendor": KARROW, "class_code": _SIGNAL, "driver": "sampler", "payload_supported": 512}
    yield _root("0000:00:01.0", "16 GT/s x16", 1, 0x0010).holds(
        card("16 GT/s x16", trained="16 GT/s x8", device=0x0101, serial=0x4B46_0000_0000_1601, **sampler)
    )
    yield _root("0000:00:02.0", "16 GT/s x8", 2, 0x0010).holds(
        card("16 GT/s x8", trained="8 GT/s x8", device=0x0100, serial=0x4B46_0000_0000_0802, **sampler)
    )
    yield _root("0000:00:03.0", "16 GT/s x8", 3, 0x0010, target_gts=5.0).holds(
        card("16 GT/s x8", trained="5 GT/s x8", device=0x0100, serial=0x4B46_0000_0000_0803, **sampler)
    )
    yield _root("0000:00:04.0", "8 GT/s x4", 4, 0x0010).holds(
        card("16 GT/s x8", device=0x0100, serial=0x4B46_0000_0000_0804, **sampler)
    )
    yield _root("0000:00:05.0", "16 GT/s x8", 5, 0x0010)
    narrowed = [None, "16 GT/s x2" if loaded else None, None, None, None]
    store: dict[str, Any] = {"vendor": KARROW, "class_code": _STORE, "driver": "nvme"}
    bays = [
        port("16 GT/s x4", slot=20 + bay, vendor=KARROW, device=0x0021, hot_plug=True).holds(
            card("16 GT/s x4", device=device, trained=narrowed[bay], serial=0x4B46_0000_0001_0000 + bay, **store)
        )
        for bay, device in enumerate((0x0131, 0x0131, 0x0131, 0x0131, 0x0130))
    ]
    bays.append(port("16 GT/s x4", slot=25, vendor=KARROW, device=0x0021, hot_plug=True))
    yield _root("0000:00:06.0", "16 GT/s x16", None, 0x0010).holds(
        switch("16 GT/s x16", *bays, vendor=KARROW, device=0x0020)
    )
    yield _root("0000:00:07.0", "5 GT/s x1", None, 0x0010).holds(
        card("5 GT/s x1", vendor=KARROW, device=0x0140, class_code=_SIGNAL, driver="maser")
    )


def _socket_b(*, loaded: bool) -> Iterator[Port]:
    far: dict[str, Any] = {"vendor": KARROW, "numa_node": 1}
    engine = card(
        "32 GT/s x16", device=0x0110, class_code=_ACCELERATOR, driver="correlate", serial=0x4B46_0000_0000_3201, **far,
        counters={"correctable": {"Receiver Error": 61 if loaded else 3}},
        registers={LaneErrorStatus.lanes: (9,)},
    )  # fmt: skip
    yield _root("0000:80:01.0", "32 GT/s x16", 6, 0x0011, numa_node=1).holds(engine)
    trained_once = {LinkStatus2.equalization_8_complete: True, Status16.equalization_complete: True,
                    Status32.equalization_complete: True}  # fmt: skip
    state, busy = (None, "93") if loaded else ("2.5 GT/s x16", "0")
    resting = card(
        "32 GT/s x16", trained=state, device=0x0110, class_code=_ACCELERATOR, driver="correlate",
        serial=0x4B46_0000_0000_3202, **far, attributes={"gpu_busy_percent": busy, "power/control": "auto"},
        registers=trained_once,
    ).also(registers={}, device=0x0111, class_code=0x040300)  # fmt: skip
    yield _root("0000:80:02.0", "32 GT/s x16", 7, 0x0011, numa_node=1, registers=trained_once).holds(resting)
    network: dict[str, Any] = {"class_code": _NETWORK, "driver": "arraylink", **far}
    adapter = card("16 GT/s x16", device=0x0120, serial=0x4B46_0000_0000_2001, virtual_functions=4, **network)
    yield _root("0000:80:03.0", "32 GT/s x16", 8, 0x0011, numa_node=1).holds(adapter)
    hidden = card("16 GT/s x8", device=0x0120, number=1, serial=0x4B46_0000_0000_2002, **network)
    yield _root("0000:80:04.0", "16 GT/s x8", 9, 0x0011, numa_node=1).holds(hidden)
    yield _root("0000:80:05.0", "8 GT/s x8", None, 0x0011, numa_node=1).holds(
        card("8 GT/s x8", trained=None, device=0x0150, class_code=_DISPLAY, **far)
    )


_GEN4_X16, _GEN4_X8, _GEN5_X16 = 0xBD, 0xBC, 0xC3
_SLOTS = (
    SlotRecord(designation="A1 upper riser", type_code=_GEN4_X16, width_code=0x0D, address="0000:00:01.0", id=1),
    SlotRecord(designation="A2 upper riser", type_code=_GEN4_X8, width_code=0x0B, address="0000:00:02.0", id=2),
    SlotRecord(designation="A3", type_code=_GEN4_X8, width_code=0x0B, address="0000:00:03.0", id=3),
    SlotRecord(designation="A4", type_code=0xB5, width_code=0x0A, address="0000:00:04.0", id=4),
    SlotRecord(designation="A5", type_code=_GEN4_X8, width_code=0x0B, address="0000:00:05.0", id=5, usage=3),
    SlotRecord(designation="B6", type_code=_GEN5_X16, width_code=0x0D, address="0000:80:01.0", id=6),
    SlotRecord(designation="B7", type_code=_GEN5_X16, width_code=0x0D, address="0000:80:02.0", id=7),
    SlotRecord(designation="B8", type_code=_GEN5_X16, width_code=0x0D, address="0000:80:03.0", id=8),
    SlotRecord(designation="B9", type_code=_GEN4_X8, width_code=0x0B, address="0000:80:04.0", id=9),
)
_LOG = (
    "[    1.204410] pci 0000:01:00.0: 126.024 Gb/s available PCIe bandwidth, limited by 16.0 GT/s PCIe x8 link at "
    "0000:00:01.0 (capable of 252.048 Gb/s with 16.0 GT/s PCIe x16 link)\n"
    "[    1.204912] pci 0000:02:00.0: 63.008 Gb/s available PCIe bandwidth, limited by 8.0 GT/s PCIe x8 link at "
    "0000:00:02.0 (capable of 126.024 Gb/s with 16.0 GT/s PCIe x8 link)"
).splitlines()
