"""Active tests on a terminal: the plan, each training as it happens, what came of it, and what was put back."""

from collections.abc import Callable, Sequence

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from probe.active.documents import (
    Attempt,
    LinkSpeeds,
    LinkTraining,
    Plan,
    PlannedLink,
    PutBackDocument,
    Result,
    SpeedsDocument,
    SpeedStep,
    TrainingDocument,
)
from probe.active.guard import WORDS, Finding
from probe.active.target import Target
from probe.links.state import LinkState
from probe.render.units import data_rate, duration

_STYLES = {Result.PASSED: "bold green", Result.FAILED: "bold red", Result.INCONCLUSIVE: "bold yellow"}
_MOST_ROWS = 40


def plan(document: Plan, screen: Console) -> None:
    """Draw what would be done, who would be hit, and what it needs to be allowed."""
    screen.print(Text.assemble(("The plan of ", ""), (document.command, "bold"), "; nothing was written."))
    for link in document.links:
        _planned(link, screen)
    _heading("Before", screen)
    for caution in document.cautions:
        screen.print(Padding(Text(caution, style="italic"), (0, 0, 0, 2)))
    screen.print()
    if document.left_behind is not None:
        screen.print(Text(document.left_behind, style="bold red"))
    elif document.refused:
        screen.print(Text("Refused: no word covers what stands in the way.", style="bold red"))
    else:
        words = "".join(f" --accept {word}" for word in document.accept)
        screen.print(Text(f"To do it, repeat the command with --go{words}"))
        for word in document.accept:
            meaning = WORDS.get(word) or next(text for name, text in WORDS.items() if name.startswith("bound:"))
            screen.print(Padding(Text(f"{word}: {meaning}", style="dim"), (0, 0, 0, 2)))


def _planned(link: PlannedLink, screen: Console) -> None:
    screen.print()
    screen.print(Text.assemble((link.title, "bold"), f"  now {link.state}, component {link.upstream_port}"))
    screen.print(Padding(Text(f"by {link.means}; {link.shows}"), (0, 0, 0, 2)))
    times = f"takes about {duration(link.lasts_s)}, {duration(link.at_most_s)} at most"
    screen.print(Padding(Text(times), (0, 0, 0, 2)))
    screen.print(Text("  writes"))
    for item in link.writes:
        old = "not read" if item.old is None else item.old
        change = (
            item.new if item.where.endswith("reset") or item.what.startswith("reset_sub") else f"{old} -> {item.new}"
        )
        screen.print(Padding(Text(f"{item.what}: {change}"), (0, 0, 0, 4)))
        screen.print(Padding(Text(f"{item.where}; {item.meaning}", style="dim"), (0, 0, 0, 6)))
    screen.print(Text("  below"))
    for function in link.below:
        driver = "no driver" if function.driver is None else f"driver {function.driver}"
        screen.print(Padding(Text(f"{function.address}  {function.name}, {driver}"), (0, 0, 0, 4)))
    if link.findings:
        screen.print(Text("  stands in the way"))
    for finding in link.findings:
        _finding(finding, screen)


def _finding(finding: Finding, screen: Console) -> None:
    word = ("no word covers it", "bold red") if finding.word is None else (f"needs {finding.word}", "yellow")
    screen.print(Padding(Text.assemble(f"{finding.what}: {finding.user}; ", word), (0, 0, 0, 4)))


def before(document: Plan, screen: Console) -> None:
    """Draw what is about to be done, shortly, with the cautions."""
    for link in document.links:
        told = f"{link.title}: by {link.means}; about {duration(link.lasts_s)}, {duration(link.at_most_s)} at most"
        screen.print(Text(told))
    for caution in document.cautions:
        screen.print(Text(caution, style="italic"))


def teller(screen: Console) -> Callable[[Target, Attempt], None]:
    """Something to call with each training as it is done."""

    def tell(target: Target, attempt: Attempt) -> None:
        told = f"{target.port.address}  training {attempt.number}: {_came(attempt)}, {_time(attempt)}"
        screen.print(Text(told), soft_wrap=True)

    return tell


def _came(attempt: Attempt) -> str:
    problem = "" if attempt.problem is None else f" ({attempt.problem})"
    return f"{attempt.kind}, {LinkState(attempt.speed_gts, attempt.width)}{problem}"


def _time(attempt: Attempt) -> str:
    if attempt.ms is not None:
        return f"{attempt.ms:.3g} ms"
    return "time not known" if attempt.below_ms is None else f"below {attempt.below_ms:.3g} ms"


def training(document: TrainingDocument, screen: Console) -> None:
    """Draw what came of trainings."""
    _head(document, screen)
    for link in document.links:
        _result(link, screen)
        screen.print(Padding(Text(f"by {link.means}; expected {link.expected}", style="dim"), (0, 0, 0, 2)))
        kinds = ", ".join(f"{count} {kind}" for kind, count in link.kinds.items())
        if kinds:
            screen.print(Padding(Text(f"{link.of} observed: {kinds}"), (0, 0, 0, 2)))
        _times(link.attempts, screen)
        unusual = [item for item in link.attempts if item.kind != "full" or item.errors or item.kernel]
        _attempts(unusual, screen)


def _times(attempts: Sequence[Attempt], screen: Console) -> None:
    known = sorted(attempt.ms for attempt in attempts if attempt.ms is not None)
    if known:
        told = f"{known[0]:.3g} to {known[-1]:.3g} ms, median {known[len(known) // 2]:.3g} ms, over {len(known)}"
        screen.print(Padding(Text(told), (0, 0, 0, 2)))


def _attempts(attempts: Sequence[Attempt], screen: Console) -> None:
    if not attempts:
        return
    table = Table(box=None, header_style="dim", padding=(0, 2, 0, 0))
    for name in ("training", "came of it", "state", "time", "what else"):
        table.add_column(name, no_wrap=name not in {"what else", "came of it"}, overflow="fold")
    for attempt in attempts[:_MOST_ROWS]:
        beside = [f"{item.count} {item.error} ({item.end})" for item in attempt.errors or ()]
        beside += [f"lane {', '.join(map(str, lanes))} in error ({end})" for end, lanes in attempt.lanes.items()]
        beside += [] if attempt.problem is None else [attempt.problem]
        beside += attempt.kernel
        state = str(LinkState(attempt.speed_gts, attempt.width))
        table.add_row(str(attempt.number), attempt.kind, state, _time(attempt), "; ".join(beside))
    screen.print(Padding(table, (0, 0, 0, 2)))
    if len(attempts) > _MOST_ROWS:
        screen.print(Padding(Text(f"and {len(attempts) - _MOST_ROWS} more; --json has them all"), (0, 0, 0, 2)))


def speeds(document: SpeedsDocument, screen: Console) -> None:
    """Draw what came of a run through the speeds."""
    _head(document, screen)
    for link in document.links:
        _result(link, screen)
        screen.print(Padding(Text(f"by {link.means}", style="dim"), (0, 0, 0, 2)))
        table = Table(box=None, header_style="dim", padding=(0, 2, 0, 0))
        for name in ("speed", "supported", "trained", "carries", "clean", "ran at", "for"):
            table.add_column(name, no_wrap=True)
        for step in link.speeds:
            table.add_row(*_step(step))
        screen.print(Padding(table, (0, 0, 0, 2)))


def _step(step: SpeedStep) -> tuple[str, ...]:
    carried = _word(step.carries)
    if step.bytes_s:
        carried = f"{carried}, {data_rate(step.bytes_s)}"
    state = str(step.state) if step.attempts else ""
    time = duration(step.seconds) if step.seconds else ""
    words = (_word(step.supported), _word(step.trained), carried, _word(step.clean))
    return (f"{step.speed_gts:g} GT/s", *words, state, time)


def _word(value: bool | None) -> str:  # noqa: FBT001 - a cell of the table
    return "not known" if value is None else "yes" if value else "no"


def _head(document: TrainingDocument | SpeedsDocument, screen: Console) -> None:
    restored = "all is as it was" if document.restored else "NOT all is as it was"
    host = document.host.name or "this machine"
    screen.print(Text.assemble((document.result, _STYLES[document.result]), f"  {host}; {restored}"))
    for item in document.leftovers:
        screen.print(Padding(Text(item.sentence(), style="bold red"), (0, 0, 0, 2)))


def _result(link: LinkTraining | LinkSpeeds, screen: Console) -> None:
    screen.print()
    ended = f"was {link.before}, is {link.ended}"
    screen.print(Text.assemble((link.title, "bold"), "  ", (link.result, _STYLES[link.result]), f"  {ended}"))
    for reason in link.reasons:
        screen.print(Padding(Text(reason), (0, 0, 0, 2)))


def put_back(document: PutBackDocument, screen: Console) -> None:
    """Draw what was put back, and what was not."""
    if not document.runs:
        screen.print("Nothing was left behind.")
        return
    for run in document.runs:
        screen.print(Text(run))
    for note in document.notes:
        screen.print(Padding(Text(note), (0, 0, 0, 2)))
    if document.put_back:
        screen.print(f"  {document.put_back} registers and files are as they were.")
    for item in document.leftovers:
        screen.print(Padding(Text(item.sentence(), style="bold red"), (0, 0, 0, 2)))


def _heading(title: str, screen: Console) -> None:
    screen.print()
    screen.print(Text(title, style="bold"))
