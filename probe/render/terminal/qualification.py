"""The record of a qualification on a terminal, the result first."""

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from probe.counted import counted
from probe.qualify.document import RecordSummary, StepOutcome
from probe.render.styles import TERMINAL_RESULTS
from probe.render.units import duration
from probe.result import Result

_REASONS = 5


def render(document: RecordSummary, screen: Console, *, written: str | None = None) -> None:
    """Draw a record; `written` is the file that it was written to, None where the run is to go on."""
    judged = document.judged
    head = f"  {judged.title}, {judged.host.name or 'this machine'}; {duration(judged.seconds)}"
    parts = f" in {len(judged.parts)} parts" if len(judged.parts) > 1 else ""
    screen.print(Text.assemble((judged.result, TERMINAL_RESULTS[judged.result]), head, parts))
    for reason in judged.reasons:
        screen.print(Padding(Text(reason), (0, 0, 0, 2)))
    for step in judged.steps:
        _step(step, screen)
    if judged.not_tested:
        screen.print(Text("\nNot tested", style="bold"))
    for item in judged.not_tested:
        screen.print(Padding(Text(f"{item.what}: {item.why}"), (0, 0, 0, 2)))
    if written is None:
        screen.print(Text("\nNot at its end: give the same command again to go on.", style="bold"))
    else:
        screen.print(f"\nrecord: {written}", soft_wrap=True)


def _step(step: StepOutcome, screen: Console) -> None:
    took = "" if step.seconds is None else f"  {duration(step.seconds)}"
    again = f", begun {counted(step.times_begun, 'time')}" if step.times_begun > 1 else ""
    screen.print()
    screen.print(
        Text.assemble(
            f"{step.number:2}  ", (step.name, "bold"), "  ", (step.result, TERMINAL_RESULTS[step.result]), took, again
        )
    )
    screen.print(Padding(Text(f"{step.asked}; passes by: {step.limit}", style="dim"), (0, 0, 0, 4)))
    shown = step.reasons if step.result is not Result.PASSED else step.reasons[:1]
    for reason in shown[:_REASONS]:
        screen.print(Padding(Text(reason), (0, 0, 0, 4)))
    if len(shown) > _REASONS:
        screen.print(
            Padding(Text(f"and {len(shown) - _REASONS} more, which the record has", style="dim"), (0, 0, 0, 4))
        )
