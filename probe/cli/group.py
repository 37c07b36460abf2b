"""A group of commands that knows them by a table and loads the one that is called; help and completion load none."""

from collections.abc import Sequence
from difflib import get_close_matches
from importlib import import_module
from itertools import groupby

import typer
from click import Command as ClickCommand
from click import Context, HelpFormatter
from click.shell_completion import CompletionItem
from typer.core import TyperGroup

from probe.cli.commands import Command


class TableGroup(TyperGroup):
    """The commands of a table; `module` is where those of a part live, empty where each has its own."""

    table: Sequence[Command] = ()
    module = ""

    def list_commands(self, ctx: Context) -> list[str]:  # noqa: ARG002 - click's signature
        """The names, in the table's order."""
        return [row.name for row in self.table]

    def get_command(self, ctx: Context, cmd_name: str) -> ClickCommand | None:  # noqa: ARG002 - click's signature
        """The command of a name, loaded now."""
        row = next((row for row in self.table if row.name == cmd_name), None)
        if row is None:
            return None
        if row.parts:
            return table_group(row)
        module = import_module(f"{__package__}.{row.module or self.module or row.function}")
        app = _application()
        app.command(row.name)(getattr(module, row.function))
        return typer.main.get_command(app)

    def resolve_command(self, ctx: Context, args: list[str]) -> tuple[str | None, ClickCommand | None, list[str]]:
        """The command called; the complaint about an unknown one names those that are nearly it."""
        names = self.list_commands(ctx)
        near = [] if args[0] in names else get_close_matches(args[0], names)
        if near:
            ctx.fail(f"No such command '{args[0]}'. Did you mean {' or '.join(near)}?")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: Context, formatter: HelpFormatter) -> None:  # noqa: ARG002 - click's signature
        """The table, a heading a group."""
        longest = max(len(row.name) for row in self.table)
        for group, rows in groupby(self.table, key=lambda row: row.group):
            with formatter.section(group or "Commands"):
                formatter.write_dl([(row.name.ljust(longest), row.help) for row in rows])

    def shell_complete(self, ctx: Context, incomplete: str) -> list[CompletionItem]:
        """Names that begin so, else options."""
        named = [CompletionItem(row.name, help=row.help) for row in self.table if row.name.startswith(incomplete)]
        return [*named, *ClickCommand.shell_complete(self, ctx, incomplete)]


def table_group(row: Command) -> TableGroup:
    """The group of a row with parts, whose functions live in its module but where a part names its own."""
    made = TableGroup(name=row.name, help=row.help, rich_markup_mode=None, no_args_is_help=False)
    made.table = row.parts
    made.module = row.function
    return made


def _application() -> typer.Typer:
    return typer.Typer(add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None)
