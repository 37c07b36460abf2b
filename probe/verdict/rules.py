"""The order of the questions is the policy, and this file alone holds it.

May live here: rules, each from one Link to a Judgement or None. May not: reading, decoding, wording for a screen.
"""

from collections.abc import Callable

import msgspec
from msgspec.structs import replace

from probe.links.end import best_of
from probe.links.kind_of_link import KindOfLink
from probe.links.link import Link, WhichEnd
from probe.links.reason import Reason
from probe.verdict import attachment, power_saving, reasons
from probe.verdict.equalization import equalization_reasons, history_of_speed
from probe.verdict.lanes import lane_reasons
from probe.verdict.verdicts import Verdict

BOTH = ("speed", "width")


class Judgement(msgspec.Struct, frozen=True):
    """A verdict, the reasons it rests on, and whether it cannot wait.

    `doubtful` says that the short speed could as well be rest, `faulty` that something beside the state is wrong.
    """

    word: Verdict
    reasons: tuple[Reason, ...]
    shortfall: tuple[str, ...] = ()
    urgent: bool = False
    doubtful: bool = False
    faulty: bool = False


Rule = Callable[[Link], Judgement | None]


def port_contained(link: Link) -> Judgement | None:
    """Did the port contain an error, and holds its link down?"""
    found = attachment.contained(link)
    return Judgement(Verdict.UNJUDGED, found, urgent=True) if found else None


def nothing_attached(link: Link) -> Judgement | None:
    """Is anything attached? `empty` only where a register was read and says so."""
    if link.functions or link.port is None or link.port.function.silent:
        return None
    detected, up = attachment.card_detected(link), attachment.link_up(link)
    training = attachment.training(link)
    told = tuple(reason for reason in (detected, up, training) if reason is not None)
    off = attachment.switched_off(link)
    if not told:
        agreed = attachment.nothing_there(link)
        if agreed is None or (off and not attachment.detects_presence(link)):
            return Judgement(Verdict.UNJUDGED, off or attachment.not_told(link))
        return Judgement(Verdict.EMPTY, (agreed, *off))
    down = attachment.link_down(link)
    if off or detected is None or training is not None or down is None:
        return Judgement(Verdict.UNJUDGED, (*off, *told))
    return Judgement(Verdict.UNJUDGED, (*told, down), BOTH)


def an_end_is_silent(link: Link) -> Judgement | None:
    """Does every component that is listed answer?"""
    for function in (*(end.function for end in link.ends), *link.functions):
        if function.silent:
            meaning = "nothing answers at this address: the component has dropped off the bus or lost its power"
            where = f"config of {function.address}"
            silent = Reason(where, "every byte reads ff", meaning)
            return Judgement(Verdict.UNJUDGED, (silent, *attachment.switched_off(link)), urgent=True)
        hung = function.hung
        if hung is not None:
            meaning = "a read of it did not end: the component hangs, or has lost its power"
            return Judgement(Verdict.UNJUDGED, (Reason(hung.path, hung.detail or hung.why, meaning),), urgent=True)
    return None


def a_tunnel(link: Link) -> Judgement | None:
    """Is it a tunnel, whose stated rate is not its rate?"""
    return Judgement(Verdict.UNJUDGED, reasons.tunnel(link)) if link.kind is KindOfLink.TUNNEL else None


def no_state_read(link: Link) -> Judgement | None:
    """Was it read what the link runs at, and what any end can do?"""
    if link.speed is None or link.width is None or not link.judging_ends:
        asleep = power_saving.asleep(link)
        word = Verdict.RESTING if asleep else Verdict.UNJUDGED
        return Judgement(word, (*asleep, *reasons.what_was_missing(link)))
    if link.component_tells_no_state:
        return Judgement(Verdict.UNJUDGED, reasons.component_tells_nothing(link))
    return None


def an_end_unread(link: Link) -> Judgement | None:
    """Could both ends be read?"""
    if len(link.judging_ends) == len(WhichEnd):
        return None
    end = link.judging_ends[0]
    alone = reasons.one_end_only(link)
    asleep = power_saving.left_asleep(link)
    if link.shortfall and asleep:  # what the sleeping end can do was not asked, so no shortfall is claimed
        return Judgement(Verdict.RESTING, (*asleep, *alone))
    resting = power_saving.at_rest(link)
    if resting:
        return Judgement(Verdict.RESTING, (*resting, *alone), link.shortfall)
    if link.shortfall:
        meaning = "below what this end can do; a lesser slot and a bad link look the same from here"
        claimed = () if any(other.best_not_read for other in link.ends) else link.shortfall
        return Judgement(Verdict.UNJUDGED, (*alone, *reasons.state(link, meaning)), claimed)
    meaning = f"the best that {end.address} can do: nothing better exists"
    return Judgement(Verdict.FULL, (*alone, *reasons.state(link, meaning)))


def width_is_short(link: Link) -> Judgement | None:
    """Is the width short? Excused only where the hardware says that it narrowed the link; the speed is asked then."""
    if "width" not in link.shortfall:
        return None
    found = reasons.both_best(link, "width")
    excuse = power_saving.narrower_to_save_power(link)
    if excuse:
        return _with_width_at_rest(link, (*excuse, *found))
    if "speed" in link.shortfall:
        found += reasons.both_best(link, "speed")
    more = (*reasons.fewer_lanes_wired(link), *lane_reasons(link), *equalization_reasons(link))
    return Judgement(Verdict.DOWNTRAINED, (*found, *power_saving.both_bandwidth_bits(link), *more), link.shortfall)


def _with_width_at_rest(link: Link, rest: tuple[Reason, ...]) -> Judgement:
    of_speed = next((found for rule in SPEED_RULES if (found := rule(link)) is not None), None)
    if of_speed is None:
        return Judgement(Verdict.RESTING, rest, link.shortfall)
    return replace(of_speed, reasons=tuple(dict.fromkeys((*of_speed.reasons, *rest))))


def held_by_target_speed(link: Link) -> Judgement | None:
    """Is the speed held by a Target Link Speed?"""
    if "speed" not in link.shortfall:
        return None
    target = reasons.holding_target(link)
    if target is None:
        return None
    return Judgement(
        Verdict.CAPPED, (target, *reasons.what_holds(link), *reasons.both_best(link, "speed")), link.shortfall
    )


def component_asleep(link: Link) -> Judgement | None:
    """Is the component asleep, idle, or did the link slow on its own?"""
    if "speed" not in link.shortfall:
        return None
    evidence = power_saving.slower_to_save_power(link)
    if not evidence:
        return None
    past = history_of_speed(link)
    return Judgement(Verdict.RESTING, (*evidence, *past, *reasons.both_best(link, "speed")), link.shortfall)


def speed_is_short(link: Link) -> Judgement | None:
    """Then, and only then: is the speed short?"""
    if "speed" not in link.shortfall:
        return None
    found = (
        *reasons.both_best(link, "speed"),
        *history_of_speed(link),
        *equalization_reasons(link),
        *power_saving.both_bandwidth_bits(link),
        *power_saving.doubt(link),
    )
    return Judgement(Verdict.DOWNTRAINED, found, link.shortfall, doubtful=power_saving.may_be_idle(link))


def slot_is_lesser(link: Link) -> Judgement | None:
    """Could the component do more in a better slot?"""
    slot, card = best_of(link.port), best_of(link.component)
    pairs = (("speed", slot.speed_gts, card.speed_gts), ("width", slot.width, card.width))
    found = tuple(
        reason
        for name, above, below in pairs
        if above is not None and below is not None and above < below
        for reason in reasons.lesser_slot(link, name)
    )
    return Judgement(Verdict.LIMITED, found) if found else None


def all_it_can(link: Link) -> Judgement:
    """It runs at the best both ends can do."""
    return Judgement(Verdict.FULL, reasons.state(link, "the best both ends can do"))


SPEED_RULES: tuple[Rule, ...] = (held_by_target_speed, component_asleep, speed_is_short)

RULES: tuple[Rule, ...] = (
    port_contained,
    nothing_attached,
    an_end_is_silent,
    a_tunnel,
    no_state_read,
    an_end_unread,
    width_is_short,
    *SPEED_RULES,
    slot_is_lesser,
    all_it_can,
)


def judge(link: Link) -> Judgement:
    """The first rule with an answer, and what contradicts itself in the evidence beside it."""
    judgement = next(found for rule in RULES if (found := rule(link)) is not None)
    fault = attachment.power_fault(link)
    more = (*fault, *reasons.contradictions(link))
    if not more:
        return judgement
    return replace(judgement, reasons=(*judgement.reasons, *more), faulty=bool(fault))


def alarms(link: Link, judgement: Judgement) -> bool:
    """Whether a finding must not be passed over: only a link that describes a slot can raise an alarm."""
    if link.kind is not KindOfLink.SLOT:
        return False
    below = judgement.word.below_capability
    unjudged = judgement.word is Verdict.UNJUDGED and bool(judgement.shortfall)
    return below or unjudged or judgement.urgent or judgement.faulty
