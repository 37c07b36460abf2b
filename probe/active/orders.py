"""An order: what a command is to do, planned and guarded, ready to be carried out or only shown.

May live here: from words on the command line to a plan and a run. May not: drawing; writing.
"""

from collections.abc import Callable, Sequence
from typing import Generic, TypeVar

import msgspec

from probe.active.documents import Attempt, Plan, PlannedLink, SpeedsDocument, TrainingDocument
from probe.active.guard import Effect
from probe.active.journal import there_already
from probe.active.planning import CAUTIONS, POWER_CAUTION, intended_speeds, intended_trainings, plan, planned_link, told
from probe.active.preparing import Bench, Guarding, refuse
from probe.active.running import Run, Speeds, Training
from probe.active.speed_steps import common_speeds
from probe.active.target import Target
from probe.active.under_load import loads_below
from probe.active.ways import Way, effect_of, means, speed_means
from probe.exceptions import InputError
from probe.host.resets import read_resets

Done = TypeVar("Done")
Tell = Callable[[Target, Attempt | str], None]


class Order(msgspec.Struct, Generic[Done], frozen=True):
    """A plan, the links with what the test does to each, and the run itself, which gives the document."""

    plan: Plan
    guarding: Guarding
    effects: tuple[tuple[Target, Effect], ...]
    run: Callable[[Tell], Done]

    @property
    def live(self) -> bool:
        """It is for this host, not for a tree that has the same files."""
        return self.guarding.live

    def check(self) -> None:
        """Raise InputError where something stands in the way that no word given covers."""
        if self.plan.left_behind is not None:
            raise InputError(self.plan.left_behind, where=self.plan.command, remedy="then begin anew")
        for target, effect in self.effects:
            refuse(target, self.guarding.objections(target, effect))

    def carry_out(self, tell: Tell) -> Done:
        """Do it, unless something stands in the way. Raises InputError as `check`."""
        self.check()
        return self.run(tell)


def training_order(tested: Bench, guarding: Guarding, way: str, times: int) -> Order[TrainingDocument]:
    """What `train` is to do. Raises InputError where the kernel offers no safe means for that way."""
    chosen = _way(way)
    tasks = tuple(
        Training(target, means(chosen, target, read_resets(tested.source, str(target.port.address), target.siblings)))
        for target in tested.under_test
    )
    effects = tuple((task.target, effect_of(task.means)) for task in tasks)
    links = [
        planned_link(
            task.target, told(task.means), guarding.walk(task.target, effect),
            intended_trainings(task.target, task.means, times),
        )
        for task, (_, effect) in zip(tasks, effects, strict=True)
    ]  # fmt: skip
    cautions = (*CAUTIONS, POWER_CAUTION) if chosen is Way.SLOT_POWER else CAUTIONS
    return Order(
        plan_of("train", tested, links, cautions), guarding, effects,
        lambda tell: Run(tested, guarding, tell).train(tasks, chosen, times),
    )  # fmt: skip


def _way(text: str) -> Way:
    try:
        return Way(text)
    except ValueError as error:
        raise InputError("no such way", where=f"--way {text}", remedy=f"choose among {', '.join(Way)}") from error


def speeds_order(tested: Bench, guarding: Guarding, seconds: float, loads: Sequence[str]) -> Order[SpeedsDocument]:
    """What `speeds` is to do. Raises InputError where a port has no Target Link Speed, or a load drives nothing."""
    tasks = tuple(Speeds(target, speed_means(target), loads_below(loads, target)) for target in tested.under_test)
    effects = tuple((task.target, Effect.RETRAINS) for task in tasks)
    links = [
        planned_link(
            task.target, told(task.means), guarding.walk(task.target, Effect.RETRAINS),
            intended_speeds(
                task.target, task.means, common_speeds(task.target.port, task.target.component), seconds
            ),
        )
        for task in tasks
    ]  # fmt: skip
    return Order(
        plan_of("speeds", tested, links, CAUTIONS), guarding, effects,
        lambda tell: Run(tested, guarding, tell).speeds(tasks, seconds),
    )  # fmt: skip


def plan_of(command: str, tested: Bench, links: Sequence[PlannedLink], cautions: tuple[str, ...]) -> Plan:
    """The plan of a command on this machine."""
    return plan(command, tested.evidence.host, links, cautions, there_already(tested.source.sys))
