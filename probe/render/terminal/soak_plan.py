"""A soak on a terminal before it starts: what its time can show, what loads which link, and the cautions."""

from collections.abc import Iterator

from rich.console import Console
from rich.table import Table
from rich.text import Text

from probe.counted import counted
from probe.foreign_text import made_plain
from probe.render.units import duration
from probe.soak.preview import Plan

_CAUTION = (
    "A load can bring a faulty host down: back up first, move its users off, and watch temperatures. It reads, unless "
    "a load says what it writes."
)
_POWER = (
    "{} are loaded at once: they draw their most power together and heat the same air. Keep to what the machine's "
    "manual allows for its power supplies and air flow, with covers and blanks in place."
)
_WIDE = 100


def render(plan: Plan, screen: Console) -> None:
    """Draw what is about to be done."""
    plan = made_plain(plan)
    time = "until the load ends" if plan.planned_s is None else f"for {duration(plan.planned_s)}"
    screen.print(Text(f"{counted(plan.links, 'link')} {time}, a sample every {plan.interval_s:g} s", style="bold"))
    screen.print(str(plan.shows))
    for text in _limits(plan):
        screen.print(text)
    if plan.assignments:
        screen.print()
        screen.print(_table(plan, screen.width))
    for load, verifies in sorted(plan.verifies.items()):
        screen.print(f"{load}: {'compares nothing' if verifies == 'nothing' else verifies}")
    for assignment in plan.assignments:
        if assignment.note is not None:
            screen.print(f"{assignment.target}: {assignment.note}")
    screen.print()
    for text in _cautions(plan):
        screen.print(Text(text, style="italic"))
    screen.print()


def _limits(plan: Plan) -> Iterator[str]:
    stops = f"; ends early on {', '.join(plan.stops)}" if plan.stops else ""
    yield f"Limit of correctable link errors: {plan.limit}{stops}."
    if plan.at_least is not None:
        yield f"A link fails that carries less than {plan.at_least:.4g} of its ceiling one way."
    if plan.covered:
        yield f"Loaded by your word: {', '.join(plan.covered)}."
    rest = plan.links - plan.driven
    if rest > 0:
        none = "" if plan.driven else "No load is given: "
        verb, them = ("is", "it") if rest == 1 else ("are", "them")
        yield f"{none}{counted(rest, 'link')} {verb} only watched: nothing can be said of {them} under load."


def _table(plan: Plan, width: int) -> Table:
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2 if width >= _WIDE else 1, 0, 0))
    for name in ("link", "load", "where it runs", "what it writes"):
        table.add_column(name, overflow="fold")
    for item in plan.assignments:
        table.add_row(item.place or "none", f"{item.load} {item.target}", item.where, item.writes)
    return table


def _cautions(plan: Plan) -> Iterator[str]:
    if plan.driven > 1:
        yield _POWER.format(counted(plan.driven, "link"))
    if plan.assignments:
        yield _root(plan.with_root)
    yield _CAUTION


def _root(with_root: tuple[str, ...] | None) -> str:
    if with_root is None:
        return "Which disk holds the system's root cannot be told here: see to it that none of the targets does."
    if with_root:
        verb = "holds" if len(with_root) == 1 else "hold"
        return f"{', '.join(with_root)} {verb} the system's root: if the load takes it down, the system goes with it."
    return "No target holds the system's root."
