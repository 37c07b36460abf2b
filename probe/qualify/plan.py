"""A plan: the steps of a qualification in their order, as a person writes them in TOML.

May live here: what a step may say, and its defaults. May not: reading files or machines.
"""

from enum import StrEnum
from typing import Annotated

import msgspec

from probe.schemas import Schema

Count = Annotated[int, msgspec.Meta(ge=1, le=100_000)]
Positive = Annotated[float, msgspec.Meta(gt=0, le=1e9)]
NotNegative = Annotated[float, msgspec.Meta(ge=0, le=1e9)]
Share = Annotated[float, msgspec.Meta(gt=0, le=1)]
ErrorLimit = Annotated[int, msgspec.Meta(ge=0, le=63)]
Words = tuple[str, ...]
Command = Annotated[tuple[str, ...], msgspec.Meta(min_length=1)]


class Stop(StrEnum):
    """What ends a plan before its last step."""

    URGENT = "urgent"
    FAILED = "failed"
    INCONCLUSIVE = "inconclusive"


class Step(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True, tag_field="kind"):
    """What every step may say. `stop_on` and `hottest_c` stand in the place of the plan's own where they are given."""

    name: str = ""
    repeat: Count = 1
    stop_on: tuple[Stop, ...] | None = None
    hottest_c: Positive | None = None


class SnapshotStep(Step, frozen=True, kw_only=True, tag="snapshot"):
    """Take the evidence of the machine; where `judged`, an alarming link fails the step."""

    links: Words = ()
    judged: bool = True


class ExpectationsStep(Step, frozen=True, kw_only=True, tag="expectations"):
    """Hold the machine to a file of expectations, which stands beside the plan."""

    file: str


class TrainingsStep(Step, frozen=True, kw_only=True, tag="trainings"):
    """Train links again and again; more than `most_short` that come up short fail."""

    links: Words
    way: str = "retrain"
    times: Count = 20
    most_short: Annotated[int, msgspec.Meta(ge=0)] = 0


class SpeedsStep(Step, frozen=True, kw_only=True, tag="speeds"):
    """Take links through every speed that both ends support."""

    links: Words
    seconds: NotNegative = 10.0
    loads: Words = ()


class MarginsStep(Step, frozen=True, kw_only=True, tag="margins"):
    """Measure how open the eye of every lane is; keys are those of `linkprobe margin`."""

    links: Words
    end: str = "both"
    seconds: Positive = 1.0
    error_limit: ErrorLimit = 4
    lanes: str | None = None
    at_least_ui: NotNegative | None = None
    at_least_volts: NotNegative | None = None


class SoakStep(Step, frozen=True, kw_only=True, tag="soak"):
    """Put links under load for so many minutes, all parts of the time added up.

    `at_least` is the share of its ceiling that each way of a loaded link has to carry; without it slow fails nothing.
    `ends_on` has some of fatal, link-down, rate; `uncounted_errors` says that errors cannot be counted on this machine.
    The rest is as with `linkprobe soak`.
    """

    links: Words = ()
    minutes: Positive
    loads: Words = ()
    covers: Words = ()
    interval_s: Annotated[float, msgspec.Meta(ge=0.05, le=3600)] = 1.0
    correctable: str = "6/2h"
    at_least: Share | None = None
    ends_on: Words = ()
    rate_bytes_s: Positive | None = None
    block: Annotated[int, msgspec.Meta(ge=4096)] | None = None
    in_flight: Annotated[int, msgspec.Meta(ge=1, le=64)] | None = None
    size: Annotated[int, msgspec.Meta(ge=4096)] = 256 << 20
    uncounted_errors: bool = False


class CommandStep(Step, frozen=True, kw_only=True, tag="command"):
    """Run the site's own command, in the plan's folder; it passes by its exit status, within its time.

    `again` says whether it may be run once more after a cut.
    """

    run: Command
    minutes: Positive = 60.0
    passes_with: tuple[int, ...] = (0,)
    again: bool = True


class RebootStep(Step, frozen=True, kw_only=True, tag="reboot"):
    """Start the machine anew and go on; `by_hand`: a person gives the command again when it is back."""

    run: Command = ("systemctl", "reboot")
    by_hand: bool = False


class ComparisonStep(Step, frozen=True, kw_only=True, tag="comparison"):
    """Compare two snapshots of the plan by their names, the latest of each; limits are those of `linkprobe diff`."""

    before: str
    after: str
    correctable: str | None = None
    data: str | None = None


AnyStep = (
    SnapshotStep
    | ExpectationsStep
    | TrainingsStep
    | SpeedsStep
    | MarginsStep
    | SoakStep
    | CommandStep
    | RebootStep
    | ComparisonStep
)
WRITING = (TrainingsStep, SpeedsStep, MarginsStep)
"""The steps that write to hardware."""


class Plan(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A whole plan. `accept` are the words of what may be lost, `fields` what a person has to tell.

    `goes_on_at_boot`: after a crash or a power cut it goes on by itself, as it does after a reboot of its own.
    """

    schema: str = Schema.QUALIFY_PLAN
    title: str = ""
    accept: Words = ()
    fields: Words = ()
    rounds: Count = 1
    goes_on_at_boot: bool = False
    stop_on: tuple[Stop, ...] = (Stop.URGENT,)
    hottest_c: Positive | None = None
    asked: dict[str, str] = {}
    step: tuple[AnyStep, ...] = ()

    @property
    def needs_a_unit(self) -> bool:
        """Whether it is to go on by itself when the machine was started anew."""
        return self.goes_on_at_boot or any(isinstance(item, RebootStep) and not item.by_hand for item in self.step)

    def ends_on(self, step: Step) -> tuple[Stop, ...]:
        """What ends the plan at this step."""
        return self.stop_on if step.stop_on is None else step.stop_on

    def hottest_at(self, step: Step) -> float | None:
        """The temperature that no link may reach at this step, degrees Celsius; None for no limit."""
        return self.hottest_c if step.hottest_c is None else step.hottest_c


def kind_of(step: Step) -> str:
    """The kind of a step, as the plan has it."""
    return str(step.__struct_config__.tag)
