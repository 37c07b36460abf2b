"""The whole machine as a model: a described tree whose links are alive, in memory or served as files.

It is a Machine for the driver of active tests: reads, writes, files, and time that passes only when somebody waits.
"""

import posixpath
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from errno import EACCES, EBUSY, EINVAL, ENOENT

from fake_sysfs.hardware.clock import FakeClock
from fake_sysfs.hardware.conduct import Conduct
from fake_sysfs.hardware.kernel import EndFiles, cool
from fake_sysfs.hardware.link import Link, LinkEvent, Training
from fake_sysfs.hardware.mistakes import Mistake, Mistakes
from fake_sysfs.hardware.receiver import MarginingPort, Receiver
from fake_sysfs.hardware.space import LINK_CONTROL, Space
from fake_sysfs.hardware.wiring import WiredEnd
from fake_sysfs.tree import Tree
from probe.host.source import MemorySource

_DEVICES = "sys/bus/pci/devices"
_LOOK_S = 20e-6
_ASPM_FILES = {"l0s_aspm": 1, "l1_aspm": 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkPlan:
    """How the link under a port behaves. `component` is the function below that speaks for it.

    `aspm` are the bits that both ends start with; `kernel_aspm`: the kernel has its switches for them.
    """

    component: str
    receivers: Mapping[int, Receiver] = field(default_factory=lambda: {1: Receiver(), 6: Receiver()})
    port_ready: MarginingPort = field(default_factory=MarginingPort)
    component_ready: MarginingPort = field(default_factory=MarginingPort)
    trainings: Sequence[Training] = ()
    events: Sequence[LinkEvent] = ()
    aspm: int = 0
    kernel_aspm: bool = True
    resets: tuple[str, ...] = ("flr", "bus")
    slot: str | None = None
    cooling: str | None = None


class HardwareModel:
    """A tree with live links, by the address of the port of each."""

    def __init__(self, tree: Tree, plans: Mapping[str, LinkPlan], clock: FakeClock | None = None) -> None:
        self.clock = clock or FakeClock()
        self.tree = tree
        self._real = {
            path.rsplit("/", 1)[-1]: self._resolved(path) for path in tree.links if path.startswith(f"{_DEVICES}/")
        }
        self.spaces = {
            address: Space(address, tree.files[f"{path}/config"])
            for address, path in self._real.items()
            if f"{path}/config" in tree.files
        }
        self._mistakes = Mistakes(self.clock.now)
        self._ends: dict[str, EndFiles] = {}
        self.links: dict[str, Link] = {}
        self._wired: dict[str, WiredEnd] = {}
        self._plans = dict(plans)
        self._running: dict[str, tuple[float, int]] = {}
        for port, plan in plans.items():
            self._add(port, plan)
        self.as_found()

    def _resolved(self, path: str) -> str:
        return posixpath.normpath(posixpath.join(posixpath.dirname(path), self.tree.links[path]))

    def _add(self, port: str, plan: LinkPlan) -> None:
        ends = self.spaces[port], self.spaces[plan.component]
        link = Link(
            *ends, self.clock.now, receivers=plan.receivers, ready=(plan.port_ready, plan.component_ready),
            trainings=plan.trainings, events=plan.events,
        )  # fmt: skip
        self.links[port] = link
        for end in ends:
            end.change(end.express + LINK_CONTROL, 2, 3, plan.aspm)
            files = self._end_files(end.address, plan, is_port=end is link.port)
            self._ends[end.address] = EndFiles(end, link, self.clock.now, files)
            self._wired[end.address] = WiredEnd(end, link, Conduct(link, self._mistakes, self._ends), self._mistakes)

    def _end_files(self, address: str, plan: LinkPlan, *, is_port: bool) -> dict[str, str]:
        base = f"{self._real[address]}/"
        files = {
            path.removeprefix(base): data.decode().rstrip("\n")
            for path, data in self.tree.files.items()
            if path.startswith(base) and path.count("/") - base.count("/") <= 1 and not path.endswith("/config")
        }
        if is_port:
            files["reset_subordinate"] = ""
        else:
            files |= {"reset": "", "reset_method": " ".join(plan.resets)}
            if plan.kernel_aspm and plan.aspm:
                files |= {f"link/{name}": str(int(bool(plan.aspm & bit))) for name, bit in _ASPM_FILES.items()}
                files["link/l1_1_aspm"] = files["link/l1_2_aspm"] = files["link/l1_aspm"]
        return files

    # What the driver of active tests asks of a machine.

    def read(self, address: str, offset: int, size: int) -> int | None:
        """Bytes of configuration space as a number."""
        data = self.read_config(address, offset, size)
        return None if data is None or len(data) != size else int.from_bytes(data, "little")

    def write(self, address: str, offset: int, size: int, value: int, mask: int) -> None:  # noqa: ARG002 - a driver's
        """Write bytes of configuration space. Raises OSError where there is no such function."""
        self.write_config(address, offset, value.to_bytes(size, "little"))

    def read_file(self, path: str) -> str | None:
        """The text of a small file below /sys."""
        self.clock.pass_by(_LOOK_S)
        return self.text(f"sys/{path}")

    def traced(self, port: str) -> int | None:  # noqa: ARG002 - as a kernel that traces no link events
        """How many events of a port's link were traced."""
        return None

    def begin(self, path: str, text: str) -> None:
        """Begin to write a file below /sys; it ends when its time has come."""
        error, seconds = self.write_text(f"sys/{path}", text)
        self._running[path] = (self.clock.now() + seconds, error)

    def finished(self, path: str) -> int | None:
        """None while a write that was begun runs, then 0 or an errno."""
        until, error = self._running.get(path, (0.0, EINVAL))
        return None if self.clock.now() < until else error

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        self.clock.pass_by(seconds)

    def now(self) -> float:
        """Seconds of the model's clock."""
        return self.clock.now()

    # Bytes and texts by path, which both ways of serving the model use.

    def read_config(self, address: str, offset: int, size: int) -> bytes | None:
        """Bytes of a function's config file; None where there is no such function."""
        self.clock.pass_by(_LOOK_S)
        space = self.spaces.get(address)
        if space is None:
            return None
        if address in self._wired:
            self._wired[address].show(offset, size)
        return space.read(offset, size)

    def write_config(self, address: str, offset: int, data: bytes) -> None:
        """Write to a function's config file. Raises OSError where there is no such function."""
        self.clock.pass_by(_LOOK_S)
        space = self.spaces.get(address)
        if space is None:
            raise OSError(ENOENT, "no such function", address)
        if address in self._wired:
            self._wired[address].write(offset, data)
            return
        self._mistakes.note("elsewhere", address, f"{len(data)} bytes written at {offset:03x}h")
        space.write(offset, data)

    def text(self, path: str) -> str | None:
        """The text of a file by its path from the root, links followed; None where there is none."""
        address, name = self._place(path)
        if address in self._ends:
            return self._ends[address].read(name)
        data = self.tree.files.get(self._followed(path))
        return None if data is None else data.decode("utf-8", "replace").rstrip("\n")

    def content(self, path: str) -> bytes:
        """The bytes of a file that is no configuration space, by its real path from the root."""
        address, name = self._place(path)
        if address in self._ends:
            return f"{self._ends[address].read(name) or ''}\n".encode()
        return self.tree.files.get(path, b"")

    def paths(self) -> list[str]:
        """The real paths of all files."""
        own = [f"{self._real[address]}/{name}" for address, end in self._ends.items() for name in end.files]
        return sorted({*self.tree.files, *own})

    def write_text(self, path: str, text: str) -> tuple[int, float]:
        """Write a text file: the errno that the write ends in, 0 for none, and after how many seconds."""
        address, name = self._place(path)
        if address in self._ends:
            return self._ends[address].write(name, text.strip())
        for port, plan in self._plans.items():
            if plan.cooling is not None and path.endswith(f"{plan.cooling}/cur_state"):
                best = self.spaces[port].get(self.spaces[port].express + 0x0C, 4) & 0xF
                return 0, cool(self.links[port], int(text), best)
            if plan.slot is not None and path == f"sys/bus/pci/slots/{plan.slot}/power":
                return self._slot_power(port, text.strip())
        return EACCES, 0.0

    def source(self) -> MemorySource:
        """The machine as it stands, as a source of evidence."""
        files = dict(self.tree.files)
        for address, path in self._real.items():
            if address in self.spaces:
                files[f"{path}/config"] = self.read_config(address, 0, len(self.spaces[address].data)) or b""
            if address in self._ends:
                names = self._ends[address].files
                files |= {f"{path}/{name}": f"{self._ends[address].read(name)}\n".encode() for name in names}
        return MemorySource(files, self.tree.links, self.tree.label, self.tree.failures)

    # What it thinks of its client.

    @property
    def mistakes(self) -> list[Mistake]:
        """What the client did wrong so far."""
        return list(self._mistakes.made)

    def as_found(self) -> None:
        """What stands in the registers now is what has to stand there in the end."""
        for address, wired in self._wired.items():
            wired.show(0, len(self.spaces[address].data))
        self._first = self._kept()

    def left_behind(self) -> list[Mistake]:
        """What is not as it was when the model was made; for the end of a test."""
        found = []
        for address, (registers, files) in self._kept().items():
            before, texts = self._first[address]
            changed = [at for at, (one, other) in enumerate(zip(before, registers, strict=True)) if one != other]
            if changed:
                found.append(Mistake("left behind", address, f"bytes at {', '.join(f'{at:03x}h' for at in changed)}"))
            found += [
                Mistake("left behind", address, f"{name} is {files.get(name)!r} and was {text!r}")
                for name, text in texts.items()
                if files.get(name) != text
            ]
        for link in self.links.values():
            for address, lanes in link.lanes.items():
                found += [
                    Mistake("left behind", address, f"lane {lane.number} is still margined")
                    for lane in lanes
                    if lane.is_moved
                ]
        return found

    def _kept(self) -> dict[str, tuple[bytes, dict[str, str]]]:
        stateful = (
            "power/control",
            "reset_method",
            *(f"link/{name}" for name in (*_ASPM_FILES, "l1_1_aspm", "l1_2_aspm")),
        )
        return {
            address: (space.kept(), {name: end.files[name] for name in stateful if name in end.files})
            for address, space in self.spaces.items()
            if (end := self._ends.get(address)) is not None
        }

    def _slot_power(self, port: str, text: str) -> tuple[int, float]:
        link = self.links[port]
        if text == "0":
            link.up, link.component.gone = False, True
            return 0, 1.1
        if text != "1":
            return EINVAL, 0.0
        if link.up:
            return EBUSY, 0.0
        return 0, link.retrain(down=True) + 0.1

    def _place(self, path: str) -> tuple[str, str]:
        """The function whose directory a path lies in, and the rest."""
        real = self._followed(path)
        for address, base in self._real.items():
            name = real.removeprefix(f"{base}/")
            if name != real and name.count("/") <= 1:
                return address, name
        return "", real

    def _followed(self, path: str) -> str:
        if path.startswith(f"{_DEVICES}/"):
            address, _, rest = path.removeprefix(f"{_DEVICES}/").partition("/")
            if address in self._real:
                return f"{self._real[address]}/{rest}"
        return path
