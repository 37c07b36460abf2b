"""Evidence that a link is slower or narrower to save power, and evidence that it is not."""

from collections.abc import Iterable, Iterator
from itertools import chain

from probe.evidence import Why
from probe.kernel_spellings import BUSY_PERCENT, LEVEL_IN_USE, LINK_LEVELS
from probe.links.fact import Fact
from probe.links.function import FunctionFacts
from probe.links.link import Link
from probe.links.reason import Reason
from probe.registers.function import DeviceControl3, DeviceStatus3
from probe.registers.link import LinkStatus, LinkStatus2
from probe.verdict.equalization import never_trained_at_best

_BUSY_PERCENT = 5


def asleep(link: Link) -> tuple[Reason, ...]:
    """A power state below D0 at every function of the component, at the port, or at both."""
    states = [function.power_state for function in link.functions if function.asleep]
    if len(states) < len(link.functions):
        states = []
    if link.port is not None and link.port.function.asleep:
        states.insert(0, link.port.function.power_state)
    return tuple(_sleeping(states))


def left_asleep(link: Link) -> tuple[Reason, ...]:
    """The sleep of an end that was for that reason not asked what it can do."""
    mute = [end for end in link.ends if end not in link.judging_ends]
    if any(item.why is Why.ASLEEP for end in mute for item in end.function.unread()):
        return asleep(link)
    return ()


def _sleeping(states: Iterable[Fact[str] | None]) -> Iterator[Reason]:
    for state in states:
        if state is not None:
            yield Reason(state.source, state.shown, "asleep: judge again when it works")


def changed_by_itself(link: Link) -> Reason | None:
    """Link Autonomous Bandwidth Status of the Downstream Port without Link Bandwidth Management Status.

    Base Specification 6.x, 7.5.3.8 (from memory): reserved at Upstream Ports and Endpoints; the second bit says that
    the change was made to cure unreliable operation, or followed a retraining by software.
    """
    autonomous = link.port_fact(LinkStatus.link_autonomous_bandwidth_status)
    managed = link.port_fact(LinkStatus.link_bandwidth_management_status)
    if autonomous is None or not autonomous.value or managed is None or managed.value:
        return None
    meaning = "the hardware changed speed or width on its own, not to cure errors: judge again under load"
    return Reason(autonomous.source, autonomous.shown, meaning)


def both_bandwidth_bits(link: Link) -> tuple[Reason, ...]:
    """Both bandwidth bits of the Downstream Port set, which together excuse nothing."""
    autonomous = link.port_fact(LinkStatus.link_autonomous_bandwidth_status)
    managed = link.port_fact(LinkStatus.link_bandwidth_management_status)
    if autonomous is None or not autonomous.value or managed is None or not managed.value:
        return ()
    meaning = "the hardware changed speed or width on its own"
    cure = "and it changed because it was unreliable, or after a retraining by software: no excuse"
    return (Reason(autonomous.source, autonomous.shown, meaning), Reason(managed.source, managed.shown, cure))


def narrowed_by_l0p(link: Link) -> tuple[Reason, ...]:
    """L0p in Flit mode: the link trained wide enough and runs fewer lanes now to save power (from memory, 7.7.9)."""
    best = link.possible.width
    flit = [end.function.read(LinkStatus2.flit_mode_status) for end in link.ends]
    enabled = [end.function.read(DeviceControl3.l0p_enable) for end in link.ends]
    if best is None or not any(fact is not None and fact.value for fact in flit):
        return ()
    on = next((fact for fact in enabled if fact is not None and fact.value), None)
    if on is None:
        return ()
    for end in link.ends:
        initial = end.function.read(DeviceStatus3.initial_link_width)
        if initial is not None and initial.value >= best:
            meaning = "the link came up this wide and has lanes at rest (L0p): judge again under load"
            return (
                Reason(initial.source, initial.shown, meaning),
                Reason(on.source, on.shown, "lanes may rest to save power"),
            )
    return ()


def at_rest(link: Link) -> tuple[Reason, ...]:
    """Evidence of power saving for everything that is short; none where a part of it has no such excuse."""
    asked = {"speed": slower_to_save_power, "width": narrower_to_save_power}
    found = [asked[name](link) for name in link.shortfall]
    return tuple(dict.fromkeys(chain.from_iterable(found))) if all(found) else ()


def narrower_to_save_power(link: Link) -> tuple[Reason, ...]:
    """A link that narrowed on its own, or by L0p. Sleep and idleness narrow no link."""
    changed = changed_by_itself(link)
    return narrowed_by_l0p(link) if changed is None else (changed,)


def slower_to_save_power(link: Link) -> tuple[Reason, ...]:
    """Sleep, idle counters, or a link that slowed on its own after it could train at the better speed."""
    found = asleep(link) or idle(link)
    if found:
        return found
    changed = changed_by_itself(link)
    return () if changed is None or never_trained_at_best(link) else (changed,)


def idle(link: Link) -> tuple[Reason, ...]:
    """Counters and levels of display and accelerator functions that say that none of them asks for more."""
    computing = [function for function in link.functions if function.computes_or_displays]
    found = [(tuple(_idle(function)), at_work(function)) for function in computing]
    if any(working and not evidence for evidence, working in found):
        return ()
    return tuple(reason for evidence, _ in found for reason in evidence)


def _idle(function: FunctionFacts) -> Iterator[Reason]:
    again = "judge again at full load: the speed follows the performance state, and is lower at part load too"
    busy = function.attribute(BUSY_PERCENT)
    if busy is not None and busy.value.isdecimal() and not at_work(function):
        yield Reason(busy.source, f"{busy.shown} %", f"idle; {again}")
    level = function.attribute(LINK_LEVELS)
    rows = level.value.splitlines() if level is not None else []
    if level is not None and rows and any(LEVEL_IN_USE in row for row in rows[:-1]):
        current = next(row for row in rows if LEVEL_IN_USE in row)
        yield Reason(level.source, current.strip(), f"the driver has chosen a lower link level; {again}")


def at_work(function: FunctionFacts) -> bool:
    """Whether its busy counter says that it works; a counter that was not read says nothing."""
    busy = function.attribute(BUSY_PERCENT)
    return busy is not None and busy.value.isdecimal() and int(busy.value) >= _BUSY_PERCENT


def may_be_idle(link: Link) -> bool:
    """Whether a short speed could as well be rest: nothing says that the component works, nor that it never trained."""
    if "speed" not in link.shortfall or never_trained_at_best(link):
        return False
    return not any(at_work(function) for function in link.functions if function.computes_or_displays)


def doubt(link: Link) -> tuple[Reason, ...]:
    """A word of doubt where the evidence decides neither way."""
    if not may_be_idle(link):
        return ()
    meaning = "a component may run slower at idle, and nothing read says whether this one does: load it, look again"
    where = " and ".join(str(end.address) for end in link.ends)
    return (Reason(f"power state and counters of {where}", "no evidence of rest or work", meaning),)
