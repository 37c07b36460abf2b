"""linkprobe soak."""

import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Annotated

import typer

from probe.active.raw_disks import refuse_disks_in_use
from probe.active.root_disk import targets_with_root
from probe.audit.choosing import chosen
from probe.audit.snapshot import Snapshot, take
from probe.cli.options import JsonOption, LinkOption, RedactOption, SysfsOption, cleaner, refuse_odd_numbers
from probe.cli.showing import show, unless_nobody_looks
from probe.documents.record_file import RecordFile
from probe.documents.writing import write_atomically
from probe.errors.limits import Limit
from probe.exceptions import InputError, NothingToJudge
from probe.foreign_text import plain
from probe.host.bounded import read_bounded, read_host_bounded
from probe.host.opening import open_source
from probe.host.source import DirectorySource
from probe.host.uses import read_uses
from probe.loads.catalogue import find
from probe.loads.interface import Options
from probe.loads.refusing import refuse_what_cannot_run
from probe.observe.clock import BootClock
from probe.render.forms import FORMS_OF_SOAK, check_form, soak_drawn_as
from probe.render.terminal import soak as draw
from probe.render.terminal import soak_plan
from probe.render.terminal.console import console
from probe.soak.at_least import checked_share
from probe.soak.journal import End, Entry
from probe.soak.judging import UNCOUNTED
from probe.soak.preview import plan
from probe.soak.reading import Recorded, is_being_written
from probe.soak.record import Record, exit_status, record
from probe.soak.run import Soak, start_of
from probe.soak.setup import Setup, Stops
from probe.soak.writing import Journal

_DEFAULT_MINUTES = 10.0
_CLOSE = "close"
NOTHING_HELD = "no link holds anything"


def soak(
    words: Annotated[
        list[str] | None,
        typer.Argument(metavar="[close RECORD | -- COMMAND...]", help="A record to close, or a command."),
    ] = None,
    minutes: Annotated[float | None, typer.Option(metavar="N", help="How long; with a command, until it ends.")] = None,
    load: Annotated[
        list[str] | None, typer.Option(metavar="NAME[:TARGET]", help="A load of linkprobe's own; may be given again.")
    ] = None,
    link: LinkOption = None,
    output: Annotated[
        str | None, typer.Option("-o", "--output", metavar="RECORD", help="The journal to write.")
    ] = None,
    interval: Annotated[float, typer.Option(metavar="S", help="Seconds between samples.", min=0.05)] = 1.0,
    stop_on: Annotated[
        list[str] | None,
        typer.Option(metavar="WHAT", help="End early on fatal, link-down, rate or temperature=85; may be given again."),
    ] = None,
    correctable: Annotated[str, typer.Option(metavar="N/Hh", help="Limit of correctable link errors.")] = "6/2h",
    block: Annotated[int | None, typer.Option(metavar="BYTES", help="Block size of the loads.", min=4096)] = None,
    in_flight: Annotated[
        int | None,
        typer.Option(metavar="N", help="Reads or copies in flight; without it, as each load sees fit.", min=1, max=64),
    ] = None,
    size: Annotated[int, typer.Option(metavar="BYTES", help="Size of a scratch file.", min=4096)] = 256 << 20,
    rate: Annotated[float | None, typer.Option(metavar="BYTES/S", help="Most a target is driven at.", min=1)] = None,
    at_least: Annotated[
        float | None,
        typer.Option(metavar="SHARE", help="Fail a link that carries less of its ceiling one way, as 0.8."),
    ] = None,
    raw: Annotated[
        str | None, typer.Option(metavar="SERIAL", help="Overwrite the raw device with this serial number.")
    ] = None,
    overwrite_signature: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="With --raw: a signature on the device that may be lost; may be repeated."),
    ] = None,
    covers: Annotated[
        list[str] | None,
        typer.Option(metavar="LINK", help="A link that your own load puts under load, by your word; may be repeated."),
    ] = None,
    accept: Annotated[
        list[str] | None, typer.Option(metavar="WHAT", help="uncounted-errors: errors cannot be counted here.")
    ] = None,
    also: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FILE", help="Write it there too, as its name ends: .html, .xml (JUnit), .csv, .samples.csv."
        ),
    ] = None,
    json: JsonOption = False,
    sysfs: SysfsOption = None,
    redact: RedactOption = False,
) -> None:
    """Put links under load, or accompany a load, and judge them by it. `soak close RECORD` judges what a crash left."""
    given = list(words or [])
    for file in also or ():
        check_form(file, FORMS_OF_SOAK)
    if given[:1] == [_CLOSE]:
        _close(given[1:], also or [], json=json)
        return

    options = Options(
        block=block, in_flight=in_flight, size=size, rate_bytes_s=rate, raw_serial=raw,
        overwritten_signatures=tuple(overwrite_signature or ()),
    )  # fmt: skip
    refuse_odd_numbers({"--minutes": minutes, "--interval": interval, "--rate": rate})
    share = checked_share(at_least, where="--at-least")
    _refuse_words(accept or [])
    if load and not open_source(sysfs).live:
        raise InputError("drives this host", where=f"--load beside --sysfs {sysfs}", remedy="give one of the two")
    loads = tuple(pair for text in load or [] for pair in find(text))
    refuse_disks_in_use((target.label for _, target in loads if target.overwritten), open_source(None))
    refuse_what_cannot_run(loads, options)
    planned = None if minutes is None and given else (minutes if minutes is not None else _DEFAULT_MINUTES) * 60
    taken, root, live = snapshot_of(sysfs)

    links = chosen(taken.links, link or [])
    if not links and not json:
        raise NothingToJudge(NOTHING_HELD, where=taken.evidence.host.source, remedy="nothing to watch")
    setup = Setup(
        sys=root, snapshot=taken, links=links, loads=loads, command=tuple(given), options=options,
        planned_s=planned, interval_s=interval, stops=Stops.parse(stop_on or []), correctable=Limit.parse(correctable),
        live=live, covers=_places(taken, covers, "--covers "), asked=_places(taken, link, "--link "),
        accepts=tuple(accept or ()), at_least=share,
    )  # fmt: skip
    clean = cleaner(redact=redact)
    if not links:
        end = End(t=0.0, why=f"it was not begun: {NOTHING_HELD}", complete=False)
        not_begun = record([clean(start_of(setup, 0.0)), end])
        show(not_begun, status=exit_status(not_begun), json=json)
        return
    path = Path(output or f"linkprobe-soak-{taken.evidence.host.taken_at[:19].replace(':', '')}.jsonl")
    _run(setup, path, sysfs, clean)
    _tell(read_record(path), path, also or [], json=json)


def _refuse_words(accepted: list[str]) -> None:
    for word in accepted:
        if word != UNCOUNTED:
            raise InputError("is no word of consent", where=f"--accept {word}", remedy=f"there is {UNCOUNTED}")


def _places(taken: Snapshot, words: list[str] | None, option: str) -> tuple[str, ...]:
    """The links that words name; none where none were given."""
    return tuple(item.place_id for item in chosen(taken.links, words, option=option)) if words else ()


def snapshot_of(sysfs: Path | None) -> tuple[Snapshot, str, bool]:
    """A snapshot, the path of its /sys, and whether it is live."""
    source = open_source(sysfs)
    if not isinstance(source, DirectorySource):
        raise InputError("cannot be watched", where=str(sysfs), remedy="give a directory")
    return take(read_bounded(source)), source.sys, source.live


def _run(setup: Setup, path: Path, sysfs: Path | None, clean: Callable[[Entry], Entry]) -> None:
    screen = console(to_errors=True)
    with unless_nobody_looks(sys.stderr):
        soak_plan.render(plan(setup, _with_root(setup)), screen)
    with (
        closing(Journal.create(path, clean=clean)) as journal,
        unless_nobody_looks(sys.stderr),
        draw.progress(setup, screen) as shown,
    ):
        Soak(setup, BootClock(), journal, shown).run(lambda: snapshot_of(sysfs)[0])


def _with_root(setup: Setup) -> tuple[str, ...] | None:
    """The targets that hold the system's root, as far as that can be told."""
    if not setup.loads:
        return None
    paths = {function.address: function.path for function in setup.snapshot.evidence.functions}
    return targets_with_root([target for _, target in setup.loads], paths, read_uses(open_source(None)))


def _close(arguments: list[str], also: list[Path], *, json: bool) -> None:
    if len(arguments) != 1:
        raise InputError("takes one record", where="soak close", remedy="linkprobe soak close RECORD")
    path = Path(arguments[0])
    document = read_record(path)
    if is_being_written(path):
        raise InputError("is of a soak that still runs", where=str(path), remedy="end that first; nothing was changed")
    _tell(document, path, also, json=json)


def read_record(path: Path) -> Record:
    """The record of a journal, whatever ended it. Raises InputError or DocumentError."""
    return record(Recorded.at(path), here=read_host_bounded(open_source(None)))


def _tell(document: Record, path: Path, also: list[Path], *, json: bool) -> None:
    source = RecordFile.at(path)
    for file in also:
        write_atomically(file, soak_drawn_as(file, document, Recorded.at(path), source))
    with unless_nobody_looks(sys.stderr):
        typer.echo(plain(f"record: {path}, SHA-256 {source.sha256}"), err=True)
    show(document, status=exit_status(document), json=json)
