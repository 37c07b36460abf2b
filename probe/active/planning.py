"""What a test would do, told before it does it: each write with the value that stands there, who is below, how long.

May live here: the plan of each command, and the cautions that stand before all of them. May not: writing.
"""

from collections.abc import Iterable, Sequence
from typing import Any

import msgspec

from probe.active.binomial import none_shows
from probe.active.documents import Below, Plan, PlannedLink, PlannedWrite
from probe.active.guard import Finding
from probe.active.speed_steps import RISES
from probe.active.target import Target
from probe.active.training import RESET_S, SLOT_OFF_S, TRAINING_S
from probe.active.ways import ByFunction, ByPort, ByRetrain, BySlot, ByTarget, ByThermal, Means, SpeedMeans
from probe.audit.names import title
from probe.evidence import Host
from probe.kernel_spellings import RUNTIME_CONTROL
from probe.links.function import FunctionFacts
from probe.registers.link import LinkControl, LinkControl2
from probe.registers.table_language import Field

CAUTIONS = (
    """A bad link may not come back until power is removed, and the machine may stop: keep a console and remote power at
    hand, move users off, back up, and do not do this in production.""",
    """Data on its way is lost; a device may come back under another name; a card may reset its firmware and lose
    volatile settings; fans and accelerators may run at full power while their driver is gone.""",
    """Do only what the service manual allows; it, local codes and licensed practice come before anything said here.
    Before a hand goes near: power off and unplug, wait for stored charge to drain, wear an ESD strap, mind hot and
    heavy parts.""",
)
POWER_CAUTION = f"""Repeated power cycles of a slot wear its hot-swap switch and inrush parts: a card must cool and
    discharge in between (here {SLOT_OFF_S:g} s; the service manual's time if that is longer)."""
_AWAKE = "keeps both ends awake; put back afterwards"


class Intended(msgspec.Struct, frozen=True, kw_only=True):
    """What is written at a link, how many seconds it takes (as seen, and at most by its waits), what it can show."""

    writes: tuple[PlannedWrite, ...]
    usual_s: float
    most_s: float
    shows: str
    times: int = 0


def training_writes(target: Target, means: Means) -> tuple[PlannedWrite, ...]:
    """What one training writes."""
    match means:
        case ByRetrain():
            own = [register_write(target.port, LinkControl.retrain_link, "set", "a training; the bit reads 0")]
        case ByPort(path=path):
            meaning = "the kernel saves all that is below, resets the bus and restores it"
            own = [PlannedWrite(what="reset_subordinate", where=f"/sys/{path}", old=None, new="1", meaning=meaning)]
        case ByFunction(path=path, method=method, instead_of=held):
            meaning = f"the kernel saves the function, resets it by {method} and restores it"
            own = [PlannedWrite(what="reset", where=f"/sys/{path}", old=None, new="1", meaning=meaning)]
            if held is not None:
                what, where = "reset_method", f"/sys/{path}_method"
                meaning = "the reset to use; put back afterwards"
                own.insert(0, PlannedWrite(what=what, where=where, old=held, new=method, meaning=meaning))
        case BySlot(path=path):
            meaning = "power off and on; the kernel removes the device and finds it anew"
            own = [PlannedWrite(what="slot power", where=f"/sys/{path}", old="1", new="0, then 1", meaning=meaning)]
    return (*awake_writes(target), *own)


def speed_writes(target: Target, means: SpeedMeans, speeds: Iterable[float]) -> tuple[PlannedWrite, ...]:
    """What a run through these speeds writes."""
    told = ", ".join(f"{speed:g}" for speed in speeds)
    if isinstance(means, ByThermal):
        meaning = f"the kernel trains the link to {told} GT/s in turn; put back afterwards"
        held = None if target.cooling is None else target.cooling.cur_state
        new, where = "one state a speed", f"/sys/{means.path}"
        return (*awake_writes(target), PlannedWrite(what="cur_state", where=where, old=held, new=new, meaning=meaning))
    return (
        *awake_writes(target),
        register_write(target.port, LinkControl2.target_link_speed, f"{told} GT/s", "put back afterwards"),
        register_write(target.port, LinkControl.retrain_link, "set", f"up to {RISES} trainings a speed"),
    )


def awake_writes(target: Target) -> list[PlannedWrite]:
    """What keeps both ends awake."""
    return [
        PlannedWrite(
            what=RUNTIME_CONTROL, where=f"/sys/bus/pci/devices/{end.address}/{RUNTIME_CONTROL}", old="auto", new="on",
            meaning=_AWAKE,
        )
        for end in (target.port, target.component)
        if end.evidence.attributes.get(RUNTIME_CONTROL) == "auto"
    ]  # fmt: skip


def register_write(function: FunctionFacts, field: Field[Any], new: str, meaning: str) -> PlannedWrite:
    """One field that is written, with the value that stands there."""
    raw = function.space.register(field.register)
    return PlannedWrite(
        what=f"{field.name} in {field.register.name}",
        where=f"{function.address}, offset {function.space.offset_of(field.register) or 0:03x}h, one byte",
        old=None if raw is None else field.text(raw),
        new=new,
        meaning=meaning,
    )


def intended_trainings(target: Target, means: Means, times: int) -> Intended:
    """So many trainings. The usual times are those of an emulated machine, whose links train at once."""
    match means:
        case ByRetrain():
            usual, most = 0.05, 2 * TRAINING_S + 1.0
        case ByPort() | ByFunction():
            usual, most = 0.3, RESET_S
        case BySlot():
            usual, most = SLOT_OFF_S + 3.0, SLOT_OFF_S + 2 * RESET_S
    return Intended(
        writes=training_writes(target, means),
        usual_s=times * usual,
        most_s=times * most,
        times=times,
        shows=f"none short in {times} would say: fewer than {none_shows(times):.2%} of all are (95 %)",
    )


def intended_speeds(target: Target, means: SpeedMeans, speeds: Sequence[float], seconds: float) -> Intended:
    """A run through these speeds, so many seconds at each."""
    return Intended(
        writes=speed_writes(target, means, speeds),
        usual_s=len(speeds) * (seconds + 0.1),
        most_s=len(speeds) * (seconds + RISES * (2 * TRAINING_S + 1.0)),
        shows="each speed that both ends support: whether the link trains to it, carries data, and is free of errors",
    )


def planned_link(target: Target, means: str, found: Sequence[Finding], intended: Intended) -> PlannedLink:
    """The plan of one link."""
    return PlannedLink(
        downstream_port=str(target.port.address),
        upstream_port=str(target.component.address),
        title=title(target.document),
        state=target.document.negotiated,
        means=means,
        writes=intended.writes,
        below=tuple(_below(function) for function in target.below),
        findings=tuple(found),
        lasts_s=intended.usual_s,
        at_most_s=intended.most_s,
        shows=intended.shows,
        times=intended.times,
    )


def _below(function: FunctionFacts) -> Below:
    names = function.evidence.names
    name = " ".join(filter(None, (names.vendor, names.device))) or names.kind or "name not known"
    return Below(address=str(function.address), name=name, driver=function.evidence.driver)


def plan(
    command: str, host: Host, links: Sequence[PlannedLink], cautions: tuple[str, ...], left_behind: str | None
) -> Plan:
    """The plan of a command: `accept` are all the words that it would need."""
    found = [finding for link in links for finding in link.findings]
    words = dict.fromkeys(finding.word or "" for finding in found)
    return Plan(
        command=command,
        host=host,
        links=tuple(links),
        accept=tuple(filter(None, words)),
        refused=left_behind is not None or any(finding.word is None for finding in found),
        left_behind=left_behind,
        cautions=tuple(" ".join(caution.split()) for caution in cautions),
    )


def told(means: Means | SpeedMeans) -> str:
    """The means in words."""
    match means:
        case ByRetrain():
            return "Retrain Link of the port"
        case ByPort():
            return "the kernel's reset of the bus (reset_subordinate of the port)"
        case ByFunction(method=method):
            return f"the kernel's reset of the function (by {method})"
        case BySlot(path=path):
            return f"the power of slot {path.split('/')[-2]}"
        case ByTarget():
            return "Target Link Speed of the port, then Retrain Link"
        case ByThermal():
            return "the kernel's cooling device of the port"
