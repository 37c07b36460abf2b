"""A qualification carried out: turn after turn, each in the journal before it begins and with all that it left.

May live here: what binds plan, journal, steps and judging together, and how it goes on after a cut. May not: judging;
drawing.
"""

import time
from typing import Protocol as Interface

from probe.active.documents import Attempt
from probe.active.healing import directories, heal
from probe.active.target import Target
from probe.exceptions import LinkprobeError
from probe.qualify.course import MOST_CRASHES, Standing, Turn, left_to_soak, standing, turns
from probe.qualify.doing import Doing, Left
from probe.qualify.entries import (
    Cause,
    Done,
    NotDone,
    PartBegun,
    PutBack,
    RebootAsked,
    SoakPart,
    Stopped,
    TurnBegun,
    TurnEnded,
)
from probe.qualify.journal import Journal
from probe.qualify.judging import outcome
from probe.qualify.moments import now
from probe.qualify.plan import WRITING, CommandStep, Plan, RebootStep, SoakStep, Stop
from probe.qualify.rebooting import reboot
from probe.qualify.signals import Asked
from probe.qualify.site import Site
from probe.qualify.soaking import goes_on, taken_up
from probe.result import Result
from probe.soak.progress import Progress

MOST_REBOOTS_ASKED = 3


class Watching(Interface):
    """Somebody to tell."""

    def turn(self, name: str) -> None:
        """A turn begins."""

    def test(self, target: Target, news: Attempt | str) -> None:
        """An active test has news."""

    def soak(self, state: Progress) -> None:
        """A soak has taken a sample."""


class Qualification:
    """One part of a qualification: from where the journal stands to the end, or to the next cut."""

    def __init__(self, plan: Plan, site: Site, journal: Journal, watching: Watching) -> None:
        self._plan = plan
        self._site = site
        self._journal = journal
        self._watching = watching

    def run(self) -> bool:
        """Go on until all is done, the plan is stopped, or somebody asks for the end; whether it is over."""
        with Asked() as asked:
            at = standing(self._journal.entries)
            if at.over is not None:
                return True
            self._begin_part(at)
            self._take_up(at)
            for turn in turns(self._plan):
                at = standing(self._journal.entries)
                if turn.number in at.ended:
                    continue
                if asked.by is not None:
                    self._journal.append(Stopped(at=now(), signal=asked.by.name))
                    return False
                if not self._turn(turn, at, asked):
                    return False
                stops = self._stops(turn)
                if stops is not None:
                    self._journal.append(Done(at=now(), stopped_at=turn.number, why=stops))
                    return True
            self._journal.append(Done(at=now()))
            return True

    def _begin_part(self, at: Standing) -> None:
        """The head of this part: why it begins, and the machine as it is."""
        earlier = [entry for entry in self._journal.entries if isinstance(entry, PartBegun)]
        host = self._site.host()
        cause = Cause.FIRST if not earlier else _cause(earlier[-1].host.boot_id, host.boot_id, at)
        anew = cause is not Cause.PROGRAM_ENDED
        self._journal.append(
            PartBegun(
                at=now(), cause=cause, host=host, firmware=self._site.firmware(),
                snapshot=self._site.snapshot() if anew else None,
            )
        )  # fmt: skip

    def _take_up(self, at: Standing) -> None:
        """What a cut left of the turn that was going on: a part of a soak, or what an active test had changed."""
        if at.begun is not None:
            step = self._turn_of(at.begun).step
            if isinstance(step, SoakStep) and self._site.soak.exists():
                self._soak_part(at.begun)
            if isinstance(step, WRITING):
                self._journal.append(PutBack(turn=at.begun, document=heal(directories())))
        self._site.soak.unlink(missing_ok=True)

    def _soak_part(self, turn: int) -> None:
        try:
            part = taken_up(self._site.soak, turn)
        except LinkprobeError:  # it was cut off before it held anything
            return
        known = [entry.entries[0] for entry in self._journal.entries if isinstance(entry, SoakPart)]
        if part.entries[0] not in known:  # else it was taken up already, and only its file was left
            ended = () if goes_on(part) else (TurnEnded(turn=turn, at=now(), seconds=part.seconds),)
            self._journal.append(part, *ended)

    def _turn_of(self, number: int) -> Turn:
        return turns(self._plan)[number - 1]

    def _turn(self, turn: Turn, at: Standing, asked: Asked) -> bool:
        """Do one turn; False where this part ends with it unfinished."""
        again = at.begun == turn.number
        step = turn.step
        if again and at.rebooting and isinstance(step, RebootStep):
            return self._after_reboot(turn, step, at, asked)
        why = self._why_not(turn, at) if again else None
        self._watching.turn(turn.name)
        begun = time.monotonic()
        self._journal.append(TurnBegun(turn=turn.number, name=turn.name, at=now()))
        if why is not None:
            self._journal.append(NotDone(turn=turn.number, why=why), self._ended(turn, begun))
            return True
        if isinstance(step, RebootStep):
            return self._reboot(turn, step, asked)
        left = self._done(turn, at, asked)
        if asked.by is not None and left.cut:
            self._journal.append(*left.entries, Stopped(at=now(), signal=asked.by.name))
        else:
            self._journal.append(*left.entries, self._ended(turn, begun))
        self._site.soak.unlink(missing_ok=True)
        return not (asked.by is not None and left.cut)

    def _done(self, turn: Turn, at: Standing, asked: Asked) -> Left:
        seconds = left_to_soak(turn.step, at) if isinstance(turn.step, SoakStep) and at.begun == turn.number else None
        doing = Doing(self._plan, self._site, asked, self._watching.test, self._watching.soak)
        try:
            return doing.of(turn, seconds)
        except LinkprobeError as error:
            return Left(entries=(NotDone(turn=turn.number, why=str(error)),), cut=False)

    def _why_not(self, turn: Turn, at: Standing) -> str | None:
        """Why a turn that was cut off is not begun again."""
        if at.crashes >= MOST_CRASHES:
            return f"the host went down {at.crashes} times in the middle of it, so it was not begun again"
        if isinstance(turn.step, CommandStep) and not turn.step.again:
            return "it was cut off, and the plan says that it is not to be run again"
        if at.left_changed:
            return "it was cut off, and what it had changed could not be put back"
        return None

    def _ended(self, turn: Turn, begun: float) -> TurnEnded:
        known = [entry.snapshot for entry in self._journal.entries if isinstance(entry, PartBegun) and entry.snapshot]
        hottest = self._site.hottest_c(known[-1]) if known else None
        return TurnEnded(turn=turn.number, at=now(), seconds=round(time.monotonic() - begun, 3), hottest_c=hottest)

    def _reboot(self, turn: Turn, step: RebootStep, asked: Asked) -> bool:
        boot = self._site.host().boot_id
        self._journal.append(RebootAsked(turn=turn.number, at=now(), boot_id=boot))
        if step.by_hand:
            self._watching.turn("start the machine anew, then give the same command again")
            return False
        failure = reboot(step.run, asked)
        if failure is not None:
            self._journal.append(NotDone(turn=turn.number, why=failure))
            self._journal.append(TurnEnded(turn=turn.number, at=now(), seconds=0.0))
            return True
        return False

    def _after_reboot(self, turn: Turn, step: RebootStep, at: Standing, asked: Asked) -> bool:
        boot = self._site.host().boot_id
        if boot is not None and boot == at.reboot_from:
            if step.by_hand:
                self._watching.turn("the machine was not started anew yet: do that, then give the same command again")
                return False
            if at.times < MOST_REBOOTS_ASKED:
                self._journal.append(TurnBegun(turn=turn.number, name=turn.name, at=now()))
                return self._reboot(turn, step, asked)
        self._journal.append(self._ended(turn, time.monotonic()))
        return True

    def _stops(self, turn: Turn) -> str | None:
        """Why the plan ends after this turn; None where it goes on."""
        on = self._plan.ends_on(turn.step)
        if not on:
            return None
        found = outcome(turn, self._plan, self._journal.entries)
        words = {Result.FAILED: Stop.FAILED, Result.INCONCLUSIVE: Stop.INCONCLUSIVE}
        if found.urgent and Stop.URGENT in on:
            return f"the plan was stopped at {turn.name}: it was urgent"
        if words.get(found.result) in on:
            return f"the plan was stopped at {turn.name}: it was {found.result}"
        return None


def _cause(before: str | None, boot_id: str | None, at: Standing) -> Cause:
    if before is None or boot_id is None:
        return Cause.UNKNOWN
    if before == boot_id:
        return Cause.PROGRAM_ENDED
    return Cause.REBOOT if at.rebooting else Cause.HOST_WENT_DOWN
