"""Evidence captured from real machines, each judged anew. Identifiers were taken out by hand.

accelerator-in-a-virtual-machine.json: one accelerator on a 32 GT/s x16 link passed through to a micro virtual machine;
kernel 6.18.44; `linkprobe snapshot` as root, 2026-11-25. The port above is hidden, and so are most of its extended
capabilities: id 0 with a next pointer, which the walk has to pass.
"""

from pathlib import Path

from probe.audit.audit import audit
from probe.documents.files import read_snapshot
from probe.registers.errors import ADVANCED_ERROR_REPORTING
from probe.soak.reading import read_entries
from probe.soak.record import record
from probe.verdict.verdicts import Verdict

HERE = Path(__file__).parent


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


def test_accelerator_soak() -> None:
    """accelerator-soak.jsonl and .html: `linkprobe soak --minutes 1 --load accelerator` on the same kind of machine."""
    found = record(read_entries(HERE / "accelerator-soak.jsonl"))
    assert (found.verdict, found.complete, found.mismatches) == ("inconclusive", True, ())
    assert [text.partition(": ")[2][:27] for text in found.reasons] == ["its errors cannot be counted"[:27]]
    carried = {item.direction: item for item in found.throughput}
    for direction in ("to host", "from host"):
        share = carried[direction].share
        assert share is not None
        assert 0.80 <= share <= 1.0
    assert carried["there and back"].passes > 10
    (link,) = found.links
    assert (str(link.best), str(link.worst), link.transitions) == ("32 GT/s x16", "32 GT/s x16", 0)
    assert found.samples >= 60
