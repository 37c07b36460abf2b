"""A plan held against the machine before anything of it is done: what each step would do, and every fault at once.

May live here: asking what the single commands ask, with the same guard. May not: writing; doing any of it.
"""

import shutil
from collections.abc import Iterable, Iterator, Mapping, Sequence

from msgspec import structs

from probe.active.documents import Plan as ActivePlan
from probe.active.planning import CAUTIONS
from probe.active.preparing import checked_words
from probe.audit.choosing import chosen
from probe.audit.names import title
from probe.audit.snapshot import Snapshot
from probe.exceptions import InputError, LinkprobeError
from probe.qualify.commanding import located
from probe.qualify.expectation_files import expectations_text
from probe.qualify.ordering import ordered
from probe.qualify.plan import (
    WRITING,
    AnyStep,
    CommandStep,
    ExpectationsStep,
    Plan,
    RebootStep,
    SoakStep,
    kind_of,
)
from probe.qualify.plan_file import Fault
from probe.qualify.preview import Preview, PreviewStep
from probe.qualify.rebooting import goes_on_by_itself
from probe.qualify.site import Site
from probe.qualify.soaking import setup_of
from probe.qualify.wording import asked_of, limit_of
from probe.soak.preview import shows

_SURVEY_S, _SURVEY_MOST_S = 2.0, 60.0
_REBOOT_S, _REBOOT_MOST_S = 180.0, 1800.0
_CONSENT = "name it in the plan's accept, if that may be lost"


class Checking:
    """One plan on one machine. Each question is asked once, and what it finds is kept."""

    def __init__(self, plan: Plan, site: Site, lines: Sequence[int | None], fields: Mapping[str, str]) -> None:
        self._plan = plan
        self._site = site
        self._lines = lines
        self._fields = fields
        self._faults: list[Fault] = []
        self._accept: dict[str, None] = {}

    def preview(self, name: str) -> Preview:
        """What would be done, and what stands in its way. Raises InputError, NothingToJudge for no machine."""
        taken = self._site.snapshot()
        steps = tuple(self._step(step, line, taken) for step, line in zip(self._plan.step, self._lines, strict=True))
        writes = any(isinstance(step, WRITING) for step in self._plan.step)
        self._faults += self._of_consent(writes=writes)
        self._faults += self._of_fields()
        self._faults += self._of_boots()
        return Preview(
            plan=name, title=self._plan.title, host=taken.evidence.host, steps=steps, faults=tuple(self._faults),
            accept=tuple(self._accept), writes=writes,
            cautions=tuple(" ".join(text.split()) for text in CAUTIONS) if writes else (),
        )  # fmt: skip

    def _of_consent(self, *, writes: bool) -> Iterator[Fault]:
        """What the command line lacks or has too much of; what steps need beyond the plan is told at the steps."""
        try:
            checked_words((*self._plan.accept, *self._site.accepted))
        except InputError as error:
            yield Fault(line=None, what=f"{error.where} {error.what}", remedy=error.remedy)
        beyond = [word for word in self._site.accepted if word not in self._plan.accept]
        if beyond:
            what = f"--accept {' '.join(beyond)}: the plan does not say so, and both have to"
            yield Fault(line=None, what=what, remedy="add it to the plan's accept, or leave it out")
        if writes and self._site.go:
            lacking = [word for word in self._accept if word in self._plan.accept and word not in self._site.accepted]
            if lacking:
                given = " ".join(f"--accept {word}" for word in lacking)
                what = f"the plan accepts that {', '.join(lacking)} may come, and the command line does not say so"
                yield Fault(line=None, what=what, remedy=f"give {given} too")

    def _of_fields(self) -> Iterator[Fault]:
        for name in self._plan.fields:
            if not self._fields.get(name):
                yield Fault(line=None, what=f"the plan asks for the field {name}", remedy=f"give --field {name}=...")

    def _of_boots(self) -> Iterator[Fault]:
        why_not = goes_on_by_itself(live=self._site.source().live) if self._plan.goes_on_at_boot else None
        if why_not is not None:
            what = f"nothing would go on at the next boot: {why_not}"
            yield Fault(line=None, what=what, remedy="take goes_on_at_boot out, and give the command again yourself")

    def _step(self, step: AnyStep, line: int | None, taken: Snapshot) -> PreviewStep:
        made = PreviewStep(
            name=step.name, kind=kind_of(step), line=line, times=step.repeat * self._plan.rounds, asked=asked_of(step),
            limit=limit_of(step, self._plan.hottest_at(step)),
        )  # fmt: skip
        try:
            return self._looked_at(step, made, taken)
        except LinkprobeError as error:
            self._faults.append(Fault(line=line, what=f"{step.name}: {error.where}: {error.what}", remedy=error.remedy))
            return made

    def _looked_at(self, step: AnyStep, made: PreviewStep, taken: Snapshot) -> PreviewStep:
        if "links" in step.__struct_fields__:
            links = chosen(taken.links, words_of(step), option="links = ")
            made = replaced(made, links=tuple(title(link) for link in links))
        if isinstance(step, WRITING):
            return self._writing(made, ordered(step, self._site, self._plan.accept).plan)
        if isinstance(step, SoakStep):
            return self._soak(step, made, taken)
        if isinstance(step, CommandStep):
            run = located(step.run, self._site.folder)
            if shutil.which(run[0]) is None:
                raise InputError("is no program that can be run", where=run[0], remedy="correct run, or install it")
            return replaced(made, at_most_s=step.minutes * 60.0)
        if isinstance(step, RebootStep):
            self._reboot(step, made)
            return replaced(made, lasts_s=_REBOOT_S, at_most_s=None if step.by_hand else _REBOOT_MOST_S)
        if isinstance(step, ExpectationsStep):
            expectations_text(step.file, self._site.folder)
        return replaced(made, lasts_s=_SURVEY_S, at_most_s=_SURVEY_MOST_S)

    def _writing(self, made: PreviewStep, plan: ActivePlan) -> PreviewStep:
        """A step that writes: its plan is that of the single command, and so are its refusals."""
        found = [finding for link in plan.links for finding in link.findings]
        for item in dict.fromkeys(found):
            if item.word is None:
                what = f"{made.name}: {item.what}: {item.user}"
                self._faults.append(Fault(line=made.line, what=what, remedy=item.remedy or "test another link"))
            else:
                self._accept[item.word] = None
        for word in plan.accept:
            if word not in self._plan.accept:
                what = f"{made.name}: needs the word {word}, which the plan does not have"
                self._faults.append(Fault(line=made.line, what=what, remedy=_CONSENT))
        if plan.left_behind is not None:
            self._faults.append(Fault(line=made.line, what=plan.left_behind, remedy="then begin anew"))
        writes = [f"{item.what} at {item.where}: {item.old or 'not read'} -> {item.new}"
                  for link in plan.links for item in link.writes]  # fmt: skip
        usual, most = sum(link.lasts_s for link in plan.links), sum(link.at_most_s for link in plan.links)
        return replaced(
            made, lasts_s=usual, at_most_s=most,
            writes=tuple(dict.fromkeys(writes)), accept=plan.accept,
            shows=tuple(dict.fromkeys(link.shows for link in plan.links)),
        )  # fmt: skip

    def _soak(self, step: SoakStep, made: PreviewStep, taken: Snapshot) -> PreviewStep:
        seconds = step.minutes * 60.0
        setup = setup_of(step, self._site, taken, seconds, self._plan.hottest_at(step))
        return replaced(
            made, lasts_s=seconds, at_most_s=seconds + _SURVEY_MOST_S, shows=(str(shows(setup.links, seconds)),)
        )

    def _reboot(self, step: RebootStep, made: PreviewStep) -> None:
        if step.by_hand:
            return
        why_not = goes_on_by_itself(live=self._site.source().live)
        if why_not is not None:
            remedy = "put by_hand = true there, and give the command again yourself"
            raise InputError(f"nothing would go on afterwards: {why_not}", where=made.name, remedy=remedy)


def words_of(step: AnyStep) -> tuple[str, ...]:
    """The words by which a step names its links."""
    words: Iterable[str] = getattr(step, "links", ())
    return tuple(words)


def replaced(made: PreviewStep, **changes: object) -> PreviewStep:
    """The same, with other values."""
    return structs.replace(made, **changes)
