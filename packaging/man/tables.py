"""What the program's own tables hold, as text of a page: words, questions, statuses, loads, metrics."""

from scdoc import escaped, reflowed, told

from probe.cli.commands import COMMANDS
from probe.exit_status import ExitStatus
from probe.loads.catalogue import LOADS, make
from probe.render.openmetrics.collected import Collected, RunFigures
from probe.verdict.next_steps import CAUTIONS
from probe.verdict.rules import RULES
from probe.verdict.verdicts import Verdict

STATUS = {
    ExitStatus.CLEAN: "nothing to report",
    ExitStatus.FOUND: "found: a link below what both ends can do, a change for the worse, a limit exceeded",
    ExitStatus.URGENT: "found and urgent: a non-fatal or fatal error, a component that no longer answers or is gone",
    ExitStatus.NOTHING_JUDGED: "nothing could be judged, or a test was inconclusive",
    ExitStatus.USAGE: "the command was used wrongly, or what it was given cannot be used",
    ExitStatus.INTERNAL: "an error of the program itself",
}


def commands() -> str:
    """Every command, with its line in the help."""
    return "".join(told(f"*linkprobe-{row.name}*(1)", escaped(row.help)) for row in COMMANDS)


def verdicts() -> str:
    """Every word of a verdict."""
    return "".join(told(f"*{word}*", word.meaning) for word in Verdict)


def questions() -> str:
    """What is asked of a link, in the order of the rules."""
    return "".join(f". {reflowed(rule.__doc__ or '')}\n" for rule in RULES)


def statuses() -> str:
    """Every exit status."""
    return "".join(told(f"*{status.value}*", text) for status, text in STATUS.items())


def cautions() -> str:
    """What comes before a hand goes near hardware."""
    return reflowed(CAUTIONS) + "\n"


def loads() -> str:
    """Every load, by what it says of itself."""
    made = {name: make(name) for name in sorted(LOADS)}
    return "".join(
        told(
            f"*{escaped(name)}*",
            f"Drives {escaped(load.drives)}. Verifies: {escaped(load.verifies)}. Writes: {escaped(load.writes)}. "
            f"Needs {escaped(load.needs)}.",
        )
        for name, load in made.items()
    )


def metrics() -> str:
    """Every metric that a run tells, as the program names it to the client library."""
    ending = {"counter": "_total", "info": "_info"}
    collected = Collected((), {}, RunFigures(taken_s=0.0, seconds=0.0)).collect()
    return "".join(
        told(f"*{escaped(metric.name + ending.get(metric.type, ''))}* ({metric.type})", escaped(metric.documentation))
        for metric in collected
    )
