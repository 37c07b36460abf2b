"""The demonstration machine as golden documents, reviewed by eye.

Refresh with `packaging/check tests/golden --refresh-golden`, then read the difference before it is kept.
"""

import io
import re
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
from rich.console import Console

from fake_sysfs import demonstration
from probe.audit.audit import audit
from probe.audit.document import AuditDocument, LinkDocument
from probe.audit.explanation import explain
from probe.evidence import Evidence
from probe.host.machine import read_machine
from probe.render.terminal import audit as screen
from probe.render.terminal import explanation
from probe.verdict.verdicts import Verdict

DOCUMENTS = Path(__file__).parent / "documents"


@pytest.fixture(scope="module")
def evidence() -> Evidence:
    found = read_machine(demonstration.correlator().build().source())
    return msgspec.structs.replace(
        found, host=msgspec.structs.replace(found.host, taken_at="2026-01-01T00:00:00+00:00")
    )


@pytest.fixture(scope="module")
def document(evidence: Evidence) -> AuditDocument:
    return audit(evidence)


def drawn(draw: Callable[[Console], None], width: int) -> str:
    stream = io.StringIO()
    draw(Console(file=stream, width=width, highlight=False, markup=False, emoji=False))
    return re.sub(r" +\n", "\n", stream.getvalue())


def hold(name: str, text: str, request: pytest.FixtureRequest) -> None:
    path = DOCUMENTS / name
    if request.config.getoption("--refresh-golden"):
        path.write_text(text)
    assert path.read_text() == text


def test_json(document: AuditDocument, request: pytest.FixtureRequest) -> None:
    hold("audit.json", msgspec.json.format(msgspec.json.encode(document)).decode() + "\n", request)


@pytest.mark.parametrize("width", [80, 120])
def test_screen(document: AuditDocument, width: int, request: pytest.FixtureRequest) -> None:
    text = drawn(lambda console: screen.render(document, console), width)
    assert max(map(len, text.splitlines())) <= width
    hold(f"audit-{width}.txt", text, request)


@pytest.mark.parametrize("address", [demonstration.WIDTH_FAULT_AT, demonstration.RESTING_AT, "0000:08:00.0"])
def test_explanation(evidence: Evidence, address: str, request: pytest.FixtureRequest) -> None:
    found = explain(evidence, address, registers=False)
    text = drawn(lambda screen: explanation.render(found, screen), 80)
    assert max(map(len, text.splitlines())) <= 80
    hold(f"explain-{address.replace(':', '-')}.txt", text, request)


def test_the_planted_faults_are_what_is_found(document: AuditDocument) -> None:
    links: dict[str | None, LinkDocument] = {
        link.upstream_port or link.downstream_port: link for link in document.links
    }
    assert links[demonstration.SPEED_FAULT_AT].shortfall == ("speed",)
    assert links[demonstration.WIDTH_FAULT_AT].shortfall == ("width",)
    assert links[demonstration.CAPPED_AT].verdict is Verdict.CAPPED
    assert links[demonstration.NARROW_SLOT_AT].verdict is Verdict.LIMITED
    assert links[demonstration.RESTING_AT].verdict is Verdict.RESTING
    assert links[demonstration.EMPTY_SLOT_AT].verdict is Verdict.EMPTY
    assert links[demonstration.HIDDEN_FUNCTION_0_AT].verdict is Verdict.FULL
    assert demonstration.VIRTUAL_FUNCTIONS_AT in links
    assert [note.subject for note in document.observations] == [demonstration.LANE_ERROR_AT]
    faults = {demonstration.SPEED_FAULT_AT, demonstration.WIDTH_FAULT_AT, demonstration.CAPPED_AT}
    assert {address for address, link in links.items() if link.alarming} == faults
