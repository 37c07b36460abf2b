"""Evidence captured from real machines, each judged anew. Identifiers were taken out by hand.

accelerator-in-a-virtual-machine.json: one accelerator on a 32 GT/s x16 link passed through to a micro virtual machine;
kernel 6.18.44; `linkprobe snapshot` as root, 2026-11-25. The port above is hidden, and so are most of its extended
capabilities: id 0 with a next pointer, which the walk has to pass.
"""

from pathlib import Path

from probe.links.audit import audit
from probe.registers.errors import ADVANCED_ERROR_REPORTING
from probe.snapshot.audit import Word
from probe.snapshot.store import read_snapshot

HERE = Path(__file__).parent


def test_accelerator_in_a_virtual_machine() -> None:
    evidence = read_snapshot(str(HERE / "accelerator-in-a-virtual-machine.json")).evidence
    (link,) = audit(evidence).links
    assert (link.downstream_port, link.upstream_port) == (None, "0000:00:06.0")
    assert (link.verdict, link.shortfall, link.alarming) == (Word.FULL, (), False)
    assert (link.negotiated.speed_gts, link.negotiated.width) == (32.0, 16)
    assert (link.bandwidth.max_payload_size, link.bandwidth.max_read_request_size) == (256, 4096)
    space = next(item for item in evidence.functions if item.address == "0000:00:06.0").space()
    assert [item.id for item in space.capabilities.found if item.extended][:2] == [0, 0x18]
    assert space.find(ADVANCED_ERROR_REPORTING) is not None
    assert space.capabilities.faults == ()
