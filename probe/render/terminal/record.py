"""The record of a soak on a terminal, the verdict first."""

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from probe.counted import counted
from probe.errors.attribution import sentence
from probe.render import styles
from probe.render.units import data_rate, duration
from probe.soak.record import LinkOutcome, Record
from probe.soak.together import Together

_LOADED = {True: " under load", False: ", not under load", None: ", load not known"}


def render(document: Record, screen: Console) -> None:
    """Draw a record: the verdict first."""
    style = styles.TERMINAL_RESULTS[document.result]
    screen.print(
        Text.assemble((document.verdict, style), f"  {document.host or 'this machine'}, {duration(document.elapsed_s)}")
    )
    screen.print(f"  {document.ended}; {counted(document.samples, 'sample')}")
    for reason in document.reasons:
        screen.print(Padding(Text(reason), (0, 0, 0, 2)))
    for outcome in document.links:
        _outcome(outcome, screen)
    _carried(document, screen)
    for mismatch in document.mismatches[:5]:
        there = f"expected {mismatch.expected[:32]}, found {mismatch.found[:32]}"
        screen.print(f"  {mismatch.target}: at offset {mismatch.offset} {there}")
    if document.events:
        screen.print(Text("\nEvents", style="bold"))
    for event in document.events:
        screen.print(f"  {event.t:10.1f} s  {event.sentence}", soft_wrap=True)


def _carried(document: Record, screen: Console) -> None:
    if document.throughput:
        screen.print(Text("\nWhat was carried", style="bold"))
    for item in document.throughput:
        ceiling = "" if item.ceiling_bytes_s is None else f" of {data_rate(item.ceiling_bytes_s)}"
        passes = counted(item.passes, "pass", "passes")
        spread = f"{passes}, {data_rate(item.least_bytes_s)} to {data_rate(item.most_bytes_s)}"
        screen.print(
            f"  {item.load} {item.target}, {item.direction}: {data_rate(item.median_bytes_s)}{ceiling} ({spread})"
        )
        screen.print(f"      {item.sentence}")
        if item.narrowest is not None:
            memory = "not measured" if item.memory_bytes_s is None else data_rate(item.memory_bytes_s)
            node = "not known" if item.numa_node is None else str(item.numa_node)
            beside = f"narrowest on the path {item.narrowest}; NUMA node {node}; host memory {memory}"
            screen.print(Padding(Text(beside, style="dim"), (0, 0, 0, 6)))
        for question in item.questions:
            screen.print(Padding(Text(f"ask: {question}", style="dim"), (0, 0, 0, 6)))
    for sums in document.together:
        screen.print(f"  {_together(sums)}")


def _together(sums: Together) -> str:
    """What several carried at the same time, in a line."""
    over = "" if sums.over is None else f" over {sums.over[0] or 'a hidden port'} to {sums.over[1]}, which they share"
    ceiling = "" if sums.ceiling_bytes_s is None else f" of {data_rate(sums.ceiling_bytes_s)} ({sums.share:.0%})"
    spread = f"{counted(sums.phases, 'phase')}, {data_rate(sums.least_bytes_s)} to {data_rate(sums.most_bytes_s)}"
    return f"{len(sums.targets)} at once, {sums.phase}{over}: {data_rate(sums.median_bytes_s)}{ceiling} ({spread})"


def _outcome(outcome: LinkOutcome, screen: Console) -> None:
    screen.print()
    screen.print(
        Text.assemble(
            (outcome.title, "bold"), "  ", (outcome.result, styles.TERMINAL_RESULTS[outcome.result]), "  ",
            (outcome.under_load, styles.TERMINAL[outcome.under_load]), _LOADED[outcome.loaded],
        )
    )  # fmt: skip
    for reason in outcome.reasons:
        screen.print(Padding(Text(reason), (0, 0, 0, 2)))
    seen = f"best {outcome.best}, worst {outcome.worst}, {counted(outcome.transitions, 'transition')}"
    heat = "" if outcome.hottest_c is None else f", hottest {outcome.hottest_c:.0f} C"
    screen.print(f"  {seen}{heat}; before it was {outcome.before}")
    if len(outcome.seconds_in) > 1:
        times = ", ".join(f"{state} {duration(seconds)}" for state, seconds in outcome.seconds_in.items())
        screen.print(f"  time in each state: {times}")
    for finding in outcome.errors:
        screen.print(f"  {sentence(finding)}")
    if outcome.errors_before_baseline:
        screen.print(
            f"  {counted(outcome.errors_before_baseline, 'error')} before working speed was reached, not counted"
        )
