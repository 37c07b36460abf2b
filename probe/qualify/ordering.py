"""The order of a step that writes to hardware: the very one that its single command gives.

May live here: from a step to the order of `train`, `speeds` or `margin`, and carrying it out under the guard.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from probe.active.documents import Attempt, SpeedsDocument, TrainingDocument
from probe.active.margining.document import MarginDocument
from probe.active.margining.order import margin_order
from probe.active.orders import Order, speeds_order, training_order
from probe.active.preparing import guarded
from probe.active.target import Target
from probe.qualify.plan import MarginsStep, SpeedsStep, TrainingsStep
from probe.qualify.site import Site

WritingStep = TrainingsStep | SpeedsStep | MarginsStep
AnyOrder = Order[TrainingDocument] | Order[SpeedsDocument] | Order[MarginDocument]
Tell = Callable[[Target, Attempt | str], None]


def ordered(step: WritingStep, site: Site, accepted: Sequence[str]) -> AnyOrder:
    """The order, to be looked at only. Raises InputError."""
    with _order(step, site, accepted) as order:
        return order


def carried_out(step: WritingStep, site: Site, tell: Tell) -> TrainingDocument | SpeedsDocument | MarginDocument:
    """Do it, with what was accepted on the command line. Raises InputError where it is refused."""
    with _order(step, site, site.accepted) as order:
        return order.carry_out(tell)


@contextmanager
def _order(step: WritingStep, site: Site, accepted: Sequence[str]) -> Iterator[AnyOrder]:
    with guarded(site.source(), step.links, accepted) as (tested, guarding):
        match step:
            case TrainingsStep():
                yield training_order(tested, guarding, step.way, step.times)
            case SpeedsStep():
                yield speeds_order(tested, guarding, step.seconds, step.loads)
            case MarginsStep():
                yield margin_order(
                    tested, guarding, accepted, end=step.end, seconds=step.seconds, error_limit=step.error_limit,
                    lanes=step.lanes, at_least_ui=step.at_least_ui, at_least_volts=step.at_least_volts,
                )  # fmt: skip
