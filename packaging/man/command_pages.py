"""The page of each command, from the same definitions as its --help."""

from collections.abc import Iterator

from click import Command as ClickCommand
from click import Context
from prose import prose
from scdoc import Page, escaped, reflowed, told
from tables import statuses

from probe.cli.commands import COMMANDS, Command
from probe.cli.main import application


def command_pages() -> Iterator[Page]:
    """The program's page, and one for each command. Raises ValueError where one has no prose."""
    root = application()
    context = Context(root, info_name="linkprobe")
    yield _program_page(root)
    for row in COMMANDS:
        command = root.get_command(context, row.name)
        if command is None:
            raise ValueError(f"{row.name} stands in the table of commands and is none")
        yield _command_page(row, command, context)


def _program_page(root: ClickCommand) -> Page:
    text = (
        f"# NAME\n\nlinkprobe - {_as_title(root.help or '')}\n\n"
        "# SYNOPSIS\n\n*linkprobe* _COMMAND_ \\[_OPTIONS_] \\[_ARGUMENTS_]\n\n"
    )
    return Page("linkprobe", 1, text + prose("linkprobe.1") + _exit_status())


def _command_page(row: Command, command: ClickCommand, above: Context) -> Page:
    name = f"linkprobe-{row.name}"
    context = Context(command, info_name=row.name, parent=above)
    text = f"# NAME\n\n{name} - {_as_title(row.help)}\n\n# SYNOPSIS\n\n{_synopsis(command, context)}\n\n"
    text += f"# DESCRIPTION\n\n{reflowed(command.help or row.help)}\n\n"
    text += "".join(_parts(row, command, context)) if row.parts else _parameters(command, context, "#")
    text += prose(f"{name}.1")
    return Page(name, 1, text + _exit_status() + "# SEE ALSO\n\n*linkprobe*(1), *linkprobe-guide*(7)\n")


def _parts(row: Command, command: ClickCommand, context: Context) -> Iterator[str]:
    yield "# COMMANDS\n\n"
    for part in row.parts:
        inner = command.get_command(context, part.name)  # type: ignore[attr-defined] # a row with parts is a group
        within = Context(inner, info_name=part.name, parent=context)
        yield f"## {row.name} {part.name}\n\n{_synopsis(inner, within)}\n\n{reflowed(inner.help or part.help)}\n\n"
        yield _parameters(inner, within, "")


def _synopsis(command: ClickCommand, context: Context) -> str:
    pieces = escaped(" ".join(command.collect_usage_pieces(context)))
    return f"*{context.command_path}* {pieces}"


def _parameters(command: ClickCommand, context: Context, heading: str) -> str:
    arguments: list[str] = []
    options: list[str] = []
    for parameter in command.get_params(context):
        record = parameter.get_help_record(context)
        if record is None or parameter.name == "help":
            continue
        signature, text = record
        listed = arguments if parameter.param_type_name == "argument" else options
        listed.append(told(f"*{escaped(signature)}*", escaped(" ".join(text.split()))))
    if not heading:
        return "".join([*arguments, *options])
    found = f"{heading} ARGUMENTS\n\n{''.join(arguments)}" if arguments else ""
    return found + (f"{heading} OPTIONS\n\n{''.join(options)}" if options else "")


def _as_title(text: str) -> str:
    return escaped(text[0].lower() + text[1:].rstrip("."))


def _exit_status() -> str:
    return f"# EXIT STATUS\n\n{statuses()}"
