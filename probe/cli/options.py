"""Options that several commands share, what completes them, and the evidence they lead to."""

import math
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Annotated, TypeVar

import typer

from probe.documents.files import read_bytes, read_snapshot
from probe.documents.redaction_key import pseudonyms
from probe.evidence import Evidence
from probe.exceptions import InputError, LinkprobeError
from probe.host.bounded import read_bounded
from probe.host.listing import function_names, slot_names
from probe.host.opening import open_source
from probe.host.source import Source

Document = TypeVar("Document")
TEMPLATE_BYTES = 4 << 20


def addresses(context: typer.Context, incomplete: str) -> list[str]:
    """The addresses of functions that begin so, for completion: of --sysfs where it was given, else of this host."""
    source = _completing(context)
    return [] if source is None else [name for name in function_names(source) if name.startswith(incomplete)]


def places(context: typer.Context, incomplete: str) -> list[str]:
    """The slot names and addresses that begin so, for completion."""
    source = _completing(context)
    slots = [] if source is None else [name for name in slot_names(source) if name.startswith(incomplete)]
    return [*slots, *addresses(context, incomplete)]


def _completing(context: typer.Context) -> Source | None:
    given = context.params.get("sysfs")
    try:
        return open_source(None if given is None else Path(given))
    except LinkprobeError:
        return None  # a shell that completes a word has nowhere to show a complaint


SysfsOption = Annotated[
    Path | None, typer.Option("--sysfs", metavar="DIR", help="Read this /sys tree (a directory or a tar) instead.")
]
SnapshotArgument = Annotated[
    str | None, typer.Argument(metavar="[SNAPSHOT]", help="Judge a saved snapshot instead; - is standard input.")
]
AddressArgument = Annotated[
    str, typer.Argument(metavar="ADDRESS", help="A port or function, as 0000:3b:00.0.", autocompletion=addresses)
]
LinkOption = Annotated[
    list[str] | None,
    typer.Option(metavar="WHICH", help="Links to watch: address, slot, kind or all.", autocompletion=places),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the document as JSON.")]
CsvOption = Annotated[bool, typer.Option("--csv", help="Print a row a link as CSV.")]
GoOption = Annotated[bool, typer.Option("--go", help="Do it. Without this the plan is shown, and nothing is written.")]
AcceptOption = Annotated[
    list[str] | None,
    typer.Option(
        metavar="WHAT",
        help="What may be lost: link-loss, live-data, slot-power or bound:DRIVER; may be given again.",
    ),
]
ResultSpoolOption = Annotated[
    str | None,
    typer.Option(
        "--spool", metavar="DIR", help="Keep the result in this spool; else in that of collect, if this host has one."
    ),
]
LinksArgument = Annotated[
    list[str] | None,
    typer.Argument(metavar="LINK...", help="Links: an address at either end, or a slot.", autocompletion=places),
]
DifferentMachinesOption = Annotated[
    bool, typer.Option("--different-machines", help="Compare snapshots of different machines too.")
]
RedactOption = Annotated[bool, typer.Option("--redact", help="Put names in the place of what identifies the machine.")]
TemplateOption = Annotated[
    Path | None, typer.Option("--template", metavar="FILE", help="Draw the page on this template of your own (Jinja2).")
]
WakeOption = Annotated[bool, typer.Option("--wake", help="Read sleeping devices too, which wakes them.")]


def evidence_from(
    sysfs: Path | None, snapshot: str | None = None, *, wake: bool = False, redact: bool = False
) -> Evidence:
    """The evidence a person means: a snapshot's, another tree's, or this host's. Raises LinkprobeError."""
    if snapshot is None:
        found = read_bounded(open_source(sysfs), wake=wake)
    elif sysfs is not None:
        raise InputError("given together with --sysfs", where=snapshot, remedy="give one of the two")
    else:
        found = read_snapshot(snapshot).evidence
    return cleaner(redact=redact)(found)


def cleaner(*, redact: bool, secrets: Iterable[str] = ()) -> Callable[[Document], Document]:
    """What each document passes before it is used: names in the place of what identifies, where asked for.

    `secrets` are texts that identify too. Raises InputError where there is no key for the names.
    """
    if not redact:
        return _as_it_is
    names = pseudonyms()
    names.learn_words(secrets)
    return names.clean


def _as_it_is(document: Document) -> Document:
    return document


def template_from(path: Path | None) -> tuple[str, str] | None:
    """The text of a template and its name. Raises InputError."""
    if path is None:
        return None
    try:
        return read_bytes(str(path), TEMPLATE_BYTES).decode(), str(path)
    except UnicodeDecodeError as error:
        raise InputError(
            f"is not UTF-8 text (byte {error.start})", where=str(path), remedy="save it as UTF-8"
        ) from error


def refuse_odd_numbers(options: Mapping[str, float | None]) -> None:
    """Raise InputError for an option that is not above zero, or is infinite or no number; None was not given."""
    for name, value in options.items():
        if value is not None and not 0 < value < math.inf:
            raise InputError("is not above 0, or has no end", where=f"{name} {value:g}", remedy="give a number above 0")
