"""A host without Python: what BusyBox collects there is what our own reader sees, on a real kernel."""

import msgspec
import pytest

from probe.audit.snapshot import Snapshot
from probe.documents.files import read_snapshot
from probe.evidence import Evidence
from tests.guest import emulator

pytestmark = pytest.mark.guest


def lasting(evidence: Evidence) -> Evidence:
    """Less what moves between two readings: the time, the load, and lines that the log has gained."""
    host = msgspec.structs.replace(evidence.host, taken_at="", source="", uptime_s=None, load_average=None)
    return msgspec.structs.replace(evidence, host=host, kernel_log=())


@pytest.mark.parametrize("user", ["root", "user"])
def test_equal_evidence(seen: emulator.Finished, as_root: Snapshot, as_user: Snapshot, user: str) -> None:
    ours = {"root": as_root, "user": as_user}[user].evidence
    theirs = read_snapshot(str(seen.out / f"{user}.tar")).evidence
    assert lasting(theirs) == lasting(ours)
    assert len(ours.functions) >= 20
    assert ours.host.privileged is (user == "root")
    lines = [line.text for line in theirs.kernel_log]
    assert lines[: len(ours.kernel_log)] == [line.text for line in ours.kernel_log]
