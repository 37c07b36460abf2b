"""Which turns a plan comes to, and where among them a journal stands. Pure.

A turn is one step done once: steps that are repeated, and rounds of the whole plan, come to several.
"""

from collections import Counter
from collections.abc import Iterator, Sequence

import msgspec

from probe.qualify.entries import Cause, Done, Entry, PartBegun, PutBack, RebootAsked, SoakPart, TurnBegun, TurnEnded
from probe.qualify.plan import AnyStep, Plan, SoakStep

MOST_CRASHES = 2
"""How often the host may go down in the middle of one turn before it is not begun again: twice is no accident."""


class Turn(msgspec.Struct, frozen=True, kw_only=True):
    """One step, done once. `number` counts from 1 over the whole plan."""

    number: int
    index: int
    step: AnyStep
    name: str


class Standing(msgspec.Struct, frozen=True, kw_only=True):
    """Where a journal stands: the turn that was begun and has no end, how often it was begun, and what cut it off.

    `soaked_s` are the seconds of its soak that earlier parts have done, `reboot_from` the boot in which it asked for
    the machine to be started anew.
    """

    ended: frozenset[int] = frozenset()
    begun: int | None = None
    times: int = 0
    crashes: int = 0
    soaked_s: float = 0.0
    rebooting: bool = False
    reboot_from: str | None = None
    left_changed: bool = False
    over: Done | None = None


def turns(plan: Plan) -> tuple[Turn, ...]:
    """The turns of a plan in their order."""
    return tuple(
        Turn(number=number, index=index, step=step, name=name)
        for number, (index, step, name) in enumerate(_each(plan), start=1)
    )


def _each(plan: Plan) -> Iterator[tuple[int, AnyStep, str]]:
    for round_number in range(1, plan.rounds + 1):
        for index, step in enumerate(plan.step):
            for time in range(1, step.repeat + 1):
                told = [f"round {round_number} of {plan.rounds}"] if plan.rounds > 1 else []
                told += [f"{time} of {step.repeat}"] if step.repeat > 1 else []
                yield index, step, f"{step.name} ({', '.join(told)})" if told else step.name


def standing(entries: Sequence[Entry]) -> Standing:
    """Where the journal of these entries stands."""
    ended = frozenset(entry.turn for entry in entries if isinstance(entry, TurnEnded))
    over = next((entry for entry in entries if isinstance(entry, Done)), None)
    begun = [entry.turn for entry in entries if isinstance(entry, TurnBegun) and entry.turn not in ended]
    if not begun:
        return Standing(ended=ended, over=over)
    turn = begun[-1]
    own = [entry for entry in entries if getattr(entry, "turn", None) == turn]
    asked = [entry for entry in own if isinstance(entry, RebootAsked)]
    return Standing(
        ended=ended,
        begun=turn,
        times=begun.count(turn),
        crashes=_crashes(turn, entries),
        soaked_s=sum(entry.seconds for entry in own if isinstance(entry, SoakPart)),
        rebooting=bool(asked),
        reboot_from=asked[-1].boot_id if asked else None,
        left_changed=any(isinstance(entry, PutBack) and entry.document.leftovers for entry in own),
        over=over,
    )


def _crashes(turn: int, entries: Sequence[Entry]) -> int:
    """How often the host went down in the middle of a turn without having been asked to."""
    counted: Counter[int | None] = Counter()
    now: int | None = None
    for entry in entries:
        if isinstance(entry, TurnBegun):
            now = entry.turn
        elif isinstance(entry, TurnEnded):
            now = None
        elif isinstance(entry, PartBegun) and entry.cause is Cause.HOST_WENT_DOWN:
            counted[now] += 1
    return counted[turn]


def left_to_soak(step: SoakStep, at: Standing) -> float:
    """The seconds that are left of a soak."""
    return max(step.minutes * 60.0 - at.soaked_s, 0.0)
