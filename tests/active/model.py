"""A port and its component in memory, that train as they are told to, with a clock that goes only when time passes.

Behaves as the Base Specification has it: Retrain Link reads 0; Link Training is set from the write on; Link Bandwidth
Management Status comes up when a training ends; Link Status is not for writing. The kernel's files are those that a
training touches, with the waits of `pci_bridge_secondary_bus_reset`. Accesses to bytes that may not be written, and
sizes that could clear a status bit, are kept in `wrongs`.
"""

import errno
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from fake_sysfs import Machine, card, machine, root_port
from probe.active.driver import Driver
from probe.active.journal import Began, Entry, began_now
from probe.active.target import links_before, scope_of, targets
from probe.host.machine import read_machine
from probe.registers.express import PCI_EXPRESS
from probe.registers.link import LinkControl, LinkControl2, LinkStatus, LinkStatus2
from probe.registers.physical import SECONDARY_PCI_EXPRESS, LaneErrorStatus
from probe.registers.table_language import Field
from probe.registers.values import SPEED_GTS

PORT, COMPONENT = "0000:00:01.0", "0000:01:00.0"
LOOK_S = 5e-6
RESET_S = 0.102
CODES = {speed: code for code, speed in SPEED_GTS.items()}


class Killed(BaseException):
    """`kill -9`: nothing of the program runs any more."""


@dataclass(frozen=True, kw_only=True)
class Comes:
    """How one training comes out."""

    ms: float = 6.0
    speed_gts: float | None = None
    width: int | None = None
    up: bool = True
    equalized: bool = True
    lanes: int = 0
    errors: tuple[str, ...] = ()


@dataclass(kw_only=True)
class Faults:
    """What is wrong with the hardware or with the kernel."""

    ignores_retrain: bool = False
    never_finishes: bool = False
    target_read_only: bool = False
    gone_after: int | None = None
    refuses_writes: int | None = None
    keeps_bandwidth_status_clear: bool = False
    reset_fails: int = 0
    slow_s: float = 0.0
    traces: bool = False
    """The kernel traces an event for each training; no fault, but not every kernel has it."""


@dataclass
class Model:
    """The machine that steps are carried out on."""

    described: Machine
    outcomes: Iterable[Comes] = ()
    faults: Faults = field(default_factory=Faults)
    kill_at: int | None = None

    def __post_init__(self) -> None:
        tree = self.described.build()
        self.evidence = read_machine(tree.source())
        (self.target,) = targets(self.evidence, [PORT])
        self.configs = {
            address: bytearray(next(data for path, data in tree.files.items() if path.endswith(f"/{address}/config")))
            for address in (PORT, COMPONENT)
        }
        self.files = {f"bus/pci/devices/{address}/power/control": "on" for address in self.configs}
        self.files |= {f"bus/pci/devices/{address}/aer_dev_correctable": "RxErr 0" for address in self.configs}
        self.coming = deque(self.outcomes)
        self.time = 0.0
        self.calls = 0
        self.trained = 0
        self.wrongs: list[str] = []
        self.writes: list[tuple[str, int, int, int]] = []
        self._ends: tuple[float, Comes] | None = None
        self._file_ends: dict[str, tuple[float, int]] = {}
        self.up = True
        self.holds_files: frozenset[str] = frozenset()
        self._express = {end: self._offset(end) for end in self.configs}
        self.best_width = self.target.document.possible.width or 1

    def _offset(self, address: str) -> int:
        function = self.target.port if address == PORT else self.target.component
        found = function.space.find(PCI_EXPRESS)
        assert found is not None
        return found.offset

    # What is there, in words.

    def get(self, address: str, field_: Field[Any]) -> int:
        data, register = self.configs[address], field_.register
        at = self._express[address] + register.offset
        return field_.raw(int.from_bytes(data[at : at + register.size], "little"))

    def put(self, address: str, field_: Field[Any], value: int) -> None:
        data, register = self.configs[address], field_.register
        at = self._express[address] + register.offset
        whole = int.from_bytes(data[at : at + register.size], "little") & ~field_.mask | value << field_.low
        data[at : at + register.size] = whole.to_bytes(register.size, "little")

    def state(self) -> tuple[float, int]:
        speed = SPEED_GTS[self.get(PORT, LinkStatus.current_link_speed)]
        return speed, self.get(PORT, LinkStatus.negotiated_link_width)

    def controls(self) -> dict[str, object]:
        """Everything that a run might leave changed."""
        held = {
            (address, field_.name): self.get(address, field_)
            for address in self.configs
            for field_ in (
                LinkControl.aspm_control, LinkControl.retrain_link, LinkControl.link_disable,
                LinkControl.hardware_autonomous_width_disable, LinkControl2.target_link_speed,
                LinkControl2.hardware_autonomous_speed_disable,
            )
        }  # fmt: skip
        files = {
            path: text
            for path, text in self.files.items()
            if not path.endswith(("/reset", "/reset_subordinate")) and "aer_dev" not in path
        }
        return {**{str(key): value for key, value in held.items()}, **files}

    # The steps.

    def _tick(self) -> None:
        self.calls += 1
        if self.kill_at is not None and self.calls > self.kill_at:
            raise Killed
        self.time += LOOK_S + self.faults.slow_s
        if self._ends is not None and self.time >= self._ends[0] and not self.faults.never_finishes:
            comes, self._ends = self._ends[1], None
            self._trained(comes)

    def read(self, address: str, offset: int, size: int) -> int | None:
        self._tick()
        if self._is_gone(address):
            return (1 << 8 * size) - 1
        return int.from_bytes(self.configs[address][offset : offset + size], "little")

    def _is_gone(self, address: str) -> bool:
        after = self.faults.gone_after
        return address == COMPONENT and (not self.up or (after is not None and self.trained >= after))

    def write(self, address: str, offset: int, size: int, value: int, mask: int) -> None:
        self._tick()
        if self.faults.refuses_writes is not None:
            raise OSError(self.faults.refuses_writes, "as it was told to")
        self.writes.append((address, offset, size, value))
        assert mask
        base = self._express[address]
        if offset == base + LinkControl.offset and size == 1:
            self._link_control(address, value)
        elif offset == base + LinkControl2.offset and size == 1:
            self._link_control_2(address, value)
        elif offset == base + LinkControl.offset + 1 and size == 1:
            self.configs[address][offset] = value
        else:
            self.wrongs.append(f"{size} bytes at {offset:03x}h of {address}")

    def _link_control(self, address: str, value: int) -> None:
        retrain = value & 0x20
        if value & 0x10:
            self.wrongs.append("Link Disable was set")
        self.configs[address][self._express[address] + LinkControl.offset] = value & ~0x20
        if retrain and address != PORT:
            self.wrongs.append("Retrain Link was written at the component")
        if retrain and self.get(PORT, LinkStatus.link_training):
            self.wrongs.append("Retrain Link was written while the link was training")
        if retrain and not self.faults.ignores_retrain:
            self._begin()

    def _link_control_2(self, address: str, value: int) -> None:
        at = self._express[address] + LinkControl2.offset
        if self.faults.target_read_only:
            value = value & ~0x0F | self.configs[address][at] & 0x0F
        self.configs[address][at] = value

    def _begin(self, *, later: float = 0.0) -> None:
        comes = self.coming.popleft() if self.coming else Comes()
        self.put(PORT, LinkStatus.link_training, 1)
        self._ends = (self.time + later + comes.ms / 1000, comes)

    def _trained(self, comes: Comes) -> None:
        self.trained += 1
        self.put(PORT, LinkStatus.link_training, 0)
        self.up = comes.up
        for path in [name for name in self.files if name.endswith("aer_dev_correctable")][:1]:
            if comes.errors:
                self.files[path] = "\n".join(f"{name} {self.trained}" for name in comes.errors)
        if not self.faults.keeps_bandwidth_status_clear:
            self.put(PORT, LinkStatus.link_bandwidth_management_status, 1)
        if not comes.up:
            self.put(PORT, LinkStatus.data_link_layer_link_active, 0)
            return
        self.put(PORT, LinkStatus.data_link_layer_link_active, 1)
        best = self.target.document.possible.speed_gts or 2.5
        speed = min(best, SPEED_GTS[self.get(PORT, LinkControl2.target_link_speed)])
        speed = min(speed, comes.speed_gts or speed)
        for address in self.configs:
            self.put(address, LinkStatus.current_link_speed, CODES[speed])
            self.put(address, LinkStatus.negotiated_link_width, comes.width or self.best_width)
        self.put(PORT, LinkStatus2.equalization_8_complete, int(comes.equalized))
        self._set_lanes(comes.lanes)

    def _set_lanes(self, lanes: int) -> None:
        found = self.target.port.space.find(SECONDARY_PCI_EXPRESS)
        if found is not None and lanes:
            at = found.offset + LaneErrorStatus.offset
            held = int.from_bytes(self.configs[PORT][at : at + 4], "little") | lanes
            self.configs[PORT][at : at + 4] = held.to_bytes(4, "little")

    def read_file(self, path: str) -> str | None:
        self._tick()
        return self.files.get(path)

    def traced(self, port: str) -> int | None:
        self._tick()
        assert port == PORT
        return self.trained if self.faults.traces else None

    def begin(self, path: str, text: str) -> None:
        self._tick()
        if path not in self.files:
            raise OSError(errno.ENOENT, "no such file")
        self._file_ends[path] = (self.time, 0)
        if path.endswith(("/reset", "/reset_subordinate")):
            self._file_ends[path] = (self.time + RESET_S, self.faults.reset_fails)
            if not self.faults.ignores_retrain:
                self.put(PORT, LinkStatus.data_link_layer_link_active, 0)
                self._begin(later=0.02)
        elif path.endswith("/power") and "slots" in path:
            self._power(path, text)
        elif path.endswith("cur_state"):
            self._cool(path, text)
        else:
            self.files[path] = text

    def _power(self, path: str, text: str) -> None:
        if path in self.holds_files:
            self._file_ends[path] = (self.time, 0)
            return
        self.files[path] = text
        self._file_ends[path] = (self.time + 1.0, 0)
        if text == "0":
            self.up = False
            self.put(PORT, LinkStatus.data_link_layer_link_active, 0)
        else:
            self._begin(later=0.05)

    def _cool(self, path: str, text: str) -> None:
        best = CODES[self.target.document.port_best.speed_gts or 2.5]
        self.files[path] = text
        self.put(PORT, LinkControl2.target_link_speed, best - int(text))
        self._begin()
        self._file_ends[path] = (self.time + 0.02, 0)

    def finished(self, path: str) -> int | None:
        self._tick()
        at, result = self._file_ends[path]
        return None if self.time < at else result

    def wait(self, seconds: float) -> None:
        self._tick()
        self.time += seconds

    def now(self) -> float:
        return self.time


class Kept:
    """A journal in memory: what is kept is as safe as on the disk."""

    def __init__(self) -> None:
        self.kept: list[Entry] = []

    def keep(self, *entries: Entry) -> None:
        self.kept += entries

    def entries(self) -> tuple[Entry, ...]:
        return tuple(self.kept)


def began(model: Model) -> Began:
    """The head of a journal of a run on this model."""
    return began_now("test", "/model", None, scope_of((model.target,)), links_before((model.target,)))


def driver(model: Model, kept: Kept | None = None) -> Driver:
    """What runs protocols on the model."""
    return Driver(model, began(model).scope, kept or Kept())


def link(best: str = "16 GT/s x8", **changes: object) -> Machine:
    """A machine of one link, whose both ends can do the same."""
    return machine(root_port(PORT, best, slot=1, **changes).holds(card(best)))
