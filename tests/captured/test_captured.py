"""Evidence captured from real machines, each judged anew. What identifies was replaced by linkprobe's own --redact.

accelerator-in-a-virtual-machine.json: one accelerator on a 32 GT/s x16 link passed through to a micro virtual machine;
kernel 6.18.44; `linkprobe snapshot` as root, 2026-11-25, identifiers taken out by hand. The port above is hidden, and so
are most of its extended capabilities: id 0 with a next pointer, which the walk has to pass.

two-accelerators-soak.jsonl: `linkprobe soak --minutes 1.5 --load accelerator --load memory --accept uncounted-errors` on
two accelerators of that kind. two-accelerators-qualification.json: a plan of five steps with a soak of three minutes on
two such; what its own command printed was left out, and the journal sealed again by a linkprobe 0.1.0.dev, so that a later
one may choose other words and has to come to the same results. two-accelerators-qualification.html: its page.
"""

import re
from pathlib import Path

import msgspec
import pytest

from probe.audit.audit import audit
from probe.documents.files import read_snapshot
from probe.qualify.document import Judged, QualificationRecord
from probe.qualify.journal_lines import decoded
from probe.qualify.judging import judged as judged_by
from probe.qualify.sealing import verify
from probe.registers.errors import ADVANCED_ERROR_REPORTING
from probe.result import Result
from probe.soak.journal import Start
from probe.soak.reading import read_entries
from probe.soak.record import Record, record
from probe.verdict.verdicts import Verdict
from tests.conftest import Run

HERE = Path(__file__).parent
SOAK, QUALIFICATION = HERE / "two-accelerators-soak.jsonl", HERE / "two-accelerators-qualification.json"
WAYS = ("to host", "from host")
IDENTIFIES = re.compile(
    r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}"  # RFC 9562
    r"|(?<![\w:.-])(?:[0-9a-f]{2}:){5}[0-9a-f]{2}(?![\w:])"  # IEEE 802, 48 bits
    r"|(?<![\w.])(?:\d{1,3}\.){3}\d{1,3}(?![\w.])"  # an address of IPv4
    r'|"(?:name|boot_id|machine_id|command_line)":"(?!(?:pci=\S+ )*redacted-)(?=[^"]*[-=][^"]*[-=])[^"]*"',
    re.IGNORECASE,
)


def test_accelerator_in_a_virtual_machine() -> None:
    evidence = read_snapshot(str(HERE / "accelerator-in-a-virtual-machine.json")).evidence
    (link,) = audit(evidence).links
    assert (link.downstream_port, link.upstream_port) == (None, "0000:00:06.0")
    assert (link.verdict, link.shortfall, link.alarming) == (Verdict.FULL, (), False)
    assert (link.negotiated.speed_gts, link.negotiated.width) == (32.0, 16)
    assert (link.bandwidth.max_payload_size, link.bandwidth.max_read_request_size) == (256, 4096)
    space = next(item for item in evidence.functions if item.address == "0000:00:06.0").space()
    assert [item.id for item in space.capabilities.found if item.extended][:2] == [0, 0x18]
    assert space.find(ADVANCED_ERROR_REPORTING) is not None
    assert space.capabilities.faults == ()


def soaked(**said: object) -> Record:
    """The record, with other words of the person's."""
    start, *rest = read_entries(SOAK)
    assert isinstance(start, Start)
    return record([msgspec.structs.replace(start, **said), *rest])


def test_soak_of_two_accelerators() -> None:
    found = soaked()
    assert (found.verdict, found.complete, found.mismatches, found.samples) == ("passed", True, (), 91)
    assert {(str(link.best), str(link.worst), link.transitions) for link in found.links} == {
        ("32 GT/s x16", "32 GT/s x16", 0)
    }
    carried = {(item.place_id, item.direction): item for item in found.throughput}
    for place in {link.place_id for link in found.links}:
        for way in WAYS:
            share = carried[place, way].share
            assert share is not None
            assert 0.80 <= share <= 1.0
        assert carried[place, "there and back"].passes >= 9
    sums = {item.phase: item.median_bytes_s for item in found.together}
    assert {way: sums[way] > 100e9 for way in WAYS} == dict.fromkeys(WAYS, True)


def test_errors_that_cannot_be_counted_need_the_persons_word() -> None:
    found = soaked(accepts=())
    assert found.result is Result.INCONCLUSIVE
    assert {text.partition(": ")[2][:27] for text in found.reasons} == {"its errors cannot be counted"[:27]}


@pytest.mark.parametrize(("asked", "result"), [(0.85, Result.PASSED), (0.95, Result.FAILED)])
def test_held_to_a_share_of_the_ceiling(asked: float, result: Result) -> None:
    found = soaked(at_least=asked)
    assert {found.result, *(link.result for link in found.links)} == {result}
    assert {text.partition(", accelerator")[0].rpartition(": ")[2] for text in found.reasons} == (
        set(WAYS) if result is Result.FAILED else {found.reasons[0]}
    )


def now(data: bytes) -> Judged:
    """What this version makes of the journal."""
    whole = msgspec.json.decode(data, type=QualificationRecord)
    return judged_by(decoded([bytes(line) for line in whole.journal], "x"))


def test_qualification_of_two_accelerators(run: Run, tmp_path: Path) -> None:
    data = QUALIFICATION.read_bytes()
    found = verify(data, "x")
    assert (found.plan_holds, found.journal_holds, found.judged_holds) == (True, True, True)
    assert (found.result, found.differences) == (Result.PASSED, ())
    judged = msgspec.json.decode(data, type=QualificationRecord).judged
    assert [(step.kind, step.result) for step in judged.steps] == [
        (kind, "passed") for kind in ("snapshot", "soak", "command", "snapshot", "comparison")
    ]
    assert len([link for link in judged.links if link.by_kind.get("soak") == "passed"]) == 2
    assert run("verify", QUALIFICATION)[0] == 0
    (bands,) = now(data).bands
    assert (bands.by_time, bands.by_temperature) == ((), ()), "no error of theirs can be counted, so none is none"
    assert bands.uncounted == tuple(link.place_id for link in judged.links if link.by_kind)
    for form in ("page.html", "cases.xml", "values.csv"):
        assert run("report", QUALIFICATION, "-o", tmp_path / form)[0] == 0
        assert (tmp_path / form).stat().st_size > 500
    better = data.replace(b'"result":"passed"', b'"result":"failed"', 1)
    assert not verify(better, "x").sound


@pytest.mark.parametrize("path", [SOAK, QUALIFICATION, QUALIFICATION.with_suffix(".html")], ids=lambda path: path.name)
def test_nothing_identifies_a_machine(path: Path) -> None:
    assert IDENTIFIES.findall(path.read_text()) == []
    assert IDENTIFIES.search('"command_line":"quiet reboot=k panic=1"')
    assert IDENTIFIES.search('"boot_id":"c7731f42-ebae-40a3-bc9e-a40a52b997f4"')
