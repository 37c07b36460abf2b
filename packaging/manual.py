"""The manual: a page for the program, each command and each file format, and the guides written by hand.

    manual.py OUT        writes the pages into OUT

A command's page comes from the same definitions as its --help, a format's from the types that read and write it. What a
person has to say beside them stands in packaging/man/NAME.SECTION.scd, in the format of scdoc(5), with lines of
our own: `@run ARGUMENTS` shows what linkprobe prints on the scene below, `@show FILE` shows a file of packaging/, and
`@fields SCHEMA` lists the fields of a document.
"""

import atexit
import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from pkgutil import resolve_name
from textwrap import dedent
from typing import Any, NamedTuple

import msgspec.inspect as kinds
from click import Command as ClickCommand
from click import Context

from fake_sysfs.demonstration import correlator, correlator_after_load
from probe import __version__
from probe.audit.snapshot import take
from probe.cli.commands import COMMANDS, Command
from probe.cli.main import application
from probe.documents.files import encode
from probe.documents.writing import write_atomically
from probe.exit_status import ExitStatus
from probe.fleet.rows import KINDS
from probe.host.machine import read_machine
from probe.host.source import MemorySource, Origin
from probe.render.openmetrics.collected import Collected, RunFigures
from probe.schemas import TYPES, Schema
from probe.verdict.next_steps import CAUTIONS
from probe.verdict.words import Verdict

TOP = Path(__file__).parents[1]
PROSE = TOP / "packaging/man"
_COLUMNS = "73"  # of what is shown: with the indent of a page it fills a screen of 80
_SHOWN = re.compile(r"\.nf\n\.RS 4\n(?=\$ linkprobe|# )")  # indented no further, for it is wide
_STATUS = {
    ExitStatus.CLEAN: "nothing to report",
    ExitStatus.FOUND: "found: a link below what both ends can do, a change for the worse, a limit exceeded",
    ExitStatus.URGENT: "found and urgent: a non-fatal or fatal error, a component that no longer answers or is gone",
    ExitStatus.NOTHING_JUDGED: "nothing could be judged, or a test was inconclusive",
    ExitStatus.USAGE: "the command was used wrongly, or what it was given cannot be used",
    ExitStatus.INTERNAL: "an error of the program itself",
}


class Page(NamedTuple):
    """One page: its name and section, and its text for scdoc without the first line."""

    name: str
    section: int
    text: str

    @property
    def source(self) -> str:
        """The whole page for scdoc."""
        return f'{self.name}({self.section}) "linkprobe {__version__}" "linkprobe"\n\n{self.text}'


def escaped(text: str) -> str:
    """Plain words for scdoc, which takes * and _ for marks."""
    return re.sub(r"([\\*_`|<>\[\]#~])", r"\\\1", text)


def reflowed(text: str) -> str:
    """A docstring's paragraphs, each as one line."""
    paragraphs = re.split(r"\n\s*\n", dedent(text).strip())
    return "\n\n".join(escaped(" ".join(part.split())).replace("\\`", "") for part in paragraphs)


def literal(text: str) -> str:
    """Text shown as it is."""
    return f"```\n{text.rstrip()}\n```"


# Commands


def command_pages() -> Iterator[Page]:
    """The program's page, and one for each command."""
    root = application()
    context = Context(root, info_name="linkprobe")
    yield _program_page(root)
    for row in COMMANDS:
        command = root.get_command(context, row.name)
        if command is None:
            raise ValueError(row.name)
        yield _command_page(row, command, context)


def _program_page(root: ClickCommand) -> Page:
    listed = "\n\n".join(f"*linkprobe-{row.name}*(1)\n\t{escaped(row.help)}" for row in COMMANDS)
    text = (
        f"# NAME\n\nlinkprobe - {_as_title(root.help or '')}\n\n"
        "# SYNOPSIS\n\n*linkprobe* _COMMAND_ \\[_OPTIONS_] \\[_ARGUMENTS_]\n\n"
    )
    return Page("linkprobe", 1, text + prose("linkprobe.1", listed) + _statuses())


def _command_page(row: Command, command: ClickCommand, above: Context) -> Page:
    name = f"linkprobe-{row.name}"
    context = Context(command, info_name=row.name, parent=above)
    text = f"# NAME\n\n{name} - {_as_title(row.help)}\n\n# SYNOPSIS\n\n{_synopsis(command, context)}\n\n"
    text += f"# DESCRIPTION\n\n{reflowed(command.help or row.help)}\n\n"
    text += "".join(_parts(row, command, context)) if row.parts else _parameters(command, context, "#")
    text += prose(f"{name}.1")
    return Page(name, 1, text + _statuses() + "# SEE ALSO\n\n*linkprobe*(1), *linkprobe-guide*(7)\n")


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
        signature, told = record
        listed = arguments if parameter.param_type_name == "argument" else options
        listed.append(f"*{escaped(signature)}*\n\t{escaped(' '.join(told.split()))}\n\n")
    if not heading:
        return "".join([*arguments, *options])
    found = f"{heading} ARGUMENTS\n\n{''.join(arguments)}" if arguments else ""
    return found + (f"{heading} OPTIONS\n\n{''.join(options)}" if options else "")


def _as_title(text: str) -> str:
    return escaped(text[0].lower() + text[1:].rstrip("."))


def _statuses() -> str:
    return f"# EXIT STATUS\n\n{''.join(_status_rows())}"


def _status_rows() -> Iterator[str]:
    return (f"*{status.value}*\n\t{told}\n\n" for status, told in _STATUS.items())


# File formats


def fields(schema: Schema) -> str:
    """Every field of a document and of what it holds."""
    return fields_of(resolve_name(TYPES[schema]))


def fields_of(document: Any) -> str:  # noqa: ANN401 - a type, or a union of types
    """The fields of a type and of what it holds, a type after the other in the order they are met."""
    waiting, seen, text = [kinds.type_info(document)], set(), ""
    while waiting:
        kind = waiting.pop(0)
        if isinstance(kind, kinds.StructType) and kind.cls not in seen:
            seen.add(kind.cls)
            text += _struct(kind)
        waiting = [*_inside(kind, seen), *waiting]
    return text


def _inside(kind: kinds.Type, seen: set[Any]) -> list[kinds.Type]:
    match kind:
        case kinds.StructType() if kind.cls in seen:
            held = [item.type for item in kind.fields]
            return [inner for inner in held for inner in _named(inner) if inner.cls not in seen]
        case _:
            return list(_named(kind))


def _named(kind: kinds.Type) -> Iterator[kinds.StructType]:
    match kind:
        case kinds.StructType():
            yield kind
        case kinds.UnionType(types=inner):
            for item in inner:
                yield from _named(item)
        case kinds.VarTupleType(item_type=item) | kinds.ListType(item_type=item):
            yield from _named(item)
        case kinds.DictType(value_type=item):
            yield from _named(item)
        case kinds.TupleType(item_types=inner):
            for item in inner:
                yield from _named(item)


def _struct(kind: kinds.StructType) -> str:
    text = f"## {kind.cls.__name__}\n\n{reflowed(kind.cls.__doc__ or '')}\n\n"
    if kind.array_like:
        text += "An array, in this order:\n\n"
    if kind.tag is not None:
        text += f'*{escaped(kind.tag_field or "type")}*: "{kind.tag}"\n\n'
    rows = (
        f"*{escaped(item.encode_name)}*: {_spoken(item.type)}{'' if item.required else ', may be left out'}"
        for item in kind.fields
    )
    return text + "++\n".join(rows) + "\n\n"


def _spoken(kind: kinds.Type) -> str:
    match kind:
        case kinds.StructType():
            return f"_{kind.cls.__name__}_"
        case kinds.EnumType():
            return "one of " + ", ".join(escaped(str(item.value)) for item in kind.cls)
        case kinds.LiteralType(values=values):
            return "one of " + ", ".join(escaped(str(value)) for value in values)
        case kinds.UnionType(types=types):
            return " or ".join(_spoken(item) for item in types)
        case kinds.VarTupleType(item_type=item) | kinds.ListType(item_type=item):
            return f"array of {_spoken(item)}"
        case kinds.TupleType(item_types=items):
            return "array of " + ", ".join(_spoken(item) for item in items)
        case kinds.DictType(value_type=item):
            return f"object of {_spoken(item)}"
        case _:
            return _SIMPLE[type(kind)]


_SIMPLE: dict[type[kinds.Type], str] = {
    kinds.StrType: "text", kinds.IntType: "whole number", kinds.FloatType: "number", kinds.BoolType: "true or false",
    kinds.NoneType: "null", kinds.BytesType: "bytes", kinds.RawType: "any value",
}  # fmt: skip


def metrics() -> str:
    """Every metric that a run tells, as the program names it to the client library."""
    ending = {"counter": "_total", "info": "_info"}
    told = Collected((), {}, RunFigures(taken_s=0.0, seconds=0.0)).collect()
    return "".join(
        f"*{escaped(metric.name + ending.get(metric.type, ''))}* ({metric.type})\n\t{escaped(metric.documentation)}\n\n"
        for metric in told
    )


# Prose


def prose_pages() -> Iterator[Page]:
    """The pages that no command has."""
    commands = {"linkprobe.1", *(f"linkprobe-{row.name}.1" for row in COMMANDS)}
    for path in sorted(PROSE.glob("*.scd")):
        if path.stem not in commands:
            name, section = path.stem.rsplit(".", 1)
            yield Page(name, int(section), prose(path.stem))


def prose(name: str, commands: str = "") -> str:
    """What stands in packaging/man for a page, with our own lines filled in; nothing where nothing stands there."""
    path = PROSE / f"{name}.scd"
    if not path.exists():
        return ""
    return "".join(_filled(line, commands) for line in path.read_text().splitlines()) + "\n"


def _filled(line: str, commands: str) -> str:
    match line.split(maxsplit=1):
        case ["@run", words]:
            return literal(f"$ linkprobe {words}\n{shown(words)}") + "\n"
        case ["@show", name]:
            return literal((TOP / "packaging" / name).read_text()) + "\n"
        case ["@fields", name]:
            return fields(Schema(name)) + "\n"
        case ["@commands"]:
            return f"{commands}\n"
        case ["@verdicts"]:
            return "\n".join(f"*{word}*\n\t{word.meaning}\n" for word in Verdict)
        case ["@rows"]:
            return "".join(fields_of(kind) for kind in KINDS.values())
        case ["@metrics"]:
            return metrics()
        case ["@statuses"]:
            return "".join(_status_rows())
        case ["@cautions"]:
            return reflowed(CAUTIONS) + "\n"
        case _:
            return f"{line}\n"


@cache
def scene() -> Path:
    """A folder with the demonstration machine: its tree `node`, snapshots `before` and `after` two hours of load."""
    folder = Path(tempfile.mkdtemp(prefix="linkprobe-manual-"))
    atexit.register(shutil.rmtree, folder)
    correlator().build().write(folder / "node")
    for name, described, hour in (("before", correlator(), 8), ("after", correlator_after_load(), 10)):
        tree, origin = described.build(), Origin(f"2026-03-20T{hour:02}:00:00Z", privileged=True)
        source = MemorySource(tree.files, tree.links, described.name, origin=origin)
        write_atomically(folder / f"{name}.json.gz", encode(take(read_machine(source))))
    return folder


def shown(words: str) -> str:
    """What linkprobe prints on the scene, as at a terminal, and then the exit status if it is not 0."""
    done = subprocess.run(
        [sys.executable, "-m", "probe", *shlex.split(words)], cwd=scene(), capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONPATH": str(TOP), "COLUMNS": _COLUMNS},
    )  # fmt: skip
    if done.returncode not in _STATUS or done.returncode > ExitStatus.NOTHING_JUDGED:
        raise ValueError(f"linkprobe {words}: {done.stderr}")
    text = "\n".join(line.rstrip() for line in (done.stderr + done.stdout).splitlines())
    return text + (f"\n$ echo $?\n{done.returncode}" if done.returncode else "")


def main(out: Path) -> None:
    """Write every page. Raises CalledProcessError where scdoc does not take one."""
    out.mkdir(parents=True, exist_ok=True)
    for page in (*command_pages(), *prose_pages()):
        made = subprocess.run(["scdoc"], input=page.source, stdout=subprocess.PIPE, check=True, text=True).stdout
        (out / f"{page.name}.{page.section}").write_text(_SHOWN.sub(".nf\n.RS 0\n", made))


if __name__ == "__main__":
    if len(sys.argv) != len(("manual.py", "OUT")):
        sys.exit(__doc__)
    main(Path(sys.argv[1]))
