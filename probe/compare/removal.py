"""How a component went: by button, by power, by software, by surprise or by containment, as log and port tell."""

from collections.abc import Sequence
from enum import StrEnum

import msgspec

from probe.compare.comparable import Comparable, Place
from probe.errors.log_events import EventKind, LogEvent
from probe.links.fact import value_of
from probe.links.function import FunctionFacts
from probe.registers.containment import DpcStatus
from probe.registers.link import LinkControl, LinkStatus
from probe.registers.slot import SlotCapabilities, SlotControl, SlotStatus


class Way(StrEnum):
    """How a component went."""

    BUTTON = "button"
    POWER_OFF = "power off"
    SOFTWARE = "software"
    POWER_FAULT = "power fault"
    SURPRISE = "surprise"
    LINK_OFF = "link off"
    CONTAINMENT = "containment"
    NOT_KNOWN = "not known"


_WORDS = {
    Way.BUTTON: ": removed by the button of its slot",
    Way.POWER_OFF: ": its slot was switched off",
    Way.SOFTWARE: ": removed by software, its link is still up",
    Way.POWER_FAULT: ": its slot lost power (power fault)",
    Way.SURPRISE: ": pulled, or lost its link, without notice",
    Way.LINK_OFF: ": its link was switched off (Link Disable)",
    Way.CONTAINMENT: ": its port cut the link off to contain an error",
    Way.NOT_KNOWN: "",
}
_ASKED_FOR = frozenset({Way.BUTTON, Way.POWER_OFF, Way.SOFTWARE})
_BY_EVENT = (
    (EventKind.BUTTON, Way.BUTTON),
    (EventKind.POWER_FAULT, Way.POWER_FAULT),
    (EventKind.CARD_OUT, Way.SURPRISE),
    (EventKind.CONTAINMENT, Way.CONTAINMENT),
    (EventKind.LINK_DOWN, Way.SURPRISE),
)
TOLD_BY_REMOVAL = frozenset({*(kind for kind, _ in _BY_EVENT), EventKind.CARD})


class Removal(msgspec.Struct, frozen=True):
    """How a component went, and what says so: lines of the kernel's log, or a register of its port."""

    way: Way = Way.NOT_KNOWN
    told_by: tuple[str, ...] = ()

    @property
    def asked_for(self) -> bool:
        """Whether a person or a program asked for it."""
        return self.way in _ASKED_FOR

    @property
    def words(self) -> str:
        """To follow the name of the component."""
        return _WORDS[self.way]

    @property
    def source(self) -> str:
        """What says so, to follow other evidence."""
        return "".join(f"; {item}" for item in self.told_by)


def removal(then: Place, now: Place | None, after: Comparable, events: Sequence[LogEvent]) -> Removal:
    """How the component of `then` went. The last word is the log's, else the port's registers."""
    lines = [event for event in events if event.address == then.link.downstream_port and event.kind in TOLD_BY_REMOVAL]
    kinds = {event.kind for event in lines}
    for kind, way in _BY_EVENT:
        if kind in kinds:
            told = (f"kernel log{'' if e.time_s is None else f' at {e.time_s:.3f} s'}: {e.text}" for e in lines)
            return Removal(way, tuple(dict.fromkeys(told)))
    port = None if now is None else now.link.downstream_port
    found = next((item for item in after.evidence.functions if item.address == port), None)
    return Removal() if found is None else _by_registers(FunctionFacts(found))


def _by_registers(port: FunctionFacts) -> Removal:
    contained = port.read(DpcStatus.dpc_trigger_status)
    fault = port.read(SlotStatus.power_fault_detected)
    controller = port.read(SlotCapabilities.power_controller_present)
    power = port.read(SlotControl.power_controller_control)
    disabled = port.read(LinkControl.link_disable)
    active = port.read(LinkStatus.data_link_layer_link_active)
    for fact, way in ((contained, Way.CONTAINMENT), (fault, Way.POWER_FAULT)):
        if fact is not None and fact.value:
            return Removal(way, (f"{fact.source}: {fact.shown}",))
    if power is not None and value_of(controller) and power.value == "power off":
        return Removal(Way.POWER_OFF, (f"{power.source}: {power.shown}",))
    if active is not None and active.value:
        return Removal(Way.SOFTWARE, (f"{active.source}: {active.shown}",))
    if disabled is not None and disabled.value:  # by a person, or by a platform that contains errors so
        return Removal(Way.LINK_OFF, (f"{disabled.source}: {disabled.shown}",))
    return Removal()
