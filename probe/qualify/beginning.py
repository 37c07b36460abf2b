"""A run begun or gone on with: the plan's file, its journal, and whether the two belong together.

May live here: opening both. May not: doing steps.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path

from probe import __version__
from probe.documents.files import read_bytes
from probe.exceptions import DocumentError, InputError
from probe.qualify.course import standing, turns
from probe.qualify.entries import Begun, Done
from probe.qualify.expectation_files import files_of
from probe.qualify.journal import Journal
from probe.qualify.judging import plan_of
from probe.qualify.moments import now
from probe.qualify.plan import Plan
from probe.qualify.plan_file import PLAN_BYTES, Reading, read_plan, step_lines
from probe.qualify.sealing import digest
from probe.qualify.site import Site
from probe.qualify.unit import Unit

_FIELD_LETTERS = 200


class PlanFile:
    """A plan as it stands in its file."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.content = read_bytes(str(path), PLAN_BYTES)
        self.reading: Reading = read_plan(self.content)

    @property
    def plan(self) -> Plan:
        """The plan. Raises DocumentError for one with a fault; the first is told."""
        if self.reading.plan is None:
            fault = self.reading.faults[0]
            where = str(self.path) if fault.line is None else f"{self.path} line {fault.line}"
            raise DocumentError(fault.what, where=where, remedy=fault.remedy)
        return self.reading.plan

    @property
    def lines(self) -> tuple[int | None, ...]:
        """The line in which each step begins."""
        return step_lines(self.content, self.plan)


def fields_of(words: Sequence[str]) -> dict[str, str]:
    """The fields that `NAME=VALUE` words give. Raises InputError."""
    found: dict[str, str] = {}
    for word in words:
        name, equals, value = word.partition("=")
        if not equals or not name.strip() or len(word) > _FIELD_LETTERS:
            remedy = f"write it as operator=Name, in {_FIELD_LETTERS} letters"
            raise InputError("is no field", where=f"--field {word[:_FIELD_LETTERS]}", remedy=remedy)
        found[name.strip()] = value.strip()
    return found


def begun(file: PlanFile, site: Site, fields: Mapping[str, str]) -> Journal:
    """A new journal. Raises InputError."""
    content = file.content.decode("utf-8-sig")
    head = Begun(
        written_by=f"linkprobe {__version__}", at=now(), plan_name=file.path.name, plan=content,
        plan_sha256=digest(content.encode()), fields=dict(fields), accepted=site.accepted,
        files=files_of(file.plan, site.folder),
        go=site.go,
    )  # fmt: skip
    journal = Journal.create(site.journal, head)
    if file.plan.needs_a_unit:
        try:
            Unit(site).enable(file.path)
        except InputError:
            journal.close()
            site.journal.unlink()
            raise
    return journal


def gone_on_with(file: PlanFile, site: Site, fields: Mapping[str, str]) -> Journal:
    """The journal that is there.

    Raises InputError where it is another plan's, at its end with its record written, or tells other fields.
    """
    journal = Journal.resume(site.journal)
    try:
        _check_that_it_is_of(file, journal, site, fields)
    except BaseException:
        journal.close()
        raise
    return journal


def _check_that_it_is_of(file: PlanFile, journal: Journal, site: Site, fields: Mapping[str, str]) -> None:
    head, where = journal.entries[0], str(journal.path)
    if standing(journal.entries).over is not None and site.record.exists():
        what = "this run is at its end, and its record is written"
        raise InputError(what, where=str(site.record), remedy="name another record with -o to do the plan anew")
    if not isinstance(head, Begun) or head.plan != file.content.decode("utf-8-sig"):
        what = "was begun with another plan, or the plan was changed since"
        raise InputError(what, where=where, remedy="name another record with -o, or take the change back")
    lacking = [word for word in head.accepted if word not in site.accepted]
    if lacking or (head.go and not site.go):
        words = " ".join(["--go", *(f"--accept {word}" for word in head.accepted)])
        raise InputError("was begun with more consent", where=where, remedy=f"give {words} again, or --close it")
    other = [name for name, value in fields.items() if head.fields.get(name) != value]
    if other:
        what = f"was begun with another --field {', '.join(other)}"
        raise InputError(what, where=where, remedy="leave the fields out to go on with it")


def close(journal: Journal) -> None:
    """End a run that will not go on: what was not done is told as not tested."""
    at = standing(journal.entries)
    head = journal.entries[0]
    if at.over is not None or not isinstance(head, Begun):
        return
    left = [turn.number for turn in turns(plan_of(head)) if turn.number not in at.ended]
    stopped = left[0] if left else None
    journal.append(Done(at=now(), stopped_at=stopped, why="it was closed by hand before the plan's end"))
