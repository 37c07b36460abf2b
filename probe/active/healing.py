"""What `put-back` does: finds journals that were left behind, and brings their trees back to what they were.

May live here: which journals, and whether their values still mean anything. May not: sequences of registers, drawing.
"""

import contextlib
from collections.abc import Sequence
from pathlib import Path

import msgspec

from probe.active.documents import PutBackDocument
from probe.active.driver import Driver
from probe.active.journal import (
    LIVE_SYS,
    Acted,
    Began,
    Entry,
    Journal,
    KeptFile,
    KeptRegister,
    left_behind,
    state_directory,
)
from probe.active.permitted import NotPermitted, Place, Scope, file_at, register_at
from probe.active.putting_back import all_back
from probe.active.restoring import Leftover
from probe.active.writing import SysfsMachine
from probe.exceptions import DocumentError
from probe.host.bounded import read_host_bounded
from probe.host.opening import open_source
from probe.kernel_spellings import FUNCTION_LIST


def directories() -> tuple[Path, ...]:
    """Where journals may have been left: those of the live host, and this user's of other trees."""
    return tuple(dict.fromkeys((state_directory(LIVE_SYS), state_directory(""))))


def heal(folders: Sequence[Path], *, forget: bool = False) -> PutBackDocument:
    """Put back what every journal left behind tells of, the newest first; `forget` drops what cannot be put back.

    Raises DocumentError for a journal that is damaged: its values are not to be trusted.
    """
    document = PutBackDocument()
    for folder in folders:
        for journal in left_behind(folder):
            document = _joined(document, _one(journal, forget=forget))
    return document


def _joined(one: PutBackDocument, other: PutBackDocument) -> PutBackDocument:
    return PutBackDocument(
        runs=(*one.runs, *other.runs),
        put_back=one.put_back + other.put_back,
        leftovers=(*one.leftovers, *other.leftovers),
        notes=(*one.notes, *other.notes),
    )


def _one(journal: Journal, *, forget: bool) -> PutBackDocument:
    with contextlib.closing(journal):
        entries = journal.entries()
        began = next(iter(entries), None)
        if not isinstance(began, Began):
            journal.discard()  # it was cut off before anything was written
            return PutBackDocument()
        run = f"{began.command} of {began.at[:19]} on {began.sys} (process {began.process})"
        document = msgspec.structs.replace(_healed(journal, began, entries), runs=(run,))
        if forget or not any(item.writable for item in document.leftovers):
            journal.discard()
        return document


def _healed(journal: Journal, began: Began, entries: Sequence[Entry]) -> PutBackDocument:
    kept = [entry for entry in entries if isinstance(entry, KeptRegister | KeptFile | Acted)]
    if not kept:
        return PutBackDocument()
    if began.sys == LIVE_SYS and _boot_now() != began.boot_id:
        note = "the machine was started anew since: its registers were set by firmware, and nothing is written"
        return PutBackDocument(notes=(note,))
    if not Path(began.sys, FUNCTION_LIST).is_dir():
        left = tuple(_lost(entry, "the tree is not there") for entry in kept if not isinstance(entry, Acted))
        return PutBackDocument(leftovers=left)
    _refuse_overreaching(began.scope, kept, journal.path)
    machine = SysfsMachine(began.sys, began.scope)
    try:
        strangers = {place.address for place in began.scope.places if _is_another(place, machine)}
        ours = _Entries([entry for entry in entries if _address(entry) not in strangers], journal)
        left = Driver(machine, began.scope, ours).run(all_back(began, ours))
    finally:
        machine.close()
    notes = tuple(f"{address}: another device is there now, and is left alone" for address in sorted(strangers))
    count = sum(1 for entry in ours.entries() if isinstance(entry, KeptRegister | KeptFile))
    return PutBackDocument(put_back=count - sum(1 for item in left if item.writable), leftovers=left, notes=notes)


def _refuse_overreaching(scope: Scope, kept: Sequence[Entry], path: Path) -> None:
    """A journal that asks for more than the tables have is damaged, and nothing of it is written."""
    try:
        for entry in kept:
            if isinstance(entry, KeptRegister):
                register_at(scope, entry.address, entry.offset, entry.size, entry.mask)
            if isinstance(entry, KeptFile):
                file_at(scope, entry.path, entry.old)
    except NotPermitted as error:
        remedy = "compare the registers by hand, then remove it"
        raise DocumentError(
            f"is damaged, and asks for what may not be written ({error})", where=str(path), remedy=remedy
        ) from error


class _Entries:
    """The entries that are to be put back; what the putting back itself writes is kept in the journal too."""

    def __init__(self, chosen: Sequence[Entry], journal: Journal) -> None:
        self._chosen = tuple(chosen)
        self._journal = journal

    def keep(self, *entries: Entry) -> None:
        self._journal.keep(*entries)

    def entries(self) -> tuple[Entry, ...]:
        return self._chosen


def _is_another(place: Place, machine: SysfsMachine) -> bool:
    """A device with other ids stands at the address; one that does not answer is not another."""
    ids = [machine.read_file(f"bus/pci/devices/{place.address}/{name}") for name in ("vendor", "device")]
    return None not in ids and place.identity is not None and " ".join(filter(None, ids)) != place.identity


def _address(entry: Entry) -> str | None:
    if isinstance(entry, KeptRegister):
        return entry.address
    if isinstance(entry, KeptFile):
        parts = entry.path.split("/")
        return parts[3] if entry.path.startswith("bus/pci/devices/") else None
    return None


def _lost(entry: KeptRegister | KeptFile, why: str) -> Leftover:
    if isinstance(entry, KeptFile):
        return Leftover(what=entry.path, where="/sys", value=entry.old, found=None, why=why)
    return Leftover(
        what=f"register of {entry.address}", where=f"offset {entry.offset:03x}h, {entry.size} bytes",
        value=f"{entry.old:0{2 * entry.size}x}h", found=None, why=why, address=entry.address, offset=entry.offset,
        size=entry.size,
    )  # fmt: skip


def _boot_now() -> str | None:
    return read_host_bounded(open_source(None)).boot_id
