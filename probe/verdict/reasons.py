"""The grounds of a verdict: each names the register, file or log line it rests on, its value, and what it means."""

from collections.abc import Iterable, Iterator

from probe.evidence import Unread, Why
from probe.links.facts import Fact, LinkEnd, Written
from probe.links.link import Link, best_of
from probe.links.reason import Reason
from probe.links.state import LinkState
from probe.registers import express, physical
from probe.registers.model import Register, Structure
from probe.verdict.lanes import lane_reasons

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
    power = link.port.function.express_text(express.SLOT_CONTROL["Power Controller Control"])
    controlled = link.port.function.express_flag(express.SLOT_CAPABILITIES["Power Controller Present"])
    if power is not None and controlled is not None and controlled.value and power.value == "power off":
        found.append(Reason(power.source, power.shown, "the slot's power is switched off"))
    disabled = link.port.function.express_flag(express.LINK_CONTROL["Link Disable"])
    if disabled is not None and disabled.value:
        found.append(Reason(disabled.source, disabled.shown, "the link is switched off by software"))
    return tuple(found)


def tunnel(link: Link) -> tuple[Reason, ...]:
    """Why a tunnelled link says nothing about a slot."""
    source = next((f for f in link.functions if f.evidence.attributes.get("removable") == "removable"), None)
    where = f"removable of {source.address}" if source else f"path of {link.ends[0].address}"
    return (Reason(where, "removable", "a tunnelled link: the rate it states is not the rate it has"),)


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


def suspects(link: Link) -> tuple[Reason, ...]:
    """Which lanes a short width points to."""
    now, best = link.negotiated.width, link.possible.width
    return () if now is None or best is None else lane_reasons(link, now, best)


_EQUALIZATION: tuple[tuple[str, float, Structure, Register], ...] = (
    ("8.0", 8.0, express.PCI_EXPRESS, express.LINK_STATUS_2),
    ("16.0", 16.0, physical.PHYSICAL_LAYER_16, physical.STATUS_16),
    ("32.0", 32.0, physical.PHYSICAL_LAYER_32, physical.STATUS_32),
    ("64.0", 64.0, physical.PHYSICAL_LAYER_64, physical.STATUS_64),
)


def equalized_rates(end: LinkEnd) -> tuple[str, ...]:
    """The rates, GT/s, at which equalization completed by this end's word."""
    found = []
    for rate, _, structure, register in _EQUALIZATION:
        done = end.function.flag(structure, register[f"Equalization {rate} GT/s Complete"])
        if done is not None and done.value:
            found.append(rate.removesuffix(".0"))
    return tuple(found)


def of_speed(link: Link) -> tuple[Reason, ...]:
    """Where a speed is short: what equalization reached at each rate the link should have gone through."""
    possible = link.possible.speed_gts
    if "speed" not in link.shortfall or possible is None or link.port is None:
        return ()
    return tuple(reason for row in _EQUALIZATION if row[1] <= possible for reason in _equalization(link.port, *row))


def _equalization(end: LinkEnd, rate: str, _: float, structure: Structure, register: Register) -> Iterator[Reason]:
    done = end.function.flag(structure, register[f"Equalization {rate} GT/s Complete"])
    if done is None:
        return
    phases = [
        end.function.flag(structure, register[f"Equalization {rate} GT/s Phase {phase} Successful"])
        for phase in (1, 2, 3)
    ]
    passed = [str(phase) for phase, fact in enumerate(phases, start=1) if fact is not None and fact.value]
    if done.value and len(passed) == len(phases):
        meaning = f"equalization at {rate} GT/s completed in all phases"
    elif done.value:
        meaning = f"equalization at {rate} GT/s ended with phases {', '.join(passed) or 'none'} successful"
    else:
        meaning = f"equalization at {rate} GT/s was not completed"
    yield Reason(done.source, done.shown, meaning)


def holding_target(link: Link) -> Reason | None:
    """The Target Link Speed that holds the link at the speed it has, at the port, or at a component that obeys it."""
    now = link.negotiated.speed_gts
    bound = express.LINK_CONTROL_2["Target Link Speed"]
    for end in link.ends:
        target = end.function.speed(express.PCI_EXPRESS, bound)
        if target is None or target.value != now:
            continue
        disabled = end.function.express_flag(express.LINK_CONTROL_2["Hardware Autonomous Speed Disable"])
        if end is link.port or (disabled is not None and disabled.value):
            return Reason(target.source, target.shown, "the speed is held here, below what both ends can do")
    return None


def holders(link: Link) -> tuple[Reason, ...]:
    """Who holds the speed down, as far as anything says so."""
    found = list(link.holders)
    for end in link.ends:
        fact = end.function.express_flag(express.LINK_CONTROL_2["Hardware Autonomous Speed Disable"])
        if fact is not None and fact.value:
            found.append(Reason(fact.source, fact.shown, "the hardware may not raise the speed on its own"))
    if not link.holders:
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
    autonomous = link.flag("Link Autonomous Bandwidth Status")
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
        busy = function.attribute("gpu_busy_percent")
        if busy is not None and busy.value.isdecimal() and int(busy.value) < _BUSY_PERCENT:
            yield Reason(busy.source, f"{busy.shown} %", f"idle; {again}")
        level = function.attribute("pp_dpm_pcie")
        rows = level.value.splitlines() if level is not None else []
        if level is not None and rows and any("*" in row for row in rows[:-1]):
            current = next(row for row in rows if "*" in row)
            yield Reason(level.source, current.strip(), f"the driver has chosen a lower link level; {again}")
        control = function.attribute("power/control")
        if control is not None and control.value == "auto":
            yield Reason(control.source, control.shown, f"run-time power saving is allowed; {again}")


def may_be_idle(link: Link) -> tuple[Reason, ...]:
    """A word of doubt where the kind of component often saves power without saying so."""
    for function in link.functions:
        if function.computes_or_displays:
            meaning = "this kind often runs slower at idle, but nothing read shows that it does: load it, look again"
            return (Reason(f"class of {function.address}", f"{function.class_code:06x}h", meaning),)
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
