"""What a plan would do, on a terminal: each step with its time, what it writes, and what stands in the way."""

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from probe.counted import counted
from probe.qualify.plan_file import Fault
from probe.qualify.preview import Preview, PreviewStep
from probe.render.units import duration

_NAMED = 4


def render(document: Preview, screen: Console) -> None:
    """Draw it: faults last, where they are seen."""
    screen.print(
        Text.assemble((document.plan, "bold"), f"  {document.title}" if document.title else ""), soft_wrap=True
    )
    for number, step in enumerate(document.steps, start=1):
        _step(number, step, screen)
    if document.steps:
        unknown = any(step.lasts_s is None for step in document.steps)
        beside = " beside commands of the site" if unknown else ""
        most = "no bound" if document.at_most_s is None else f"{duration(document.at_most_s)} at most"
        screen.print(f"\nAll of it takes about {duration(document.lasts_s)}{beside}, {most}. Nothing was done.")
    for caution in document.cautions:
        screen.print(Padding(Text(caution, style="italic"), (0, 0, 0, 2)))
    if document.faults:
        screen.print(Text(f"\n{counted(len(document.faults), 'fault')}, so nothing is begun", style="bold red"))
        for fault in document.faults:
            screen.print(f"  {sentence(fault, document.plan)}", soft_wrap=True)  # a line a fault, however long
    elif document.writes:
        words = "".join(f" --accept {word}" for word in document.accept)
        screen.print(Text(f"\nSteps of it write to hardware. To do it, repeat the command with --go{words}"))


def sentence(fault: Fault, plan: str) -> str:
    """A fault with its place and its remedy."""
    where = plan if fault.line is None else f"{plan} line {fault.line}"
    return f"{where}: {fault.what}; {fault.remedy}"


def _time(step: PreviewStep) -> str:
    if step.lasts_s is not None:
        return f"about {duration(step.lasts_s)}"
    return "time not known" if step.at_most_s is None else f"{duration(step.at_most_s)} at most"


def _step(number: int, step: PreviewStep, screen: Console) -> None:
    times = f", {step.times} times" if step.times > 1 else ""
    screen.print(Text.assemble(f"\n{number:2}  ", (step.name, "bold"), f"  {_time(step)}{times}"))
    screen.print(Padding(Text(step.asked), (0, 0, 0, 4)))
    screen.print(Padding(Text(f"passes by: {step.limit}"), (0, 0, 0, 4)))
    if step.links:
        more = f" and {len(step.links) - _NAMED} more" if len(step.links) > _NAMED else ""
        named = f"{', '.join(step.links[:_NAMED])}{more}"
        screen.print(Padding(Text(f"{counted(len(step.links), 'link')}: {named}"), (0, 0, 0, 4)))
    for text in step.shows:
        screen.print(Padding(Text(text, style="dim"), (0, 0, 0, 4)))
    for text in step.writes:
        screen.print(Padding(Text(f"writes {text}"), (0, 0, 0, 4)))
    if step.accept:
        screen.print(Padding(Text(f"needs the words {', '.join(step.accept)}"), (0, 0, 0, 4)))
