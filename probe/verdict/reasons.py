"""The reasons of a verdict: each names the register, file or log line it rests on, its value, and what it means."""

from collections.abc import Iterable, Iterator

from probe.evidence import Unread, Why
from probe.kernel_spellings import (
    BUSY_PERCENT,
    LEVEL_IN_USE,
    LINK_LEVELS,
    REMOVABLE,
    RUNTIME_AUTO,
    RUNTIME_CONTROL,
)
from probe.links.end import LinkEnd, best_of
from probe.links.fact import Fact, Written
from probe.links.link import Link
from probe.links.reason import Reason
from probe.links.state import LinkState
from probe.registers.link import LinkControl, LinkControl2, LinkStatus
from probe.registers.slot import SlotCapabilities, SlotControl

_BUSY_PERCENT = 5


def no_function_listed(link: Link) -> Fact[str]:
    """What is known of a port below which nothing is listed."""
    address = link.port.address if link.port else "the root"
    return Fact("", Written(f"functions below {address}", "none listed"))


def switched_off(link: Link) -> tuple[Reason, ...]:
    """A slot or link that software has switched off."""
    if link.port is None:
        return ()
    found = []
    power = link.port.function.read(SlotControl.power_controller_control)
    controlled = link.port.function.read(SlotCapabilities.power_controller_present)
    if power is not None and controlled is not None and controlled.value and power.value == "power off":
        found.append(Reason(power.source, power.shown, "the slot's power is switched off"))
    disabled = link.port.function.read(LinkControl.link_disable)
    if disabled is not None and disabled.value:
        found.append(Reason(disabled.source, disabled.shown, "the link is switched off by software"))
    return tuple(found)


def tunnel(link: Link) -> tuple[Reason, ...]:
    """Why a tunnelled link says nothing about a slot."""
    source = next((f for f in link.functions if f.evidence.attributes.get(REMOVABLE) == REMOVABLE), None)
    where = f"{REMOVABLE} of {source.address}" if source else f"path of {link.ends[0].address}"
    return (Reason(where, REMOVABLE, "a tunnelled link: the rate it states is not the rate it has"),)


def what_was_missing(link: Link) -> tuple[Reason, ...]:
    """What kept both the state and the capabilities from being known."""
    found = [
        Reason(item.path, f"{item.why}: {item.detail}" if item.detail else str(item.why), _meaning(item))
        for end in link.ends
        for item in end.function.unread()
    ]
    if found:
        return tuple(found)
    names = ", ".join(str(end.address) for end in link.ends)
    return (Reason(f"Link Capabilities and Link Status of {names}", "not stated", "neither end says what the link is"),)


def _meaning(item: Unread) -> str:
    if item.why in {Why.SHORT, Why.DENIED}:
        return "needs root (CAP_SYS_ADMIN) to be read whole"
    if item.why is Why.ASLEEP:
        return "left asleep; --wake reads it"
    return "could not be read"


def one_end_only(link: Link) -> tuple[Reason, ...]:
    """Which end is judged on its own, and why the other is not there."""
    if link.port is None:
        meaning = "no port is visible above this component (a pass-through device?): judged from this end alone"
        return (Reason(f"parent of {link.functions[0].address}", "none", meaning),)
    mute = next(end for end in link.ends if end not in link.judging_ends)
    meaning = "states no capability of its own: judged from the other end alone"
    return (Reason(f"Link Capabilities of {mute.address}", _stated(mute), meaning),)


def _stated(end: LinkEnd) -> str:
    state = best_of(end)
    if state.speed_gts is None and state.width is None:
        return "not stated"
    return f"speed {state.speed_gts or 'not stated'}, width {state.width or 'not stated'}"


def state(link: Link, meaning: str) -> tuple[Reason, ...]:
    """What the link runs at."""
    facts = [fact for fact in (link.speed, link.width) if fact is not None]
    sources = " and ".join(dict.fromkeys(fact.source for fact in facts))
    return (Reason(sources, "; ".join(fact.shown for fact in facts), meaning),)


def both_best(link: Link, name: str) -> tuple[Reason, ...]:
    """What the link runs at, and what each end can do, in the one respect that is short."""
    now = link.speed if name == "speed" else link.width
    found = [] if now is None else [Reason(now.source, now.shown, f"the {name} the link trained to")]
    for end, word in ((link.port, "the port above"), (link.component, "the component below")):
        if end is not None:
            best = end.best_speed if name == "speed" else end.best_width
            if best is not None:
                found.append(Reason(best.source, best.shown, f"the best {word} can do"))
    return tuple(found)


def holding_target(link: Link) -> Reason | None:
    """The Target Link Speed that holds the link at the speed it has, at the port, or at a component that obeys it."""
    now = link.negotiated.speed_gts
    for end in link.ends:
        target = end.function.read(LinkControl2.target_link_speed)
        if target is None or target.value != now:
            continue
        disabled = end.function.read(LinkControl2.hardware_autonomous_speed_disable)
        if end is link.port or (disabled is not None and disabled.value):
            return Reason(target.source, target.shown, "the speed is held here, below what both ends can do")
    return None


def what_holds(link: Link) -> tuple[Reason, ...]:
    """Who holds the speed down, as far as anything says so."""
    found = list(link.speed_limits)
    for end in link.ends:
        fact = end.function.read(LinkControl2.hardware_autonomous_speed_disable)
        if fact is not None and fact.value:
            found.append(Reason(fact.source, fact.shown, "the hardware may not raise the speed on its own"))
    if not link.speed_limits:
        meaning = "nothing names the holder: firmware set it at boot, or an administrator since"
        found.append(Reason("cooling devices and kernel log", "no entry for this port", meaning))
    return tuple(found)


def asleep(link: Link) -> tuple[Reason, ...]:
    """A power state below D0 at every function of the component, or at the port."""
    states = [function.power_state for function in link.functions if function.asleep]
    if link.functions and len(states) == len(link.functions):
        return tuple(_sleeping(states))
    if link.port is not None and link.port.function.asleep:
        return tuple(_sleeping([link.port.function.power_state]))
    return ()


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


def saving_power(link: Link) -> tuple[Reason, ...]:
    """Power saving in D0 that the evidence shows."""
    found = []
    autonomous = link.flag(LinkStatus.link_autonomous_bandwidth_status)
    if autonomous is not None and autonomous.value:
        meaning = "the hardware changed the speed on its own, not to cure errors: judge again under load"
        found.append(Reason(autonomous.source, autonomous.shown, meaning))
    if any(function.computes_or_displays for function in link.functions):
        found += _idle_counters(link)
    return tuple(found)


def _idle_counters(link: Link) -> Iterator[Reason]:
    again = "judge again at full load: the speed follows the performance state, and is lower at part load too"
    for function in link.functions:
        if not function.computes_or_displays:
            continue
        busy = function.attribute(BUSY_PERCENT)
        if busy is not None and busy.value.isdecimal() and int(busy.value) < _BUSY_PERCENT:
            yield Reason(busy.source, f"{busy.shown} %", f"idle; {again}")
        level = function.attribute(LINK_LEVELS)
        rows = level.value.splitlines() if level is not None else []
        if level is not None and rows and any(LEVEL_IN_USE in row for row in rows[:-1]):
            current = next(row for row in rows if LEVEL_IN_USE in row)
            yield Reason(level.source, current.strip(), f"the driver has chosen a lower link level; {again}")
        control = function.attribute(RUNTIME_CONTROL)
        if control is not None and control.value == RUNTIME_AUTO:
            yield Reason(control.source, control.shown, f"run-time power saving is allowed; {again}")


def may_be_idle(link: Link) -> tuple[Reason, ...]:
    """A word of doubt where the kind of component often saves power without saying so."""
    for function in link.functions:
        if function.computes_or_displays:
            meaning = "this kind often runs slower at idle, but nothing read shows that it does: load it, look again"
            return (Reason(f"class of {function.address}", f"{int(function.class_code or 0):06x}h", meaning),)
    return ()


def lesser_slot(link: Link, name: str) -> tuple[Reason, ...]:
    """The port that can do less than the component."""
    found = both_best(link, name)
    meaning = f"the slot's {name} is below the component's: a better slot would carry more"
    return (*found[:-1], Reason(found[-1].source, found[-1].value, meaning))


def contradictions(link: Link) -> tuple[Reason, ...]:
    """Where the evidence speaks against itself."""
    found = [] if link.disagreement is None else [link.disagreement]
    now, best = link.negotiated, link.possible
    if _exceeds(now, best):
        meaning = "the hardware contradicts itself: the link runs above what an end says it can do"
        found.append(Reason("Link Status against Link Capabilities", f"{now} against {best}", meaning))
    return tuple(found)


def _exceeds(now: LinkState, best: LinkState) -> bool:
    faster = now.speed_gts is not None and best.speed_gts is not None and now.speed_gts > best.speed_gts
    wider = now.width is not None and best.width is not None and now.width > best.width
    return faster or wider
