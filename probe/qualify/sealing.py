"""A record made of a journal, and one looked at again: do its digests hold, does its judgement follow. Pure.

The digests show that plan, journal and judgement belong together and are whole. They are no proof against somebody who
makes a record anew: who needs that signs the file.
"""

from collections.abc import Iterator, Sequence
from hashlib import sha256

import msgspec

from probe import __version__
from probe.documents.files import UNDECODABLE
from probe.exceptions import DocumentError
from probe.exit_status import ExitStatus
from probe.qualify.document import Digests, Judged, LinkResult, QualificationRecord, StepOutcome
from probe.qualify.entries import Begun
from probe.qualify.journal_lines import decoded
from probe.qualify.judging import judged
from probe.result import Result
from probe.schemas import Schema

_WRITTEN_BY = f"linkprobe {__version__}"
_ABSENT = "not there"


class _Sealed(msgspec.Struct, frozen=True, kw_only=True):
    """A record read for its bytes: what was digested is taken as it stands."""

    schema: str
    written_by: str
    judged: msgspec.Raw
    digests: Digests
    plan: str
    journal: tuple[msgspec.Raw, ...]


class Verification(msgspec.Struct, frozen=True, kw_only=True):
    """What was found: whether each digest holds, and in what the judgement of this version differs."""

    schema: str = Schema.VERIFICATION
    record: str
    written_by: str
    verified_by: str
    result: Result
    plan_holds: bool
    journal_holds: bool
    judged_holds: bool
    follows: bool | None
    differences: tuple[str, ...] = ()
    digests: Digests

    @property
    def sound(self) -> bool:
        """All digests hold, and the judgement follows."""
        return self.plan_holds and self.journal_holds and self.judged_holds and self.follows is True

    @property
    def status(self) -> ExitStatus:
        """0 sound, 1 not."""
        return ExitStatus.CLEAN if self.sound else ExitStatus.FOUND


def sealed(lines: Sequence[bytes], name: str) -> QualificationRecord:
    """The record of a journal's lines. Raises DocumentError."""
    entries = decoded(lines, name)
    begun = entries[0]
    if not isinstance(begun, Begun):
        raise TypeError("a journal begins with its head")
    found = judged(entries)
    digests = Digests(
        plan=digest(begun.plan.encode()), journal=digest_of_lines(lines), judged=digest(msgspec.json.encode(found))
    )
    return QualificationRecord(
        written_by=_WRITTEN_BY, judged=found, digests=digests, plan=begun.plan,
        journal=tuple(msgspec.Raw(line) for line in lines),
    )  # fmt: skip


def digest(data: bytes) -> str:
    """SHA-256 in hexadecimal (FIPS 180-4)."""
    return sha256(data).hexdigest()


def digest_of_lines(lines: Sequence[bytes]) -> str:
    """The digest of a journal: of its lines, each with its end."""
    return digest(b"".join(line + b"\n" for line in lines))


def verify(data: bytes, name: str) -> Verification:
    """What is to be said of a record. Raises DocumentError for what is none."""
    record, said = _read(data, name)
    lines = tuple(bytes(line) for line in record.journal)
    entries = decoded(lines, name)
    begun = entries[0]
    if not isinstance(begun, Begun):
        raise TypeError("a journal begins with its head")
    plan = digest(record.plan.encode())
    journal_holds = digest_of_lines(lines) == record.digests.journal
    now = judged(entries) if journal_holds else said
    differences = tuple(differing(said, now))
    if not differences and record.written_by == _WRITTEN_BY and msgspec.json.encode(now) != bytes(record.judged):
        differences = (
            "what it says beside the results is not what this version, which wrote it, makes of the journal",
        )
    return Verification(
        record=name, written_by=record.written_by, verified_by=_WRITTEN_BY, result=said.result,
        plan_holds=plan == record.digests.plan == begun.plan_sha256 == digest(begun.plan.encode()),
        journal_holds=journal_holds, judged_holds=digest(bytes(record.judged)) == record.digests.judged,
        follows=not differences if journal_holds else None, differences=differences, digests=record.digests,
    )  # fmt: skip


def _read(data: bytes, name: str) -> tuple[_Sealed, Judged]:
    """A record, and what it says. Raises DocumentError."""
    try:
        record = msgspec.json.decode(data, type=_Sealed)
        return record, msgspec.json.decode(record.judged, type=Judged)
    except UNDECODABLE as error:
        what = f"does not hold what {Schema.QUALIFICATION} says ({error})"
        raise DocumentError(what, where=name, remedy="give a record of linkprobe qualify") from error


def differing(said: Judged, now: Judged) -> Iterator[str]:
    """In what two judgements of the same journal differ: results, never words, which a version may choose anew."""
    if said.result is not now.result:
        yield f"the whole is {said.result} in the record, and {now.result} by the journal"
    yield from _steps(said.steps, now.steps)
    yield from _links(said.links, now.links)


def _steps(said: Sequence[StepOutcome], now: Sequence[StepOutcome]) -> Iterator[str]:
    ours = {step.number: step for step in now}
    for step in said:
        here = ours.pop(step.number, None)
        if here is None:
            yield f"step {step.number} ({step.name}) is not in the journal"
        elif (step.result, step.kind, step.name) != (here.result, here.kind, here.name):
            yield f"step {step.number} ({step.name}) is {step.result} in the record, and {here.result} by the journal"
        else:
            yield from _of_step(step, here)
    yield from (f"step {number} ({step.name}) is not in the record" for number, step in ours.items())


def _of_step(said: StepOutcome, now: StepOutcome) -> Iterator[str]:
    ours = {link.place_id: link.result for link in now.links}
    theirs = {link.place_id: link.result for link in said.links}
    for place in dict.fromkeys((*theirs, *ours)):
        if theirs.get(place) is not ours.get(place):
            told = f"{theirs.get(place) or _ABSENT} in the record, and {ours.get(place) or _ABSENT} by the journal"
            yield f"step {said.number} ({said.name}), {place}: {told}"


def _links(said: Sequence[LinkResult], now: Sequence[LinkResult]) -> Iterator[str]:
    ours = {link.place_id: link.result for link in now}
    theirs = {link.place_id: link.result for link in said}
    for place in dict.fromkeys((*theirs, *ours)):
        if theirs.get(place) is not ours.get(place):
            told = f"{theirs.get(place) or _ABSENT} in the record, and {ours.get(place) or _ABSENT} by the journal"
            yield f"link {place}: {told}"
