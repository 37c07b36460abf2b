"""The reasons of a verdict: each names the register, file or log line it rests on, its value, and what it means."""

from probe.counted import counted
from probe.evidence import Unread, Why
from probe.kernel_spellings import REMOVABLE
from probe.links.end import LinkEnd, best_of
from probe.links.fact import value_of
from probe.links.link import Link
from probe.links.reason import Reason
from probe.links.state import LinkState
from probe.registers.link import LinkControl2


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
        why = "keeps its port in memory" if link.functions[0].keeps_link_in_memory else "a pass-through device?"
        meaning = f"no port is visible above this component ({why}): judged from this end alone"
        return (Reason(f"parent of {link.functions[0].address}", "none", meaning),)
    mute = next(end for end in link.ends if end not in link.judging_ends)
    if link.emulated_port:
        meaning = "an emulated port, which claims less than the component runs at: judged from the component alone"
        return (Reason(f"Link Status of {mute.address}", _runs_at(mute), meaning),)
    says = "what it can do was not read" if mute.best_not_read else "states no capability of its own"
    meaning = f"{says}: judged from the other end alone"
    return (Reason(f"Link Capabilities of {mute.address}", _stated(mute), meaning),)


def _stated(end: LinkEnd) -> str:
    state = best_of(end)
    if state.speed_gts is None and state.width is None:
        return "not stated"
    return f"speed {state.speed_gts or 'not stated'}, width {state.width or 'not stated'}"


def _runs_at(end: LinkEnd) -> str:
    return str(LinkState(value_of(end.speed), value_of(end.width)))


def component_tells_nothing(link: Link) -> tuple[Reason, ...]:
    """The component's Link Status that holds nothing, below a port that claims a state of its own."""
    address = link.functions[0].address
    meaning = "tells no speed and no width (a virtual function?): what the port above claims cannot be checked"
    return (Reason(f"Link Status of {address}", "reads 0", meaning),)


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
    found = [limit.reason for limit in link.speed_limits]
    for end in link.ends:
        fact = end.function.read(LinkControl2.hardware_autonomous_speed_disable)
        if fact is not None and fact.value:
            found.append(Reason(fact.source, fact.shown, "the hardware may not raise the speed on its own"))
    if not link.speed_limits:
        meaning = "nothing names the holder: firmware set it at boot, or an administrator since"
        found.append(Reason("cooling devices and kernel log", "no entry for this port", meaning))
    return tuple(found)


def fewer_lanes_wired(link: Link) -> tuple[Reason, ...]:
    """Firmware's word that the slot has no more lanes than the link trained to."""
    slot, now = link.slot, link.negotiated.width
    if (
        slot is None
        or slot.smbios_lanes is None
        or now is None
        or not 0 < slot.smbios_lanes < (link.possible.width or 0)
    ):
        return ()
    named = slot.title or "the slot"
    wired = f"{counted(slot.smbios_lanes, 'lane')} wired"
    if now >= slot.smbios_lanes:
        return (Reason(f"SMBIOS System Slots, {named}", wired, "the slot has no more lanes: wiring, not a bad lane"),)
    return (
        Reason(f"SMBIOS System Slots, {named}", wired, "the slot has fewer lanes than the port, and some are lost"),
    )


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
