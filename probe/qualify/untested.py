"""What a qualification did not test, and why: steps that were not done, kinds of tests that no step asks for. Pure."""

from collections.abc import Iterator, Sequence

from probe.audit.names import title
from probe.audit.snapshot import Snapshot, judged_links
from probe.qualify.document import LinkResult, NotTested, StepOutcome
from probe.result import Result

KINDS_BY_LINK = ("snapshot", "trainings", "speeds", "margins", "soak")
"""The kinds of steps that say something of single links."""


def not_tested(
    first: Snapshot | None, steps: Sequence[StepOutcome], links: Sequence[LinkResult]
) -> Iterator[NotTested]:
    """All that was not tested."""
    yield from _steps(steps)
    yield from _links(links)
    if first is not None:
        for link in judged_links(first):
            if link.component is None and link.slot is not None:
                yield NotTested(what=title(link), why="nothing is in it")


def _steps(steps: Sequence[StepOutcome]) -> Iterator[NotTested]:
    for step in steps:
        if not step.times_begun:
            yield NotTested(what=f"step {step.number}, {step.name}", why="it was not begun")
        elif not step.evidence_lines and step.result is Result.INCONCLUSIVE:
            yield NotTested(what=f"step {step.number}, {step.name}", why="; ".join(step.reasons))


def _links(links: Sequence[LinkResult]) -> Iterator[NotTested]:
    for link in links:
        missing = [kind for kind in KINDS_BY_LINK if kind not in link.by_kind]
        if len(missing) == len(KINDS_BY_LINK):
            yield NotTested(what=link.title, why="no step has tested it")
        elif missing:
            yield NotTested(what=link.title, why=f"no step has tested it by {', '.join(missing)}")
