"""The record of a qualification: what was asked, how each step ended and why, what was not tested, and the evidence.

May live here: the document. It only grows; null is not read or not measured, never zero. `judged` is all that pages and
tables are made of; `plan` and `journal` are what it follows from, word for word.
"""

import msgspec

from probe.evidence import Host
from probe.exit_status import ExitStatus
from probe.host.firmware import DeviceFirmware
from probe.qualify.confidence import Confidence
from probe.qualify.soaks_of import SoakBands
from probe.result import Result, status_of_result
from probe.schemas import Schema


class StepLink(msgspec.Struct, frozen=True, kw_only=True):
    """What one step says of one link."""

    place_id: str
    title: str
    downstream_port: str | None = None
    result: Result = Result.INCONCLUSIVE
    reasons: tuple[str, ...] = ()


class StepOutcome(msgspec.Struct, frozen=True, kw_only=True):
    """One step, done once: what was asked of it, its limit, its result, and the lines of the journal that show it.

    `times_begun` is 0 for one that was never begun, and above 1 where it was cut off and done again.
    """

    number: int
    name: str
    kind: str
    asked: str
    limit: str
    result: Result
    urgent: bool = False
    reasons: tuple[str, ...] = ()
    links: tuple[StepLink, ...] = ()
    shows: tuple[str, ...] = ()
    began_at: str | None = None
    seconds: float | None = None
    hottest_c: float | None = None
    times_begun: int = 0
    evidence_lines: tuple[int, ...] = ()


class LinkResult(msgspec.Struct, frozen=True, kw_only=True):
    """One link over all steps. `by_kind` has the result of each kind of step that tested it."""

    place_id: str
    downstream_port: str | None
    upstream_port: str | None
    title: str
    component: str | None = None
    by_kind: dict[str, Result] = {}
    result: Result = Result.INCONCLUSIVE
    reasons: tuple[str, ...] = ()


class NotTested(msgspec.Struct, frozen=True, kw_only=True):
    """Something that was not tested, and why."""

    what: str
    why: str


class CommandEnd(msgspec.Struct, frozen=True, kw_only=True):
    """How a command of the site ended, and the last lines that it printed."""

    step: str
    status: int | None = None
    failure: str | None = None
    lines: tuple[str, ...] = ()


class Part(msgspec.Struct, frozen=True, kw_only=True):
    """One stretch of time that the qualification ran without a cut."""

    number: int
    began_at: str
    last_at: str
    cause: str
    boot_id: str | None = None
    kernel: str | None = None


class Judged(msgspec.Struct, frozen=True, kw_only=True):
    """All that the record says. `seconds` is the sum over the steps of the time that they ran, in all parts."""

    title: str
    result: Result
    urgent: bool = False
    complete: bool = False
    reasons: tuple[str, ...] = ()
    asked: dict[str, str] = {}
    fields: dict[str, str] = {}
    accepted: tuple[str, ...] = ()
    began_at: str = ""
    ended_at: str = ""
    seconds: float = 0.0
    host: Host
    firmware: tuple[DeviceFirmware, ...] = ()
    firmware_changes: tuple[str, ...] = ()
    parts: tuple[Part, ...] = ()
    steps: tuple[StepOutcome, ...] = ()
    links: tuple[LinkResult, ...] = ()
    not_tested: tuple[NotTested, ...] = ()
    confidence: tuple[Confidence, ...] = ()
    bands: tuple[SoakBands, ...] = ()
    commands: tuple[CommandEnd, ...] = ()
    method: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


class Digests(msgspec.Struct, frozen=True, kw_only=True):
    """SHA-256 in hexadecimal: of the plan's bytes, of the journal's lines, and of `judged` as it stands here."""

    plan: str
    journal: str
    judged: str


class QualificationRecord(msgspec.Struct, frozen=True, kw_only=True):
    """The record: judged, sealed by its digests, with what it follows from."""

    schema: str = Schema.QUALIFICATION
    written_by: str
    judged: Judged
    digests: Digests
    plan: str
    journal: tuple[msgspec.Raw, ...] = ()


class RecordSummary(msgspec.Struct, frozen=True, kw_only=True):
    """A record without what it follows from: what screens, pages and tables are made of."""

    written_by: str
    judged: Judged
    digests: Digests


def summary_of(document: QualificationRecord) -> RecordSummary:
    """The record without its plan and journal."""
    return RecordSummary(written_by=document.written_by, judged=document.judged, digests=document.digests)


def exit_status(judged: Judged) -> ExitStatus:
    """2 if urgent, 1 if it failed, 3 if inconclusive, else 0."""
    return status_of_result(judged.result, urgent=judged.urgent)
