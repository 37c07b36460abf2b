"""A machine, made into files: bus numbers handed out, attributes in the kernel's spelling, config space packed."""

from dataclasses import dataclass, field, replace
from typing import Any

from fake_sysfs.config import Around, config_space
from fake_sysfs.description import Component, Function, Port, SlotRecord, State
from fake_sysfs.smbios import dmi_table
from fake_sysfs.tree import Tree
from probe import kernel_spellings as kernel
from probe.address import Address
from probe.registers.class_code import BRIDGE_TO_PCI, ClassCode
from probe.registers.device import DOWNSTREAM_PORT, ENDPOINT, INTEGRATED, ROOT_PORT, UPSTREAM_PORT
from probe.registers.errors import CORRECTABLE_NAMES, UNCORRECTABLE_NAMES, Severity

_SHORT_OF = {long: short for short, long in kernel.SHORT_NAMES.items()}
_TOTALS = {Severity.CORRECTABLE: "COR", Severity.NONFATAL: "NONFATAL", Severity.FATAL: "FATAL"}


@dataclass(slots=True)
class _Builder:
    files: dict[str, bytes] = field(default_factory=dict)
    links: dict[str, str] = field(default_factory=dict)
    buses: dict[tuple[int, int], int] = field(default_factory=dict)
    root: tuple[int, int] = (0, 0)
    slot_names: set[str] = field(default_factory=set)

    def text(self, path: str, content: object) -> None:
        """Write one line."""
        self.files[path] = f"{content}\n".encode()

    @property
    def last_bus(self) -> int:
        """The last bus number given out below the present root bus."""
        return self.buses[self.root]

    def next_bus(self) -> int:
        """The next free bus number below the present root bus."""
        self.buses[self.root] += 1
        return self.buses[self.root]


@dataclass(frozen=True, slots=True)
class _Spot:
    """Where a function goes: its Device/Port Type, address, directory, and what the link around it is."""

    kind: str | None
    where: Address
    path: str
    trained: State | None = None
    around: Around = field(default_factory=Around)


@dataclass(frozen=True, kw_only=True, slots=True)
class Machine:
    """A whole machine: its root complexes' ports, other root bus functions, and what surrounds them.

    `skipped_buses` bus numbers of each root are left out, which renumbers everything below. `sockets` has the physical
    package of each NUMA node.
    """

    ports: tuple[Port, ...] = ()
    on_root_bus: tuple[tuple[str, Component], ...] = ()
    smbios_slots: tuple[SlotRecord, ...] = ()
    cooling: tuple[tuple[str, int, int], ...] = ()
    log: tuple[str, ...] = ()
    ids: bytes = b""
    name: str = "machine"
    kernel: str = "6.12.0"
    firmware: dict[str, str] = field(default_factory=dict)
    boot_id: str = "00000000-0000-4000-8000-000000000001"
    uptime_s: float = 86_400.0
    machine_id: str | None = None
    skipped_buses: int = 0
    sockets: dict[int, int] = field(default_factory=dict)

    def build(self) -> Tree:
        """The machine as a tree of files."""
        return _built(self)


def machine(*ports: Port, **changes: Any) -> Machine:
    """A machine of these Root Ports."""
    return Machine(ports=ports, **changes)


def _built(described: Machine) -> Tree:
    builder = _Builder()
    for port in described.ports:
        where = Address.parse(port.address or "")
        builder.root = (where.domain, where.bus)
        builder.buses.setdefault(builder.root, where.bus + described.skipped_buses)
        root = f"sys/devices/pci{where.domain:04x}:{where.bus:02x}"
        _port(builder, port, ROOT_PORT, where, f"{root}/{where}")
    for address, component in described.on_root_bus:
        _on_root_bus(builder, Address.parse(address), component)
    _surroundings(builder, described)
    return Tree(builder.files, builder.links, label=described.name)


def _best_of_both(port: Port, component: Component) -> State | None:
    above, below = port.function.best, component.functions[0].best
    if above is None or below is None:
        return None
    return State(min(above.speed_gts, below.speed_gts), min(above.width, below.width))


def _port(builder: _Builder, port: Port, kind: str, where: Address, path: str) -> None:
    component = port.below
    trained = port.trained
    if component is not None:
        trained = port.trained or component.trained or _best_of_both(port, component)
    secondary = builder.next_bus()
    if component is not None:
        _component(builder, component, Address(where.domain, secondary, 0, 0), path, trained)
    subordinate = builder.last_bus
    around = Around(
        slot=port.slot,
        hot_plug=port.hot_plug,
        present=component is not None or port.slot is None,
        target_gts=port.target_gts,
        buses=(where.bus, secondary, subordinate),
    )
    _function(builder, port.function, _Spot(kind, where, path, trained, around))
    name = port.slot_name or (None if port.slot is None else str(port.slot))
    if name is not None:
        _slot_directory(builder, name, Address(where.domain, secondary, 0, 0), port, trained)


def _slot_directory(builder: _Builder, name: str, where: Address, port: Port, trained: State | None) -> None:
    unique, copy = name, 0
    while unique in builder.slot_names:  # the kernel makes duplicates unique, drivers/pci/slot.c, make_slot_name
        copy += 1
        unique = f"{name}-{copy}"
    builder.slot_names.add(unique)
    base = f"sys/bus/pci/slots/{unique}"
    builder.text(f"{base}/address", where.without_function)
    if port.function.best is not None:
        builder.text(f"{base}/max_bus_speed", _speed(port.function.best))
    builder.text(f"{base}/cur_bus_speed", _speed(trained))


def _component(builder: _Builder, component: Component, base: Address, path: str, trained: State | None) -> None:
    first = component.functions[0]
    kind = UPSTREAM_PORT if component.ports else ENDPOINT
    for function in component.functions:
        where = Address(base.domain, base.bus, base.device, function.number)
        if not component.ports:
            _function(builder, function, _Spot(kind, where, f"{path}/{where}", trained))
            _virtual_functions(builder, function, where, path)
    if not component.ports:
        return
    where = Address(base.domain, base.bus, base.device, first.number)
    inner = builder.next_bus()
    for number, port in enumerate(component.ports):
        below = Address(base.domain, inner, number, 0)
        _port(builder, port, DOWNSTREAM_PORT, below, f"{path}/{where}/{below}")
    around = Around(buses=(base.bus, inner, builder.last_bus))
    _function(builder, first, _Spot(kind, where, f"{path}/{where}", trained, around))


def _virtual_functions(builder: _Builder, physical: Function, where: Address, path: str) -> None:
    for index in range(physical.virtual_functions):
        number = physical.number + 1 + index
        place = Address(where.domain, where.bus, number // 8, number % 8)
        virtual = replace(physical, best=None, virtual_functions=0, driver=None, has_aer=False, serial=None)
        _function(builder, virtual, _Spot(ENDPOINT, place, f"{path}/{place}"))
        base = f"{path}/{place}"
        builder.links[f"{base}/physfn"] = f"../{where}"
        for name in (kernel.CURRENT_LINK_SPEED, kernel.MAX_LINK_SPEED):
            builder.text(f"{base}/{name}", kernel.NO_SPEED)
        for name in (kernel.CURRENT_LINK_WIDTH, kernel.MAX_LINK_WIDTH):
            builder.text(f"{base}/{name}", 0)


def _on_root_bus(builder: _Builder, base: Address, component: Component) -> None:
    for function in component.functions:
        where = Address(base.domain, base.bus, base.device, function.number)
        path = f"sys/devices/pci{where.domain:04x}:{where.bus:02x}/{where}"
        kind = None if function.conventional else INTEGRATED if function.integrated else ENDPOINT
        _function(builder, function, _Spot(kind, where, path, component.trained or function.best))


def _speed(state: State | None) -> str:
    return kernel.NO_SPEED if state is None else f"{state.speed_gts:.1f} GT/s PCIe"


def _function(builder: _Builder, described: Function, spot: _Spot) -> None:
    kind, where, path, trained, buses = spot.kind, spot.where, spot.path, spot.trained, spot.around.buses
    builder.links[f"sys/bus/pci/devices/{where}"] = f"../../../{path.removeprefix('sys/')}"
    builder.files[f"{path}/config"] = config_space(described, kind, trained, spot.around)
    texts: dict[str, object] = {
        "class": f"{described.class_code:#08x}", "vendor": f"{described.vendor:#06x}",
        "device": f"{described.device:#06x}", "revision": "0x01", "numa_node": described.numa_node, "enable": 1,
        "subsystem_vendor": f"{described.subsystem[0]:#06x}", "subsystem_device": f"{described.subsystem[1]:#06x}",
        "power_state": described.power_state, "power/control": "on", "d3cold_allowed": 1,
        "power/runtime_status": "active" if described.power_state == "D0" else "suspended",
    }  # fmt: skip
    if ClassCode.of(described.class_code).kind == BRIDGE_TO_PCI and len(buses) > 1:
        texts |= {"secondary_bus_number": buses[1], "subordinate_bus_number": buses[2]}
    if kind not in {None, INTEGRATED} and described.best is not None:
        texts |= {
            "max_link_speed": _speed(described.best), "max_link_width": described.best.width,
            "current_link_speed": _speed(trained), "current_link_width": trained.width if trained else 0,
        }  # fmt: skip
    elif kind == INTEGRATED:  # has no link registers, and the kernel prints what stands for none
        texts |= {
            "max_link_speed": kernel.NO_SPEED, "max_link_width": 255,
            "current_link_speed": kernel.NO_SPEED, "current_link_width": 0,
        }  # fmt: skip
    if kind is not None and described.has_aer:
        texts |= _counters(described, kind)
    missing = sorted(name for name, content in described.attributes.items() if content is None and name not in texts)
    if missing:
        message = f"{where} has no {', '.join(missing)} to take away"
        raise ValueError(message)
    for name, content in {**texts, **described.attributes}.items():
        if content is not None:
            builder.text(f"{path}/{name}", content)
    if described.driver is not None:
        builder.links[f"{path}/driver"] = f"{'../' * (path.count('/'))}bus/pci/drivers/{described.driver}"
        builder.files.setdefault(f"sys/bus/pci/drivers/{described.driver}/module", b"")


def _counters(described: Function, kind: str) -> dict[str, object]:
    texts: dict[str, object] = {}
    for severity, file in kernel.COUNTER_FILES.items():
        counts = described.counters.get(severity, {})
        names = CORRECTABLE_NAMES if severity is Severity.CORRECTABLE else UNCORRECTABLE_NAMES
        rows = [f"{_SHORT_OF[name]} {counts.get(name, 0)}" for name in names]
        texts[file] = "\n".join([*rows, f"TOTAL_ERR_{_TOTALS[severity]} {sum(counts.values())}"])
    if kind == ROOT_PORT:
        for severity, file in kernel.ROOT_TOTAL_FILES.items():
            texts[file] = described.root_totals.get(severity, 0)
    return texts


def _surroundings(builder: _Builder, described: Machine) -> None:
    for name, content in described.firmware.items():
        builder.text(f"sys/class/dmi/id/{name}", content)
    for index, (address, state, limit) in enumerate(described.cooling):
        base = f"sys/class/thermal/cooling_device{index}"
        builder.text(f"{base}/type", f"{kernel.COOLING_TYPE}{address}")
        builder.text(f"{base}/cur_state", state)
        builder.text(f"{base}/max_state", limit)
    if described.smbios_slots:
        builder.files["sys/firmware/dmi/tables/DMI"] = dmi_table(described.smbios_slots)
    if described.ids:
        builder.files["usr/share/misc/pci.ids"] = described.ids
    builder.files["dev/kmsg"] = "".join(f"{line}\n" for line in described.log).encode()
    builder.text("proc/sys/kernel/hostname", described.name)
    builder.text("proc/sys/kernel/osrelease", described.kernel)
    builder.text("proc/sys/kernel/random/boot_id", described.boot_id)
    if described.machine_id is not None:
        builder.text("etc/machine-id", described.machine_id)
    for node, package in described.sockets.items():
        builder.text(f"sys/devices/system/node/node{node}/cpulist", f"{node * 8}-{node * 8 + 7}")
        builder.text(f"sys/devices/system/cpu/cpu{node * 8}/topology/physical_package_id", package)
    builder.text("proc/uptime", f"{described.uptime_s:.2f} 0.00")
    builder.text("proc/cmdline", "ro quiet")
