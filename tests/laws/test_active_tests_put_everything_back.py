"""Whatever faults the hardware has and wherever the program is killed, after `put-back` all is as it was, or is told.

What hardware that answers and takes writes had before, it has afterwards, exactly. Where it does not, each thing that
is not as it was is a leftover that names where it is and what belongs there.
"""

import contextlib
import errno
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from probe.active.asking import keep, keep_awake, write, write_file
from probe.active.driver import Driver
from probe.active.link_at import LinkAt
from probe.active.putting_back import all_back
from probe.active.speed_steps import step_to
from probe.active.steps import CannotWrite, Protocol
from probe.active.training import train
from probe.active.ways import ByFunction, ByPort, ByRetrain, BySlot, ByTarget, ByThermal
from probe.evidence import CoolingDevice
from probe.registers.link import LinkControl2
from tests.active.model import COMPONENT, PORT, Comes, Faults, Kept, Killed, Model, began, driver, link
from tests.search import search

if TYPE_CHECKING:
    from probe.active.restoring import Leftover

COOLING = "class/thermal/cooling_device0/cur_state"
SLOT = "bus/pci/slots/1/power"
RESET, SUBORDINATE = f"bus/pci/devices/{COMPONENT}/reset", f"bus/pci/devices/{PORT}/reset_subordinate"
METHOD = f"{RESET}_method"

outcomes = st.lists(
    st.builds(
        Comes,
        ms=st.floats(0.0, 900.0),
        speed_gts=st.none() | st.sampled_from((2.5, 8.0)),
        width=st.none() | st.sampled_from((1, 4)),
        up=st.sampled_from((True, True, True, False)),
    ),
    max_size=12,
)
faults = st.builds(
    Faults,
    ignores_retrain=st.booleans(),
    never_finishes=st.sampled_from((False, False, False, True)),
    target_read_only=st.sampled_from((False, False, True)),
    gone_after=st.none() | st.none() | st.integers(0, 6),
    refuses_writes=st.sampled_from((None, None, None, errno.EPERM)),
    keeps_bandwidth_status_clear=st.booleans(),
    reset_fails=st.sampled_from((0, errno.ENOTTY)),
)
kills = st.lists(st.integers(0, 400), max_size=3)
courses = st.lists(
    st.sampled_from(
        ("retrain", "reset by the port", "reset by the function", "slot power", "slow", "cooled", "awake", "disables")
    ),
    min_size=1,
    max_size=5,
)


def made(comes: list[Comes], wrong: Faults, control: str, target_gts: float) -> Model:
    model = Model(link(target_gts=target_gts), comes, wrong)
    model.files |= {f"bus/pci/devices/{address}/power/control": control for address in (PORT, COMPONENT)}
    model.files |= {COOLING: "0", SLOT: "1", RESET: "", SUBORDINATE: "", METHOD: "flr bus"}
    cooling = CoolingDevice(type="", cur_state="0", max_state="3", name="cooling_device0")
    model.target = replace(model.target, cooling=cooling)
    return model


def carry_out(model: Model, runner: Driver, course: list[str]) -> None:
    found = LinkAt.of(model.target)
    if course[0] != "slow":
        runner.run(keep(PORT, found.port.express + LinkControl2.offset, 1, 0x0F))
    for what in course:
        try:
            runner.run(protocol(found, what))
        except CannotWrite:
            continue


def protocol(found: LinkAt, what: str) -> Protocol[object]:
    if what == "retrain":
        return (yield from train(found, ByRetrain()))
    if what == "reset by the port":
        return (yield from train(found, ByPort(SUBORDINATE)))
    if what == "reset by the function":
        yield from write_file(METHOD, "bus", 1.0)
        return (yield from train(found, ByFunction(RESET, "bus", "flr bus")))
    if what == "slot power":
        return (yield from train(found, BySlot(SLOT)))
    if what == "slow":
        return (yield from step_to(found, 2.5, ByTarget()))
    if what == "cooled":
        return (yield from step_to(found, 5.0, ByThermal(COOLING, 4)))
    for end in (found.component, found.port):
        if what == "awake":
            yield from keep_awake(end.address)
        else:
            control, control_2 = (end.express + at for at in (0x10, 0x30))
            yield from write(end.address, control, 1, 0x00, 0x03)
            yield from write(end.address, control + 1, 1, 0x02, 0x02)
            yield from write(end.address, control_2, 1, 0x20, 0x20)
    return None


@search(300)
@given(outcomes, faults, courses, kills, st.sampled_from(("on", "auto")), st.sampled_from((8.0, 16.0)))
def test_after_put_back_all_is_as_it_was_or_is_told(
    comes: list[Comes], wrong: Faults, course: list[str], killed_at: list[int], control: str, target_gts: float
) -> None:
    model = made(comes, wrong, control, target_gts)
    head, before, kept = began(model), model.controls(), Kept()
    left: tuple[Leftover, ...] = ()
    for number, kill in enumerate([*killed_at, None]):
        model.kill_at = None if kill is None else model.calls + kill
        try:
            runner = driver(model, kept)
            if number == 0:
                carry_out(model, runner, course)
            left = runner.run(all_back(head, kept))
        except Killed:
            continue
    assert not model.wrongs
    changed = {name for name, value in model.controls().items() if before[name] != value}
    told = {item.what for item in left if item.writable}
    assert all(any(_names(item, name) for item in told) for name in changed), (changed, told)
    if wrong.refuses_writes is None and wrong.gone_after is None and not changed:
        assert not told, told
    if wrong == Faults(keeps_bandwidth_status_clear=wrong.keeps_bandwidth_status_clear) and all(c.up for c in comes):
        assert model.controls() == before


@pytest.mark.parametrize(
    "course", [["disables", "awake", "retrain"], ["slow", "cooled"], ["reset by the function"], ["slot power"]]
)
def test_killed_at_every_step(course: list[str]) -> None:
    whole = made([], Faults(), "auto", 16.0)
    carry_out(whole, driver(whole, Kept()), course)
    for kill in range(0, whole.calls + 1, max(1, whole.calls // 300)):
        model = made([], Faults(), "auto", 16.0)
        head, before, state, kept = began(model), model.controls(), model.state(), Kept()
        model.kill_at = kill
        with contextlib.suppress(Killed):
            carry_out(model, driver(model, kept), course)
        model.kill_at = None
        assert driver(model, kept).run(all_back(head, kept)) == ()
        assert model.controls() == before, kill
        assert model.state() == state, kill


def _names(told: str, control: str) -> bool:
    """A leftover tells of a control: the same file, or the register and function of the same field."""
    if told == control:
        return True
    register = "Link Control 2" if "Speed" in control else "Link Control"
    return (told.startswith(register) and PORT in told and PORT in control) or (
        COMPONENT in told and COMPONENT in control
    )
