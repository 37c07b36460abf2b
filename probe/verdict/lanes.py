"""Which lanes a short width points to.

A link trained to w of a possible 2w or more without lane reversal lost a lane in w to 2w-1: with that lane it would
have formed the next wider link. Inferred from AMD PG343, "Lane Becomes Faulty", and PG213, "Link Partner Supports
Fewer Lanes".
"""

from probe.links.link import Link, WhichEnd
from probe.links.reason import Reason
from probe.registers.physical import LaneErrorStatus, LocalDataParity
from probe.verdict.power_saving import narrower_to_save_power
from probe.verdict.verdicts import Verdict


def suspect_lanes(trained: int, possible: int) -> range:
    """The lanes of which at least one failed, counted from lane 0 without reversal."""
    return range(trained, min(2 * trained, possible)) if 0 < trained < possible else range(0)


def wiring_explains(link: Link) -> bool:
    """Firmware says that the slot has no more lanes than the link trained to."""
    wired, now = (None if link.slot is None else link.slot.smbios_lanes), link.negotiated.width
    return wired is not None and now is not None and 0 < wired <= now


def suspects_of(link: Link, word: Verdict) -> tuple[int, ...]:
    """The suspect lanes of a downtrained link; none where its lanes rest."""
    now, best = link.negotiated.width, link.possible.width
    if word is not Verdict.DOWNTRAINED or now is None or best is None or wiring_explains(link):
        return ()
    if narrower_to_save_power(link):
        return ()
    return tuple(suspect_lanes(now, best))


def lanes_in_error(link: Link) -> dict[WhichEnd, tuple[int, ...]]:
    """The lanes that each end's Lane Error Status names; an end that was not read is absent."""
    facts = ((name, end.function.read(LaneErrorStatus.lanes)) for name, end in link.named_ends)
    return {name: fact.value for name, fact in facts if fact is not None}


def lane_reasons(link: Link) -> tuple[Reason, ...]:
    """The lanes in question of a short width, and the error bits that narrow them down. The bits stay until cleared."""
    trained, possible = link.negotiated.width, link.possible.width
    lanes = suspect_lanes(trained or 0, possible or 0)
    if not lanes or wiring_explains(link):
        return ()
    where = str(lanes[0]) if len(lanes) == 1 else f"{lanes[0]} to {lanes[-1]}"
    meaning = f"a fault in lane {where} would leave this width; counted from the other end if the lanes are reversed"
    found = [Reason("trained and possible width", f"x{trained} of x{possible}", meaning)]
    for end in link.ends:
        for field in (LaneErrorStatus.lanes, LocalDataParity.lanes):
            raw = end.function.space.register(field.register)
            named = field.decode(raw) if raw is not None else None
            if named:
                source = f"{field.register.name} of {end.address}"
                seen = f"errors were seen in lane {', '.join(map(str, named))} since last cleared"
                found.append(Reason(source, f"{raw:08x}h", seen))
    return tuple(found)
