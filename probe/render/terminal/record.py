"""The record of a soak on a terminal: the verdict, a row a link, the worst first, and what comes next."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from probe.counted import counted
from probe.errors.attribution import sentence
from probe.render import styles
from probe.render.units import duration, measured_rate
from probe.result import Result
from probe.soak.record import LinkOutcome, Record
from probe.soak.throughput import Throughput
from probe.soak.together import Together
from probe.verdict.next_steps import CAUTIONS, HOT, touches_hardware

_WIDE = 110
_MOST_EVENTS = 20
_ORDER = (Result.FAILED, Result.INCONCLUSIVE, Result.PASSED)
_LOADED = {True: "", False: ", no load", None: ", load not known"}


def render(document: Record, screen: Console) -> None:
    """Draw a record."""
    screen.print(_head(document))
    screen.print(f"{document.ended}; {counted(document.samples, 'sample')}")
    for reason in document.own_reasons:
        screen.print(reason)
    screen.print()
    screen.print(_outcomes(document.links, screen.width))
    for text in _notes(document.links):
        screen.print(text)
    _carried(document, screen)
    for mismatch in document.mismatches[:5]:
        there = f"expected {mismatch.expected[:32]}, found {mismatch.found[:32]}"
        screen.print(f"{mismatch.load} {mismatch.target}: at offset {mismatch.offset} {there}")
    _events(document, screen)
    _next(document.links, screen)


def _head(document: Record) -> Text:
    times = Counter(item.result for item in document.links)
    counts = ", ".join(f"{times[result]} {result}" for result in _ORDER if times[result])
    return Text.assemble(
        (document.verdict, styles.TERMINAL_RESULTS[document.result]),
        f"  {document.host or 'this machine'}, {duration(document.elapsed_s)}: {counts or 'no link'}",
    )


def worst_first(outcome: LinkOutcome) -> tuple[bool, int]:
    """Urgent ones, then those that failed, then those without a result."""
    return not outcome.urgent, _ORDER.index(outcome.result)


def _outcomes(outcomes: Iterable[LinkOutcome], width: int) -> Table:
    """A row a link. What does not fit in a narrow terminal is the least needed."""
    wide = width >= _WIDE
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2 if wide else 1, 0, 0))
    table.add_column("result", no_wrap=True)
    table.add_column("link", overflow="fold", max_width=None if wide else 18)
    table.add_column("under load", overflow="fold", max_width=None if wide else 16)
    if wide:
        table.add_column("changes", justify="right")
        table.add_column("errors", justify="right")
        table.add_column("hottest", justify="right", no_wrap=True)
    table.add_column("why", overflow="fold")
    for item in sorted(outcomes, key=worst_first):
        heat = "" if item.hottest_c is None else f"{item.hottest_c:.0f} C"
        more = (str(item.transitions), _errors(item), heat) if wide else ()
        table.add_row(
            Text(item.result, style=styles.TERMINAL_RESULTS[item.result]),
            item.title,
            f"{_states(item)}{_LOADED[item.loaded]}",
            *more,
            "; ".join(item.reasons),
        )
    return table


def _errors(item: LinkOutcome) -> str:
    return "not counted" if item.errors_counted is False else str(sum(found.events for found in item.errors))


def _states(item: LinkOutcome) -> str:
    return str(item.best) if item.best == item.worst else f"{item.best} down to {item.worst}"


def _notes(outcomes: Iterable[LinkOutcome]) -> Iterator[str]:
    """What a row has no room for, of links that did not always do the same."""
    for item in sorted(outcomes, key=worst_first):
        if len(item.seconds_in) > 1:
            times = ", ".join(f"{state} {duration(seconds)}" for state, seconds in item.seconds_in.items())
            yield f"{item.title}: time in each state: {times}"
        told = [] if item.result is Result.FAILED else [sentence(finding) for finding in item.errors]
        if item.errors_before_baseline:
            told.append(
                f"{counted(item.errors_before_baseline, 'error')} before working speed was reached, not counted"
            )
        if told:
            yield f"{item.title}: {'; '.join(told)}"


def _carried(document: Record, screen: Console) -> None:
    """What each load carried each way, and what they carried at the same time, with the share of the ceiling."""
    if not document.throughput:
        return
    rows: dict[str, dict[str, Throughput | Together]] = defaultdict(dict)
    for item in document.throughput:
        rows[f"{item.load} {item.target}"][item.direction] = item
    for sums in document.together:
        rows[_over(sums)][sums.phase] = sums
    ways = list(dict.fromkeys(way for row in rows.values() for way in row))
    screen.print(Text("\nWhat was carried", style="bold"))
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 1 if screen.width < _WIDE else 2, 0, 0))
    table.add_column("load", overflow="fold")
    for way in ways:
        table.add_column(way, no_wrap=True)
    for name, row in rows.items():
        table.add_row(name, *(_measured(row.get(way)) for way in ways))
    screen.print(table)
    if document.scope is not None and document.scope.at_least is not None:
        screen.print(f"At least {document.scope.at_least:.4g} of its ceiling was asked for, each way.")
    for item in document.throughput:
        if item.short:
            screen.print(f"{item.load} {item.target}, {item.direction}: {item.sentence}")
            for question in item.questions:
                screen.print(Padding(Text(f"ask: {question}", style="dim"), (0, 0, 0, 4)))


def _measured(item: Throughput | Together | None) -> str:
    if item is None:
        return ""
    share = "" if item.share is None else f" {item.share:.0%}"
    return f"{measured_rate(item.median_bytes_s)}{share}"


def _over(sums: Together) -> str:
    """Which loads are summed, and over which link, where they share one."""
    over = "" if sums.over is None else f" over {sums.over[0] or 'a hidden port'} to {sums.over[1]}"
    return f"{counted(len(sums.targets), 'load')} at once{over}"


def _events(document: Record, screen: Console) -> None:
    """Those that matter come first where there are too many; all are in the record."""
    if not document.events:
        return
    screen.print(Text("\nEvents", style="bold"))
    titles = {item.place_id: item.title for item in document.links}
    chosen = sorted(document.events, key=lambda event: not event.bad)[:_MOST_EVENTS]
    for event in sorted(chosen, key=lambda event: event.t):
        place = f"{titles.get(event.place_id, event.place_id)}  " if event.place_id else ""
        screen.print(f"{event.t:10.1f} s  {place}{event.sentence}", soft_wrap=True)
    if len(chosen) < len(document.events):
        screen.print(f"and {len(document.events) - len(chosen)} more: linkprobe report RECORD -o PAGE.html")


def _next(outcomes: Sequence[LinkOutcome], screen: Console) -> None:
    """The steps, once for all links that they are the same for."""
    by_steps: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for item in sorted(outcomes, key=worst_first):
        if item.next_steps:
            by_steps[item.next_steps].append(item.title)
    if not by_steps:
        return
    screen.print(Text("\nWhat to do", style="bold"))
    for steps, titles in by_steps.items():
        screen.print(f"{', '.join(titles)}:")
        for number, step in enumerate(steps, start=1):
            screen.print(Padding(f"{number}. {step}", (0, 0, 0, 2)))
    if any(touches_hardware(steps) for steps in by_steps):
        screen.print(Text(f"{HOT} {CAUTIONS}", style="italic"))
