"""What comes next for the person: ordered steps for a verdict, the safe and cheap ones first."""

from collections.abc import Callable

from probe.links.kind_of_link import KindOfLink
from probe.links.link import Link
from probe.registers.slot import SlotCapabilities
from probe.verdict.attachment import contained
from probe.verdict.rules import Judgement
from probe.verdict.verdicts import Verdict

CAUTIONS = (
    "Before touching hardware: back up first, shut down, unplug every power cord and wait as long as the service manual"
    " says (power supplies and capacitors keep a charge). Wear an earthed ESD strap and hold cards by their edges."
    " Heat sinks stay hot; lift heavy cards and chassis with two people. Hot-plug only where both card and slot are"
    " made for it. The machine's service manual, local codes and licensed practice come before anything said here."
)
"""The cautions that go with every step that touches hardware."""

HOT = "Parts are hottest now, right after the load: let them cool as the service manual says before a hand comes near."
"""The caution that comes before the others after a load."""

_HANDS = "(hands on: see the cautions) "


def next_steps(link: Link, judgement: Judgement) -> tuple[str, ...]:
    """Ordered steps; empty where there is nothing to do."""
    if link.kind is not KindOfLink.SLOT and not judgement.urgent:
        return ()
    if contained(link):
        return _contained()
    if judgement.urgent:
        return _urgent()
    if judgement.faulty and not judgement.shortfall:
        return _power_fault()
    if judgement.word is Verdict.UNJUDGED and not judgement.shortfall:
        return ()
    return _STEPS[judgement.word](link, judgement)


def touches_hardware(steps: tuple[str, ...]) -> bool:
    """Whether the cautions must be shown with these steps."""
    return any(step.startswith(_HANDS) for step in steps)


def steps_for_errors() -> tuple[str, ...]:
    """What to do about errors past a limit, or errors that correction did not cure, on a link that is up."""
    return (
        "Save the evidence before anything is moved: linkprobe snapshot -o FILE.",
        "Compare the firmware versions of board and card, and the power saving of the link (ASPM), with the peers'.",
        "Count again under load: linkprobe soak tells which direction the errors point to.",
        _HANDS + "Reseat the card, its riser and cables, then count again.",
        _HANDS + "Move the card to another slot of the same kind: do the errors follow the card or stay with the slot?",
    )


def steps_after_load(*, lost: bool, below: bool, counted: bool, changed: bool) -> tuple[str, ...]:
    """What to do about a link that failed under load: it was lost, ran below its best, counted errors, or data changed.

    Empty where none of these is so.
    """
    if not (lost or below or counted or changed):
        return ()
    steps = ["Keep the record, and save the evidence before anything is moved: linkprobe snapshot -o FILE."]
    if changed:
        steps.append(
            "Trust nothing that was written meanwhile before it is checked against a copy. Have the machine's memory"
            " tested as its manual says before the link is blamed."
        )
    if lost:
        steps.append("Look at the kernel log for what happened and when; move work off this machine.")
    if below or counted:
        steps.append(
            "Compare the firmware of board and card, the slot's speed setting and the power saving of the link (ASPM)"
            " with links that passed; look at inlet temperature, fans and air path."
        )
    again = "run the same soak again: the two records can be compared"
    return (
        *steps,
        f"{_HANDS}Reseat the card, its riser and cables, then {again}.",
        f"{_HANDS}Move the card to another slot of the same kind, then {again}. Does the fault follow the card?",
    )


def _urgent() -> tuple[str, ...]:
    return (
        "Save the evidence before anything else: linkprobe snapshot -o FILE.",
        "Look at the kernel log for what happened and when; move work off this machine.",
        _HANDS + "Check the component's power and seating, as the service manual describes.",
    )


def _power_fault() -> tuple[str, ...]:
    return (
        "Save the evidence before anything is moved: linkprobe snapshot -o FILE.",
        "Read the kernel log for when the power failed; compare the slot's power limit with what the card draws.",
        _HANDS + "Check the card's seating and its own power cables, as the service manual describes.",
    )


def _contained() -> tuple[str, ...]:
    return (
        "Save the evidence before anything else: linkprobe snapshot -o FILE.",
        "Read the kernel log first: it names the error that the port contained. Reseating destroys what it could tell.",
        _HANDS + "Then check the component's power and seating, as the service manual describes.",
    )


def _downtrained(link: Link, judgement: Judgement) -> tuple[str, ...]:
    steps = ["Save the evidence before anything is moved: linkprobe snapshot -o FILE."]
    if any(function.computes_or_displays for function in link.functions) and judgement.shortfall == ("speed",):
        steps.append("Read it again at full load: a component of this kind may slow its link when idle.")
    if "width" in judgement.shortfall:
        steps.append("Compare the slot's wiring and lane sharing in the board's manual, and the bifurcation setting.")
    else:
        steps.append("Compare the firmware's speed setting for this slot, and the firmware versions of board and card.")
    steps += [
        "Reboot once and read again: a link that trains fully now was a marginal training, worth watching.",
        _HANDS + "Reseat the card, its riser and cables, then read again under load.",
        _HANDS
        + "Move the card to another slot of the same kind: does the fault follow the card or stay with the slot?",
        _HANDS + "Replace in the order riser or cable, card, board.",
    ]
    return tuple(steps)


def _capped(_link: Link, _judgement: Judgement) -> tuple[str, ...]:
    return (
        "Find who set the limit: the reasons name a cooling device, the kernel or the firmware where one is known.",
        "If it runs hot: check inlet temperature, fans and air path.",
        "If it is a firmware setting: compare the slot's speed setting with the delivery record.",
        "If nobody wanted it: reboot and read again; a limit left behind by a tool does not survive a power cycle.",
    )


def _unjudged(link: Link, _judgement: Judgement) -> tuple[str, ...]:
    if link.functions:
        return ("Look from where both ends are visible: the host of this virtual machine, or with root.",)
    facts = (end.function.read(SlotCapabilities.power_controller_present) for end in link.ends)
    powered = any(fact is not None and fact.value for fact in facts)
    first = ("Check that the slot's power is on.",) if powered else ()
    return (*first, _HANDS + "Reseat the card: it is detected, but its link does not come up.")


def _resting(_link: Link, _judgement: Judgement) -> tuple[str, ...]:
    return ("Read it again while the component works at full load: run a load, then linkprobe audit.",)


def _limited(_link: Link, _judgement: Judgement) -> tuple[str, ...]:
    return ("Nothing is wrong. If the component needs more, move it to a better slot at the next service.",)


def _nothing(_link: Link, _judgement: Judgement) -> tuple[str, ...]:
    return ()


_STEPS: dict[Verdict, Callable[[Link, Judgement], tuple[str, ...]]] = {
    Verdict.DOWNTRAINED: _downtrained,
    Verdict.CAPPED: _capped,
    Verdict.UNJUDGED: _unjudged,
    Verdict.RESTING: _resting,
    Verdict.LIMITED: _limited,
    Verdict.FULL: _nothing,
    Verdict.EMPTY: _nothing,
}
