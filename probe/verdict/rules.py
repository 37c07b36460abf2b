"""The order of the questions is the policy, and this file alone holds it.

May live here: rules, each from one Link to a Judgement or None. May not: reading, decoding, wording for a screen.
"""

from collections.abc import Callable

import msgspec

from probe.links.end import best_of
from probe.links.kind_of_link import KindOfLink
from probe.links.link import Link
from probe.links.reason import Reason
from probe.registers.link import LinkStatus
from probe.registers.slot import SlotStatus
from probe.verdict import reasons
from probe.verdict.equalization import equalization_reasons
from probe.verdict.lanes import lane_reasons
from probe.verdict.words import Verdict


class Judgement(msgspec.Struct, frozen=True):
    """A verdict, the reasons it rests on, and whether it cannot wait."""

    word: Verdict
    reasons: tuple[Reason, ...]
    shortfall: tuple[str, ...] = ()
    urgent: bool = False


Rule = Callable[[Link], Judgement | None]


def nothing_attached(link: Link) -> Judgement | None:
    """Is anything attached?"""
    if link.functions:
        return None
    if link.port is None:
        return Judgement(Verdict.EMPTY, ())
    port = link.port.function
    presence = port.read(SlotStatus.presence_detect_state)
    if presence is None or presence.value == "slot empty":
        shown = presence or reasons.no_function_listed(link)
        return Judgement(Verdict.EMPTY, (Reason(shown.source, shown.shown, "nothing is attached to this port"),))
    detected = "a card is in the slot, yet no function of it is listed"
    explained = reasons.switched_off(link)
    if explained:
        return Judgement(Verdict.UNJUDGED, (Reason(presence.source, presence.shown, detected), *explained))
    active = port.read(LinkStatus.data_link_layer_link_active)
    if active is not None and not active.value:
        down = Reason(active.source, active.shown, "the link to the card did not come up")
        found = (Reason(presence.source, presence.shown, detected), down)
        return Judgement(Verdict.UNJUDGED, found, ("speed", "width"))
    hidden = f"{detected}: its functions were removed by software or are hidden by the platform"
    return Judgement(Verdict.UNJUDGED, (Reason(presence.source, presence.shown, hidden),))


def an_end_is_silent(link: Link) -> Judgement | None:
    """Does every component that is listed answer?"""
    for function in (*(end.function for end in link.ends), *link.functions):
        if function.silent:
            meaning = "nothing answers at this address: the component has dropped off the bus or lost its power"
            where = f"config of {function.address}"
            return Judgement(Verdict.UNJUDGED, (Reason(where, "every byte reads ff", meaning),), urgent=True)
    return None


def an_end_unread(link: Link) -> Judgement | None:
    """Could both ends be read?"""
    if link.kind is KindOfLink.TUNNEL:
        return Judgement(Verdict.UNJUDGED, reasons.tunnel(link))
    if link.speed is None or link.width is None or not link.judging_ends:
        asleep = reasons.asleep(link)
        word = Verdict.RESTING if asleep else Verdict.UNJUDGED
        return Judgement(word, (*asleep, *reasons.what_was_missing(link)))
    if len(link.judging_ends) == 2:  # noqa: PLR2004 - a link has two ends
        return None
    end = link.judging_ends[0]
    alone = reasons.one_end_only(link)
    asleep = reasons.left_asleep(link)
    if link.shortfall and asleep:  # what the sleeping end can do was not asked, so no shortfall is claimed
        return Judgement(Verdict.RESTING, (*asleep, *alone))
    if link.shortfall:
        meaning = "below what this end can do; a lesser slot and a bad link look the same from here"
        return Judgement(Verdict.UNJUDGED, (*alone, *reasons.state(link, meaning)), link.shortfall)
    meaning = f"the best that {end.address} can do: nothing better exists"
    return Judgement(Verdict.FULL, (*alone, *reasons.state(link, meaning)))


def width_is_short(link: Link) -> Judgement | None:
    """Is the width short? Power saving does not excuse that, unless the hardware says that it narrowed the link."""
    if "width" not in link.shortfall:
        return None
    found = reasons.both_best(link, "width")
    if "speed" in link.shortfall:
        found += reasons.both_best(link, "speed")
    autonomous = link.flag(LinkStatus.link_autonomous_bandwidth_status)
    if autonomous is not None and autonomous.value:
        meaning = "the hardware narrowed the link on its own, not to cure errors: judge again under load"
        excuse = Reason(autonomous.source, autonomous.shown, meaning)
        return Judgement(Verdict.RESTING, (excuse, *found), link.shortfall)
    return Judgement(Verdict.DOWNTRAINED, (*found, *lane_reasons(link), *equalization_reasons(link)), link.shortfall)


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
    """Is the component asleep, or saving power in a way the evidence shows?"""
    if "speed" not in link.shortfall:
        return None
    evidence = reasons.asleep(link) or reasons.saving_power(link)
    if not evidence:
        return None
    return Judgement(Verdict.RESTING, (*evidence, *reasons.both_best(link, "speed")), link.shortfall)


def speed_is_short(link: Link) -> Judgement | None:
    """Then, and only then: is the speed short?"""
    if "speed" not in link.shortfall:
        return None
    found = (*reasons.both_best(link, "speed"), *equalization_reasons(link), *reasons.may_be_idle(link))
    return Judgement(Verdict.DOWNTRAINED, found, link.shortfall)


def slot_is_lesser(link: Link) -> Judgement | None:
    """Could the component do more in a better slot?"""
    slot, card = best_of(link.port), best_of(link.component)
    for name, above, below in (("speed", slot.speed_gts, card.speed_gts), ("width", slot.width, card.width)):
        if above is not None and below is not None and above < below:
            return Judgement(Verdict.LIMITED, reasons.lesser_slot(link, name))
    return None


def all_it_can(link: Link) -> Judgement:
    """It runs at the best both ends can do."""
    return Judgement(Verdict.FULL, reasons.state(link, "the best both ends can do"))


RULES: tuple[Rule, ...] = (
    nothing_attached,
    an_end_is_silent,
    an_end_unread,
    width_is_short,
    held_by_target_speed,
    component_asleep,
    speed_is_short,
    slot_is_lesser,
    all_it_can,
)


def judge(link: Link) -> Judgement:
    """The first rule with an answer, and what contradicts itself in the evidence beside it."""
    judgement = next(found for rule in RULES if (found := rule(link)) is not None)
    contradictions = reasons.contradictions(link)
    if not contradictions:
        return judgement
    return Judgement(judgement.word, (*judgement.reasons, *contradictions), judgement.shortfall, judgement.urgent)


def alarms(link: Link, judgement: Judgement) -> bool:
    """Whether a finding must not be passed over: only a link that describes a slot can raise an alarm."""
    if link.kind is not KindOfLink.SLOT:
        return False
    below = judgement.word.below_capability
    unjudged = judgement.word is Verdict.UNJUDGED and bool(judgement.shortfall)
    return below or unjudged or judgement.urgent
