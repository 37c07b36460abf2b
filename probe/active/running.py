"""The runs of `train` and `speeds`: a session, links one after another, and the document.

May live here: what binds guard, session, protocols and judging together. May not: sequences of registers; drawing.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

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
from probe.active.speed_run import Gone, SpeedCourse, through_speeds
from probe.active.speed_steps import common_speeds, speeds_of
from probe.active.steps import CannotWrite, Stopped
from probe.active.target import Target, links_before, scope_of
from probe.active.trainings import Course, Trained, Watching, trainings
from probe.active.under_load import AtWork, Carried, Loads, dwell
from probe.active.ways import ByFunction, Means, SpeedMeans, Way, effect_of
from probe.audit.names import title
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


class Run:
    """One run on a machine: its guard, the kernel's log, and somebody to tell."""

    def __init__(self, tested: Bench, guarding: Guarding, tell: Tell) -> None:
        self._bench = tested
        self._guarding = guarding
        self._tell = tell
        self._log = LogMonitor() if tested.source.live else None

    def train(self, tasks: tuple[Training, ...], way: Way, times: int) -> TrainingDocument:
        """Train each link so many times; all is put back whatever ends it. Raises InputError."""
        done: list[LinkTraining] = []
        with self._begun("train", tuple(task.target for task in tasks)) as going_on:
            for task in tasks:
                done.append(self._train_one(going_on, task, way, times))
                if done[-1].stopped is not None:
                    break
        leftovers = going_on.leftovers or ()
        ended = [msgspec.structs.replace(link, ended=self._ended(going_on, link.downstream_port)) for link in done]
        return training_document(self._bench.evidence.host, ended, leftovers)

    def speeds(self, tasks: tuple[Speeds, ...], seconds: float) -> SpeedsDocument:
        """Take each link through its speeds; all is put back whatever ends it. Raises InputError as above."""
        done: list[LinkSpeeds] = []
        with self._begun("speeds", tuple(task.target for task in tasks)) as going_on:
            for task in tasks:
                done.append(self._speeds_one(going_on, task, seconds))
                if done[-1].stopped is not None:
                    break
        leftovers = going_on.leftovers or ()
        ended = [msgspec.structs.replace(link, ended=self._ended(going_on, link.downstream_port)) for link in done]
        return speeds_document(self._bench.evidence.host, ended, leftovers)

    @contextmanager
    def _begun(self, command: str, under_test: tuple[Target, ...]) -> Iterator[Session]:
        boot = self._bench.evidence.host.boot_id
        began = began_now(command, self._bench.source.sys, boot, scope_of(under_test), links_before(under_test))
        with session(began) as going_on:
            yield going_on

    @staticmethod
    def _ended(going_on: Session, port: str) -> LinkState:
        return going_on.ended.get(port, LinkState())

    def _train_one(self, going_on: Session, task: Training, way: Way, times: int) -> LinkTraining:
        target, link = task.target, LinkAt.of(task.target)
        document = LinkTraining(
            downstream_port=str(target.port.address), upstream_port=str(target.component.address),
            title=title(target.document), way=way, means=told(task.means), asked=times,
            before=target.document.negotiated, expected=target.document.possible,
        )  # fmt: skip
        beside = self._watching(target, effect_of(task.means))
        try:
            objection = beside.objection()
            if objection is not None:
                return training_result(document, Trained(attempts=(), stopped=objection))
            held_at = self._prepare(going_on, target, link)
            if isinstance(task.means, ByFunction) and task.means.instead_of is not None:
                going_on.set_file(f"{task.means.path}_method", task.means.method)
            equalized = {item.speed_gts for item in going_on.run(equalization_of(link)) if item.complete}
        except (CannotWrite, Stopped) as why:
            return training_result(document, Trained(attempts=(), stopped=_words(why)))
        expected = _held_to(target.document.possible, held_at)
        course = Course(
            link=link, means=task.means, times=times, before=target.document.negotiated, expected=expected,
            equalized=frozenset(equalized),
        )  # fmt: skip
        document = msgspec.structs.replace(document, expected=expected)
        return training_result(document, trainings(course, going_on, beside))

    def _speeds_one(self, going_on: Session, task: Speeds, seconds: float) -> LinkSpeeds:
        target, link = task.target, LinkAt.of(task.target)
        document = LinkSpeeds(
            downstream_port=str(target.port.address), upstream_port=str(target.component.address),
            title=title(target.document), means=told(task.means), before=target.document.negotiated,
            loaded=bool(task.loads),
        )  # fmt: skip
        speeds = common_speeds(target.port, target.component)
        either = dict.fromkeys((*speeds_of(target.port), *speeds_of(target.component)))
        course = SpeedCourse(
            link=link, means=task.means, speeds=speeds, others=tuple(speed for speed in either if speed not in speeds),
            before=target.document.negotiated, seconds=seconds,
        )  # fmt: skip
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
            untried = through_speeds(course, going_on, self._never(objection), hold)
            return _with_steps(document, untried)
        return _with_steps(document, through_speeds(course, going_on, beside, hold))

    def _never(self, objection: str) -> Watching:
        return Watching(log=tuple, objection=lambda: objection, tell=lambda _: None)

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
