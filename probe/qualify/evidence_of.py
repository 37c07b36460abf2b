"""What a journal holds of one turn: when it was begun, how it ended, what it left, and in which lines. Pure."""

from collections.abc import Sequence

import msgspec

from probe.qualify.course import Turn, turns
from probe.qualify.entries import (
    Commanded,
    Entry,
    Margined,
    Measured,
    NotDone,
    PartBegun,
    PutBack,
    RebootAsked,
    SoakPart,
    Sped,
    Taken,
    Trained,
    TurnBegun,
    TurnEnded,
)
from probe.qualify.plan import Plan

_MEASURED = (Taken, Trained, Sped, Margined, SoakPart, Commanded, NotDone)


class Seen(msgspec.Struct, frozen=True, kw_only=True):
    """One turn in the journal. `measured` is what its last beginning left, and every part of a soak.

    `before` are all entries before it; `part_after` is the part in which it ended, where it asked for another boot.
    """

    turn: Turn
    plan: Plan
    times: int = 0
    began_at: str | None = None
    seconds: float | None = None
    ended: TurnEnded | None = None
    measured: tuple[Measured, ...] = ()
    not_put_back: tuple[str, ...] = ()
    asked: RebootAsked | None = None
    part_after: PartBegun | None = None
    before: tuple[Entry, ...] = ()
    lines: tuple[int, ...] = ()

    def turns_of(self, name: str) -> frozenset[int]:
        """The numbers of the turns of the step with this name."""
        return frozenset(turn.number for turn in turns(self.plan) if turn.step.name == name)


def seen_of(turn: Turn, plan: Plan, entries: Sequence[Entry]) -> Seen:
    """What the entries hold of a turn."""
    own = [(number, entry) for number, entry in enumerate(entries) if getattr(entry, "turn", None) == turn.number]
    begun = [(number, entry) for number, entry in own if isinstance(entry, TurnBegun)]
    if not begun:
        return Seen(turn=turn, plan=plan)
    since = begun[-1][0]
    measured = [
        (number, entry)
        for number, entry in own
        if isinstance(entry, _MEASURED) and (number > since or isinstance(entry, SoakPart))
    ]
    ended = next((entry for _, entry in own if isinstance(entry, TurnEnded)), None)
    asked = [(number, entry) for number, entry in own if isinstance(entry, RebootAsked)]
    later = [entry for entry in entries[asked[-1][0] : own[-1][0]] if isinstance(entry, PartBegun)] if asked else []
    return Seen(
        turn=turn, plan=plan, times=len(begun), began_at=begun[0][1].at,
        seconds=_seconds([entry for _, entry in measured], ended), ended=ended,
        measured=tuple(entry for _, entry in measured),
        not_put_back=tuple(
            item.sentence() for _, entry in own if isinstance(entry, PutBack) for item in entry.document.leftovers
        ),
        asked=asked[-1][1] if asked else None, part_after=later[-1] if later else None,
        before=tuple(entries[: begun[0][0]]), lines=tuple(number + 1 for number, _ in measured),
    )  # fmt: skip


def _seconds(measured: Sequence[Measured], ended: TurnEnded | None) -> float | None:
    """The time that it ran: of a soak the sum of its parts."""
    soaked = [entry.seconds for entry in measured if isinstance(entry, SoakPart)]
    if soaked:
        return sum(soaked)
    return None if ended is None else ended.seconds
