"""The runs of `train` and `speeds`: a session, links one after another, and the document.

May live here: what binds guard, session, protocols and judging together. May not: sequences of registers; drawing.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

import msgspec

from probe.active.asking import keep, keep_awake
from probe.active.documents import Attempt, LinkSpeeds, LinkTraining, SpeedsDocument, TrainingDocument
from probe.active.guard import Effect, Finding
from probe.active.journal import began_now
from probe.active.judging import speeds_document, speeds_result, training_document, training_result
from probe.active.link_at import LinkAt, equalization_of, target_speed_of
from probe.active.planning import told
from probe.active.preparing import Bench, Guarding
from probe.active.session import Session, session
from probe.active.speed_run import Gone, SpeedCourse, through_speeds, untried
from probe.active.speed_steps import common_speeds, speeds_of
from probe.active.steps import CannotWrite, Stopped
from probe.active.target import Target, links_before, scope_of
from probe.active.trainings import Course, Trained, Watching, trainings
from probe.active.under_load import AtWork, Carried, Loads, dwell
from probe.active.ways import ByFunction, Means, SpeedMeans, Way, effect_of
from probe.links.state import LinkState
from probe.observe.device_events import LogMonitor
from probe.registers.link import LinkControl2

Tell = Callable[[Target, Attempt], None]
_LOSING = frozenset({Effect.LINK_DOWN, Effect.POWER_OFF, Effect.RESETS_FUNCTION})
_SPEED_CONTROLS = LinkControl2.target_link_speed.mask


class Training(msgspec.Struct, frozen=True):
    """What `train` is to do at one link."""

    target: Target
    means: Means


class Speeds(msgspec.Struct, frozen=True):
    """What `speeds` is to do at one link, with the loads that run at each speed."""

    target: Target
    means: SpeedMeans
    loads: Loads = ()


Task = TypeVar("Task", Training, Speeds)
Tested = TypeVar("Tested", LinkTraining, LinkSpeeds)


class Run:
    """One run on a machine: its guard, the kernel's log, and somebody to tell."""

    def __init__(self, tested: Bench, guarding: Guarding, tell: Tell) -> None:
        self._bench = tested
        self._guarding = guarding
        self._tell = tell
        self._log = LogMonitor() if tested.source.live else None

    def train(self, tasks: tuple[Training, ...], way: Way, times: int) -> TrainingDocument:
        """Train each link so many times; all is put back whatever ends it. Raises InputError."""
        going_on, done = self._each(
            "train", tasks,
            lambda session, task: self._train_one(session, task, way, times),
            lambda task, why: training_result(_of_training(task, way, times), Trained(attempts=(), stopped=why)),
        )  # fmt: skip
        return training_document(self._bench.evidence.host, done, going_on.leftovers or ())

    def speeds(self, tasks: tuple[Speeds, ...], seconds: float) -> SpeedsDocument:
        """Take each link through its speeds; all is put back whatever ends it. Raises InputError as above."""
        going_on, done = self._each(
            "speeds", tasks,
            lambda session, task: self._speeds_one(session, task, seconds),
            lambda task, why: _with_steps(_of_speeds(task), untried(_course(task, seconds), why)),
        )  # fmt: skip
        return speeds_document(self._bench.evidence.host, done, going_on.leftovers or ())

    def _each(
        self, command: str, tasks: tuple[Task, ...], one: Callable[[Session, Task], Tested],
        not_done: Callable[[Task, str], Tested],
    ) -> tuple[Session, list[Tested]]:  # fmt: skip
        """Each task in turn until one ends early; the others are not done, and say why."""
        done: list[Tested] = []
        with self._begun(command, tuple(task.target for task in tasks)) as going_on:
            for task in tasks:
                done.append(one(going_on, task))
                if done[-1].stopped is not None:
                    break
        signal = going_on.stopped
        why = "the run ended before it" if signal is None else f"stopped by {signal}"
        done += [not_done(task, why) for task in tasks[len(done) :]]
        return going_on, [
            msgspec.structs.replace(link, ended=going_on.ended.get(link.downstream_port, LinkState())) for link in done
        ]

    @contextmanager
    def _begun(self, command: str, under_test: tuple[Target, ...]) -> Iterator[Session]:
        boot = self._bench.evidence.host.boot_id
        began = began_now(command, self._bench.source.sys, boot, scope_of(under_test), links_before(under_test))
        with session(began) as going_on:
            yield going_on

    def _train_one(self, going_on: Session, task: Training, way: Way, times: int) -> LinkTraining:
        target, link = task.target, LinkAt.of(task.target)
        document = _of_training(task, way, times)
        beside = self._watching(target, effect_of(task.means))
        try:
            objection = beside.objection()
            if objection is not None:
                return training_result(document, Trained(attempts=(), stopped=objection))
            held_at = self._prepare(going_on, target, link)
            if isinstance(task.means, ByFunction) and task.means.instead_of is not None:
                going_on.set_file(f"{task.means.path}_method", task.means.method)
            equalized = {(item.end, item.speed_gts) for item in going_on.run(equalization_of(link)) if item.complete}
        except (CannotWrite, Stopped) as why:
            return training_result(document, Trained(attempts=(), stopped=_words(why)))
        expected = _held_to(target.document.possible, held_at)
        course = Course(
            link=link, means=task.means, times=times, before=target.document.negotiated, expected=expected,
            equalized=frozenset(equalized), held_at_gts=held_at,
        )  # fmt: skip
        document = msgspec.structs.replace(document, expected=expected)
        return training_result(document, trainings(course, going_on, beside))

    def _speeds_one(self, going_on: Session, task: Speeds, seconds: float) -> LinkSpeeds:
        target, link = task.target, LinkAt.of(task.target)
        document, course = _of_speeds(task), _course(task, seconds)
        beside = self._watching(target, Effect.RETRAINS)

        def hold() -> tuple[tuple[LinkState, ...], Carried]:
            with AtWork(task.loads) as work:
                states = going_on.run(dwell(link, seconds))
            return states, work.carried()

        try:
            objection = beside.objection()
            if objection is None:
                self._prepare(going_on, target, link)
        except (CannotWrite, Stopped) as why:
            objection = _words(why)
        if objection is not None:
            return _with_steps(document, untried(course, objection))
        return _with_steps(document, through_speeds(course, going_on, beside, hold))

    def _watching(self, target: Target, effect: Effect) -> Watching:
        walked = False

        def objection() -> str | None:
            nonlocal walked
            if walked and effect not in _LOSING:
                return None
            walked = True
            return _sentence(self._guarding.objections(target, effect))

        log = self._log
        return Watching(
            log=tuple if log is None else log.events,
            objection=objection,
            tell=lambda attempt: self._tell(target, attempt),
        )

    def _prepare(self, going_on: Session, target: Target, link: LinkAt) -> float | None:
        """Both ends awake, and the port's Target Link Speed kept, which the kernel may change too; gives that speed."""
        for end in (target.port, target.component):
            going_on.run(keep_awake(str(end.address)))
        if link.port.look(LinkControl2) is None:
            return None
        going_on.run(keep(link.port.address, link.port.express + LinkControl2.offset, 1, _SPEED_CONTROLS))
        return going_on.run(target_speed_of(link))


def _of_training(task: Training, way: Way, times: int) -> LinkTraining:
    document = task.target.document
    return LinkTraining(
        **task.target.named, way=way, means=told(task.means), asked=times, before=document.negotiated,
        expected=document.possible,
    )  # fmt: skip


def _of_speeds(task: Speeds) -> LinkSpeeds:
    target = task.target
    return LinkSpeeds(
        **target.named, means=told(task.means), before=target.document.negotiated, loaded=bool(task.loads)
    )


def _course(task: Speeds, seconds: float) -> SpeedCourse:
    port, component = task.target.port, task.target.component
    speeds = common_speeds(port, component)
    either = dict.fromkeys((*speeds_of(port), *speeds_of(component)))
    return SpeedCourse(
        link=LinkAt.of(task.target), means=task.means, speeds=speeds,
        others=tuple(speed for speed in either if speed not in speeds), before=task.target.document.negotiated,
        seconds=seconds,
    )  # fmt: skip


def _with_steps(document: LinkSpeeds, gone: Gone) -> LinkSpeeds:
    return speeds_result(msgspec.structs.replace(document, speeds=gone.steps, stopped=gone.stopped, back=gone.back))


def _held_to(possible: LinkState, target_gts: float | None) -> LinkState:
    """The best that a training can reach under the port's Target Link Speed."""
    if possible.speed_gts is None or target_gts is None:
        return possible
    return LinkState(min(possible.speed_gts, target_gts), possible.width)


def _sentence(found: tuple[Finding, ...]) -> str | None:
    return "; ".join(f"{item.what}: {item.user}" for item in found) or None


def _words(why: CannotWrite | Stopped) -> str:
    return f"stopped by {why}" if isinstance(why, Stopped) else str(why)
