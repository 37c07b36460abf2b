"""The page of a qualification: what was asked and by whom, each step and link, what was not tested, digests."""

from collections.abc import Iterator, Sequence
from textwrap import wrap

from probe.counted import counted
from probe.qualify.confidence import Confidence
from probe.qualify.document import Judged, RecordSummary
from probe.qualify.entries import Entry
from probe.render import styles
from probe.render.html import sections
from probe.render.html.page import Page, Section
from probe.render.html.qualified_eyes import eye_sections
from probe.render.html.qualified_soaks import soak_sections
from probe.render.units import duration
from probe.result import Result

_PAPER_LETTERS = 60
_WORST_FIRST = (Result.FAILED, Result.INCONCLUSIVE, Result.PASSED)
_KINDS = ("snapshot", "trainings", "speeds", "margins", "soak")


def render(document: RecordSummary, entries: Sequence[Entry]) -> Page:
    """The page."""
    judged = document.judged
    return Page(
        title=f"{judged.title}: {judged.host.name or 'a machine'}",
        verdict=judged.result,
        colour=styles.PAGE_RESULTS[judged.result],
        reasons=judged.reasons,
        sections=(
            _asked(judged),
            _steps(judged),
            *_reasons(judged),
            _links(judged),
            _not_tested(judged),
            *eye_sections(entries, judged),
            *soak_sections(entries, judged),
            *_commands(judged),
            _method(judged),
            _parts(judged),
            sections.environment(judged.host),
            *_firmware(judged),
            _digests(document),
        ),
        signed=judged.result is Result.PASSED,
        written_by=document.written_by,
    )


def _asked(judged: Judged) -> Section:
    rows = [
        *((f"asked: {name}", value) for name, value in judged.asked.items()),
        *judged.fields.items(),
        ("began", judged.began_at),
        ("ended", judged.ended_at),
        ("ran for", f"{duration(judged.seconds)}, the sum over all steps"),
        ("may be lost, as agreed", ", ".join(judged.accepted) or "nothing"),
    ]
    return Section(title="What was asked", columns=("what", "value"), rows=tuple(rows))


def _steps(judged: Judged) -> Section:
    rows = [
        (
            str(step.number),
            step.name,
            step.result,
            step.asked,
            step.limit,
            "" if step.seconds is None else duration(step.seconds),
            _lines(step.evidence_lines),
        )
        for step in judged.steps
    ]
    columns = ("no.", "step", "result", "asked", "passes by", "ran for", "evidence")
    return Section(title="Steps", columns=columns, rows=tuple(rows))


def _lines(numbers: Sequence[int]) -> str:
    """Where the evidence of a step stands."""
    if not numbers:
        return ""
    told = str(numbers[0]) if len(numbers) == 1 else f"{numbers[0]} to {numbers[-1]}"
    return f"journal, line {told}"


def _reasons(judged: Judged) -> Iterator[Section]:
    rows = [
        (f"{step.number}, {step.name}", step.result, reason)
        for step in judged.steps
        if step.result is not Result.PASSED
        for reason in (*step.reasons, *step.shows)
    ]
    if rows:
        yield Section(title="Steps that did not pass", columns=("step", "result", "why"), rows=tuple(rows))


def _links(judged: Judged) -> Section:
    shown = sorted((link for link in judged.links if link.by_kind), key=lambda link: _WORST_FIRST.index(link.result))
    tested = [kind for kind in _KINDS if any(kind in link.by_kind for link in shown)]
    rows = [
        (link.title, link.component or "", *(str(link.by_kind.get(kind, "not done")) for kind in tested), link.result)
        for link in shown
    ]
    others = len(judged.links) - len(shown)
    texts = (
        (f"Of {counted(len(judged.links), 'link')} {others} were not tested; they are named below.",) if others else ()
    )
    columns = ("link", "component", *tested, "together")
    return Section(title="Links", texts=texts, columns=columns, rows=tuple(rows))


def _not_tested(judged: Judged) -> Section:
    """Each reason once, with all that it is the reason for."""
    by_reason: dict[str, list[str]] = {}
    for item in judged.not_tested:
        by_reason.setdefault(item.why, []).append(item.what)
    rows = tuple((why, ", ".join(found)) for why, found in by_reason.items())
    texts = () if rows else ("Every link was tested by every kind of step.",)
    return Section(title="What was not tested, and why", texts=texts, columns=("why", "what"), rows=rows)


def _commands(judged: Judged) -> Iterator[Section]:
    rows = [
        (end.step, end.failure or f"status {end.status}", piece)
        for end in judged.commands
        for line in end.lines or ("",)
        for piece in wrap(line, _PAPER_LETTERS) or ("",)
    ]
    if rows:
        columns = ("step", "how it ended", "the end of what it printed")
        yield Section(title="The site's own commands", columns=columns, rows=tuple(rows))


def _method(judged: Judged) -> Section:
    alike: dict[tuple[str, ...], list[str]] = {}
    for item in judged.confidence:
        alike.setdefault(_figures(item), []).append(item.title)
    rows = tuple((*figures, ", ".join(titles)) for figures, titles in alike.items())
    columns = ("time under watch", "bits, one direction", "link errors", "bit error ratio (95 %)", "links")
    return Section(title="Method and confidence", texts=(*judged.method, *judged.notes), columns=columns, rows=rows)


def _figures(item: Confidence) -> tuple[str, ...]:
    return (
        duration(item.seconds),
        "" if item.bits is None else f"{item.bits:.1e}",
        "not counted" if item.errors is None else str(item.errors),
        "cannot be told" if item.ratio_below is None else f"below {item.ratio_below:.1e}{_one_end(item)}",
    )


def _one_end(item: Confidence) -> str:
    """Where one end alone counts, what the other receives is not spoken for."""
    return f", as the {item.counted_at[0]} receives it" if len(item.counted_at) == 1 else ""


def _parts(judged: Judged) -> Section:
    rows = tuple(
        (
            str(part.number),
            part.cause,
            part.began_at,
            part.last_at,
            part.kernel or "not read",
            part.boot_id or "not read",
        )
        for part in judged.parts
    )
    told = f"{counted(len(judged.parts), 'part')}; hours are sums over all of them."
    columns = ("part", "why it began", "began", "last entry", "kernel", "boot id")
    return Section(title="Parts", texts=(told,), columns=columns, rows=rows)


def _firmware(judged: Judged) -> Iterator[Section]:
    rows = tuple(
        (item.device, item.address or "", name.replace("_", " "), text)
        for item in judged.firmware
        for name, text in item.says.items()
    )
    texts = judged.firmware_changes or (() if rows else ("No device tells the kernel which firmware it runs.",))
    columns = ("device", "address", "what", "says")
    yield Section(title="Firmware of devices", texts=texts, columns=columns, rows=rows)


def _digests(document: RecordSummary) -> Section:
    rows = (
        ("the plan", document.digests.plan),
        ("the journal", document.digests.journal),
        ("the data of this page", document.digests.judged),
    )
    told = "SHA-256 (FIPS 180-4). linkprobe verify says whether they hold, and whether the result follows again."
    return Section(title="Digests", texts=(told,), columns=("of", "digest"), rows=rows)
