"""The margining of one link from its first step to receivers at rest, by whatever runs protocols.

May live here: the order of measuring, quiet and coming back. May not: the guard, files, judging.
"""

from collections.abc import Callable

from probe.active.journal import Began
from probe.active.link_at import LinkAt
from probe.active.margining.link import Choice, LinkRun
from probe.active.speed_steps import bring_back
from probe.active.steps import Stopped
from probe.active.target import Target
from probe.active.trainings import Runner


def margin_link(runner: Runner, target: Target, choice: Choice, began: Began, tell: Callable[[str], None]) -> LinkRun:
    """Measure one link, and leave every receiver at its normal settings.

    A link that has become slower than 16 GT/s carries no command until it is back at what it was when the run `began`.
    """
    run = LinkRun(LinkAt.of(target), choice, tell)
    try:
        runner.run(run.measure())
        runner.run(run.quiet())
        if run.not_normal and began.may_retrain:
            runner.run(bring_back(began))
            runner.run(run.quiet_again())
    except Stopped as signal:  # it comes once at most
        run.stopped = f"stopped by {signal}"
        runner.run(run.quiet())
    return run
