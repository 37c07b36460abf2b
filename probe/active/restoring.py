"""Putting back what a run wrote, in reverse, each read back and compared: at the end of a run, or after a crash.

May live here: the sequence, as a protocol, and what it could not do. May not: opening files.
"""

from collections.abc import Iterable, Iterator
from functools import partial

import msgspec

from probe.active.asking import answering, read, text_of, until, write, write_file
from probe.active.journal import Entry, KeptFile, KeptRegister
from probe.active.margining.commands import ANSWER_MASK, SENDER_MASK, is_step
from probe.active.permitted import RegisterBits, Scope, register_at
from probe.active.steps import CannotWrite, Protocol, Read, Wait
from probe.address import Address
from probe.registers.bits import all_ones, differing, merged

_COMPONENT_S = 1.0
_ANSWER_S = 0.150
_FILE_S = 70.0
_LANE_STATUS = 2


class Leftover(msgspec.Struct, frozen=True, kw_only=True):
    """Something that is not as it was: what, where exactly, the value to write back, what stands there, and why.

    For a register `value` and `found` are hexadecimal numbers of `size` bytes; for a file they are its text.
    """

    what: str
    where: str
    value: str
    found: str | None
    why: str
    address: str | None = None
    offset: int | None = None
    size: int | None = None
    writable: bool = True

    def sentence(self) -> str:
        """What a person needs to put it back by hand."""
        found = "could not be read" if self.found is None else f"is {self.found}"
        remedy = f"; write {self.value} back" if self.writable else ""
        return f"{self.what} ({self.where}) {found} and was {self.value}: {self.why}{remedy}"


def put_back(scope: Scope, entries: Iterable[Entry]) -> Protocol[tuple[Leftover, ...]]:
    """Bring every kept register and file back, the last first. What cannot be brought back is a Leftover."""
    left: list[Leftover] = []
    silent: set[str] = set()
    entries = list(entries)
    if any(_has_neutral(scope, entry) for entry in entries):
        yield Wait(_ANSWER_S)  # who was killed may not have waited for the answer to its last command
    for entry in _last_first(entries):
        fault = None
        if isinstance(entry, KeptFile):
            fault = yield from _file(entry)
        elif isinstance(entry, KeptRegister):
            fault = yield from _register(scope, entry, silent)
        if fault is not None:
            left.append(fault)
    return tuple(left)


def _has_neutral(scope: Scope, entry: Entry) -> bool:
    return isinstance(entry, KeptRegister) and bool(
        register_at(scope, entry.address, entry.offset, entry.size, entry.mask).neutral
    )


def _last_first(entries: Iterable[Entry]) -> Iterator[Entry]:
    yield from reversed(list(entries))


def _register(scope: Scope, kept: KeptRegister, silent: set[str]) -> Protocol[Leftover | None]:
    row = register_at(scope, kept.address, kept.offset, kept.size, kept.mask)
    look = Read(kept.address, kept.offset, kept.size)
    patience = 0.0 if kept.address in silent else _COMPONENT_S
    found = yield from until(look, lambda value: value != all_ones(kept.size), patience, 0.01)
    if not found.met or found.value is None:
        silent.add(kept.address)
        return _leftover(row, kept, found.value, "nothing answers there")
    try:
        ended = yield from _neutral(row, kept)
        current = yield from answering(kept.address, kept.offset, kept.size)
        if current is not None and differing(current, kept.old, kept.mask):
            yield from write(kept.address, kept.offset, kept.size, merged(current, kept.old, kept.mask), kept.mask)
    except CannotWrite as refused:
        return _leftover(row, kept, found.value, refused.why)
    after = yield from read(kept.address, kept.offset, kept.size)
    if after is None or after == all_ones(kept.size):
        return _leftover(row, kept, after, "nothing answers there")
    if differing(after, kept.old, kept.mask):
        return _leftover(row, kept, after, "it does not keep what is written")
    if row.neutral and not ended and is_step(found.value):
        why = "it stood at a step of margining, and has not acknowledged Go to Normal Settings; a link reset ends that"
        return msgspec.structs.replace(_leftover(row, kept, after, why), writable=False)
    return None


def _neutral(row: RegisterBits, kept: KeptRegister) -> Protocol[bool]:
    """Commands of lane margining that end whatever a receiver may still be doing; whether all were answered."""
    ended = True
    status = Read(kept.address, kept.offset + _LANE_STATUS, kept.size)
    if not row.neutral:
        return True
    standing = yield from read(kept.address, kept.offset, kept.size)
    shown = yield from read(kept.address, kept.offset + _LANE_STATUS, kept.size)
    heard = None not in {standing, shown} and not differing(shown or 0, standing or 0, SENDER_MASK)
    for command in row.neutral:
        yield from write(kept.address, kept.offset, kept.size, command, kept.mask)
        if not heard:
            yield Wait(_ANSWER_S)  # the status may still show an answer from before the one that did not come
        answer = yield from until(status, partial(_answers, command), _ANSWER_S, 0.0002)
        heard = answer.met
        ended = ended and heard
    return ended


def _answers(command: int, status: int) -> bool:
    return not differing(status, command, ANSWER_MASK)


def _leftover(row: RegisterBits, kept: KeptRegister, found: int | None, why: str) -> Leftover:
    digits = 2 * kept.size
    whole = kept.old if found is None or found == all_ones(kept.size) else merged(found, kept.old, kept.mask)
    return Leftover(
        what=f"{row.register.name} of {kept.address}",
        where=f"offset {kept.offset:03x}h, {kept.size} {'byte' if kept.size == 1 else 'bytes'}",
        value=f"{whole:0{digits}x}h",
        found=None if found is None else f"{found:0{digits}x}h",
        why=why,
        address=kept.address,
        offset=kept.offset,
        size=kept.size,
    )


def _file(kept: KeptFile) -> Protocol[Leftover | None]:
    found = yield from text_of(kept.path)
    if found == kept.old:
        return None
    try:
        yield from write_file(kept.path, kept.old, _FILE_S)
    except CannotWrite as refused:
        return _file_leftover(kept, found, refused.why)
    after = yield from text_of(kept.path)
    return None if after == kept.old else _file_leftover(kept, after, "it does not keep what is written")


def _file_leftover(kept: KeptFile, found: str | None, why: str) -> Leftover:
    address = next((part for part in kept.path.split("/") if Address.find(part)), None)
    return Leftover(what=kept.path, where="/sys", value=kept.old, found=found, why=why, address=address)
