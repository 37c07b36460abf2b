"""Whatever faults the model of ports, receivers and retimers has, and wherever the client is killed, all is put back.

After `put-back` every register and file of hardware that answers is as it was; of what does not answer, each is named.
No command ever breaks a rule of the model on the way.
"""

import errno
from collections.abc import Callable
from typing import Any

from hypothesis import Phase, given
from hypothesis import strategies as st

from fake_sysfs.hardware import LaneFault, LinkEvent, MarginingPort, Receiver, Training, Wall
from fake_sysfs.hardware.model import HardwareModel
from fake_sysfs.hardware.rehearsed import COMPONENT, PORT, Kept, began, target_of
from probe.active.asking import keep, keep_awake
from probe.active.driver import Driver
from probe.active.link_at import LinkAt
from probe.active.margining.link import Choice, LinkRun
from probe.active.putting_back import all_back
from probe.active.restoring import Leftover
from probe.active.speed_steps import step_to
from probe.active.steps import CannotWrite, Protocol
from probe.active.training import train
from probe.active.ways import ByFunction, ByPort, ByRetrain, BySlot, ByTarget
from probe.registers.link import LinkControl2
from tests.active.margin_bench import ALL_ENDS, model
from tests.search import search


class Killed(BaseException):
    """`kill -9`: nothing of the program runs any more."""


class Killing:
    """The model, until the client has taken so many steps."""

    def __init__(self, hardware: HardwareModel, kill_at: int | None, *, refuses: int | None) -> None:
        self._hardware = hardware
        self._kill_at = kill_at
        self._refuses = refuses
        self._steps = 0

    def _step(self) -> None:
        self._steps += 1
        if self._kill_at is not None and self._steps > self._kill_at:
            raise Killed

    def read(self, address: str, offset: int, size: int) -> int | None:
        self._step()
        return self._hardware.read(address, offset, size)

    def write(self, address: str, offset: int, size: int, value: int, mask: int) -> None:
        self._step()
        if self._refuses is not None:
            raise OSError(self._refuses, "as it was told to")
        self._hardware.write(address, offset, size, value, mask)

    def read_file(self, path: str) -> str | None:
        self._step()
        return self._hardware.read_file(path)

    def traced(self, port: str) -> int | None:
        self._step()
        return self._hardware.traced(port)

    def begin(self, path: str, text: str) -> None:
        self._step()
        self._hardware.begin(path, text)

    def finished(self, path: str) -> int | None:
        self._step()
        return self._hardware.finished(path)

    def wait(self, seconds: float) -> None:
        self._step()
        self._hardware.wait(seconds)

    def now(self) -> float:
        return self._hardware.now()


def sometimes(*values: Any) -> st.SearchStrategy[Any]:
    """The first value most of the time."""
    return st.sampled_from((values[0], values[0], *values))


lane_faults = st.builds(
    LaneFault,
    silent=sometimes(False, True),
    answers_as=sometimes(None, 3),
    answers_type=sometimes(None, 5),
    registers_limit=sometimes(None, 9),
    nak_from=sometimes(None, 1, 3),
    stuck_in_set_up=sometimes(False, True),
    dirty_reserved=st.booleans(),
    answer_s=sometimes(50e-6, 0.04, 0.3),
    set_up_s=sometimes(1e-3, 0.15, 0.5),
    errors_within=sometimes(0, 5),
    dies_after_steps=sometimes(None, 0, 2),
)
receivers = st.builds(
    Receiver,
    voltage=st.booleans(),
    independent_levels=st.booleans(),
    independent_sides=st.booleans(),
    reports_rate=st.booleans(),
    independent_sampler=st.booleans(),
    timing_steps=st.just(3),
    voltage_steps=st.just(3),
    max_lanes=st.sampled_from((0, 1, 31)),
    eye=st.builds(Wall, *(st.integers(0, 3) for _ in range(4))),
    faults=st.dictionaries(st.integers(0, 1), lane_faults, max_size=2),
)
events = st.builds(
    LinkEvent,
    after_steps=st.integers(0, 12),
    width=sometimes(None, 1),
    speed_gts=sometimes(None, 8.0),
    vanishes=sometimes(False, True),
    goes_down=sometimes(False, True),
    retrains=st.booleans(),
    errors=sometimes({}, {"correctable RxErr": 1}, {"fatal DLP": 1}),
)
trainings = st.builds(
    Training,
    seconds=st.sampled_from((0.0, 0.008, 0.9)),
    speed_gts=sometimes(None, 8.0, 2.5),
    width=sometimes(None, 1),
    up=sometimes(True, True, False),
    ignored=sometimes(False, True),
)
ready = st.builds(MarginingPort, uses_driver_software=st.booleans(), ready=sometimes(True, False))
machines = st.fixed_dictionaries({
    "receivers": st.fixed_dictionaries({1: receivers, 6: receivers}) | st.fixed_dictionaries(
        dict.fromkeys((1, 2, 3, 6), receivers)
    ),
    "events": st.lists(events, max_size=1).map(tuple),
    "trainings": st.lists(trainings, max_size=8),
    "port_ready": ready,
    "component_ready": ready,
    "aspm": st.integers(0, 3),
    "kernel_aspm": st.booleans(),
    "slot": st.just("1"),
})  # fmt: skip

COURSES: dict[str, Callable[[LinkAt], Protocol[object]]] = {
    "retrain": lambda link: train(link, ByRetrain()),
    "reset by the port": lambda link: train(link, ByPort(f"bus/pci/devices/{PORT}/reset_subordinate")),
    "reset by the function": lambda link: train(link, ByFunction(f"bus/pci/devices/{COMPONENT}/reset", "flr")),
    "slot power": lambda link: train(link, BySlot("bus/pci/slots/1/power")),
    "slow": lambda link: step_to(link, 2.5, ByTarget()),
}


def margining(link: LinkAt, live_data: bool) -> Protocol[None]:
    run = LinkRun(link, Choice(ends=ALL_ENDS, seconds=0.02, live_data=live_data))
    yield from run.measure()
    yield from run.quiet()


def trained(link: LinkAt, course: str) -> Protocol[None]:
    for end in (link.component, link.port):
        yield from keep_awake(end.address)
    yield from keep(PORT, link.port.express + LinkControl2.offset, 1, 0x0F)
    yield from COURSES[course](link)
    yield from COURSES[course](link)


_PHASES = (Phase.explicit, Phase.reuse, Phase.generate, Phase.target)  # shrinking takes longer than anybody waits


@search(150, phases=_PHASES)
@given(
    machines,
    st.sampled_from(("margin", "margin", "margin", *COURSES)),
    st.booleans(),
    st.lists(st.integers(0, 3000) | st.integers(0, 300), max_size=3),
    sometimes(None, None, errno.EPERM),
)
def test_after_put_back_every_register_is_as_it_was(
    described: dict[str, Any], course: str, live_data: bool, kills: list[int], refuses: int | None
) -> None:
    hardware = model(best="16 GT/s x2", **described)
    target = target_of(hardware)
    link, head = LinkAt.of(target), began(target)
    kept, left = Kept(head), tuple[Leftover, ...]()
    for number, kill in enumerate((*kills, None)):
        driver = Driver(Killing(hardware, kill, refuses=refuses), head.scope, kept)
        try:
            if number == 0:
                _carry_out(driver, link, course, live_data=live_data)
            left = driver.run(all_back(head, kept))
        except Killed:
            continue
    told = {item.address for item in left if item.writable} | {item.what for item in left if item.writable}
    behind = [item for item in hardware.left_behind() if item.where not in told]
    if any(
        fault.dies_after_steps is not None for item in described["receivers"].values() for fault in item.faults.values()
    ):
        behind = [item for item in behind if "still margined" not in item.what]  # a receiver that hears nothing more
    assert behind == []
    assert hardware.mistakes == []


def _carry_out(driver: Driver, link: LinkAt, course: str, *, live_data: bool) -> None:
    try:
        driver.run(margining(link, live_data) if course == "margin" else trained(link, course))
    except CannotWrite:
        return
