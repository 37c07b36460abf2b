"""A soak as a step: what the plan asks for as a soak takes it, for the time that is left of it.

May live here: setting one up, running it, and taking up what a cut left of it.
"""

from collections.abc import Callable, Iterable
from contextlib import closing
from pathlib import Path

from probe.audit.choosing import chosen
from probe.audit.snapshot import Snapshot
from probe.errors.limits import Limit
from probe.exceptions import InputError
from probe.loads.catalogue import find
from probe.loads.interface import Load, Options, Target
from probe.loads.refusing import refuse_what_cannot_run
from probe.observe.clock import BootClock
from probe.qualify.entries import SoakPart
from probe.qualify.plan import SoakStep
from probe.qualify.site import Site
from probe.qualify.soak_parts import seconds_of
from probe.soak.journal import Cause, End
from probe.soak.judging import UNCOUNTED
from probe.soak.progress import Progress
from probe.soak.reading import read_entries
from probe.soak.run import Soak
from probe.soak.setup import Setup, Stops
from probe.soak.writing import Journal

Show = Callable[[Progress], None]


def setup_of(step: SoakStep, site: Site, taken: Snapshot, seconds: float, hottest_c: float | None) -> Setup:
    """What is to be done. Raises InputError for links, loads or conditions that there are none of.

    And for what a soak refuses: what would be overwritten, what does not fit on the disk or into memory.
    """
    source = site.source()
    loads = tuple(pair for word in step.loads for pair in find(word))
    options = Options(block=step.block, in_flight=step.in_flight, size=step.size, rate_bytes_s=step.rate_bytes_s)
    if loads and not source.live:
        where = f"loads of {step.name}"
        raise InputError("drive this host, not the tree of --sysfs", where=where, remedy="leave one of them out")
    _refuse_raw_devices(loads)
    refuse_what_cannot_run(loads, options)
    stops = Stops.parse([*step.ends_on, *([] if hottest_c is None else [f"temperature={hottest_c:g}"])])
    return Setup(
        sys=source.sys, snapshot=taken, links=chosen(taken.links, step.links, option="links = "),
        loads=loads, options=options,
        planned_s=seconds, interval_s=step.interval_s, stops=stops, correctable=Limit.parse(step.correctable),
        live=source.live, covers=_places(taken, step.covers), asked=_places(taken, step.links),
        accepts=(UNCOUNTED,) if step.uncounted_errors else (), at_least=step.at_least,
    )  # fmt: skip


def _refuse_raw_devices(loads: Iterable[tuple[Load, Target]]) -> None:
    """A plan names nothing that may be lost, so none of its loads writes to a device itself."""
    for _, target in loads:
        if target.overwritten:
            remedy = "name a scratch file on a file system of it, or run linkprobe soak --raw by hand"
            raise InputError("is a raw device, to which a plan never writes", where=target.label, remedy=remedy)


def _places(taken: Snapshot, words: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(link.place_id for link in chosen(taken.links, words, option="")) if words else ()


def soak(setup: Setup, site: Site, turn: int, show: Show) -> SoakPart:
    """Run one part of a soak."""
    with closing(Journal.create(site.soak)) as journal:
        Soak(setup, BootClock(), journal, show).run(site.snapshot)
    return taken_up(site.soak, turn)


def taken_up(path: Path, turn: int) -> SoakPart:
    """The part that the journal of a soak is, whatever ended it. Raises InputError, DocumentError."""
    entries = tuple(read_entries(path))
    return SoakPart(turn=turn, seconds=seconds_of(entries), entries=entries)


def goes_on(part: SoakPart) -> bool:
    """It was cut off, so the time that is left of it is still to be done."""
    end = next((entry for entry in part.entries if isinstance(entry, End)), None)
    return end is None or end.cause is Cause.INTERRUPTED
