"""One turn done: what each kind of step does on the machine, and the entries that it leaves.

May live here: calling what the single commands call, with the same guard. May not: judging.
"""

import msgspec

from probe.active.documents import SpeedsDocument, TrainingDocument
from probe.exceptions import InputError
from probe.qualify.commanding import commanded
from probe.qualify.course import Turn
from probe.qualify.entries import Margined, Measured, Sped, Taken, Trained
from probe.qualify.ordering import Tell, WritingStep, carried_out
from probe.qualify.plan import (
    CommandStep,
    ComparisonStep,
    ExpectationsStep,
    MarginsStep,
    Plan,
    RebootStep,
    SnapshotStep,
    SoakStep,
    SpeedsStep,
    TrainingsStep,
)
from probe.qualify.signals import Asked
from probe.qualify.site import Site
from probe.qualify.soaking import Show, goes_on, setup_of, soak


class Left(msgspec.Struct, frozen=True, kw_only=True):
    """What a turn left, and whether an order to end would have cut it off."""

    entries: tuple[Measured, ...] = ()
    cut: bool = True


class Doing:
    """What does turns."""

    def __init__(self, plan: Plan, site: Site, asked: Asked, tell: Tell, show: Show) -> None:
        self._plan = plan
        self._site = site
        self._asked = asked
        self._tell = tell
        self._show = show

    def of(self, turn: Turn, seconds: float | None) -> Left:
        """Do a turn; `seconds` are what is left of a soak that was begun. Raises LinkprobeError."""
        number, step = turn.number, turn.step
        match step:
            case SnapshotStep() | ExpectationsStep():
                return Left(entries=(Taken(turn=number, snapshot=self._site.snapshot()),), cut=False)
            case TrainingsStep() | SpeedsStep() | MarginsStep():
                return Left(entries=(self._written(number, step),))
            case SoakStep():
                return self._soak(number, step, seconds)
            case CommandStep():
                return Left(entries=(commanded(step, number, self._site.folder, self._asked),))
            case ComparisonStep() | RebootStep():
                return Left(cut=False)

    def _written(self, number: int, step: WritingStep) -> Measured:
        if not self._site.go:
            raise InputError("writes to hardware", where=step.name, remedy="give --go if that is wanted")
        document = carried_out(step, self._site, self._tell)
        if isinstance(document, TrainingDocument):
            return Trained(turn=number, document=document)
        if isinstance(document, SpeedsDocument):
            return Sped(turn=number, document=document)
        return Margined(turn=number, document=document)

    def _soak(self, number: int, step: SoakStep, seconds: float | None) -> Left:
        left = step.minutes * 60.0 if seconds is None else seconds
        setup = setup_of(step, self._site, self._site.snapshot(), left, self._plan.hottest_at(step))
        part = soak(setup, self._site, number, self._show)
        return Left(entries=(part,), cut=goes_on(part))
