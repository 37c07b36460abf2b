"""The exit status of a judged machine: what is urgent, found, not judged, and what a strict audit counts."""

from collections.abc import Callable

import pytest

from fake_sysfs import Machine, Tree, card, machine, port, root_port, switch
from probe.audit.document import AuditDocument
from probe.audit.outcome import exit_status, status_of_link
from probe.exit_status import ExitStatus

Judge = Callable[[Machine | Tree], AuditDocument]
PORT, CARD = "0000:00:01.0", "0000:01:00.0"
FULL = machine(root_port(PORT, "8 GT/s x4", slot=1).holds(card("8 GT/s x4")))
SHORT = machine(root_port(PORT, "8 GT/s x4", slot=1).holds(card("8 GT/s x4", trained="8 GT/s x2")))
LIMITED = machine(root_port(PORT, "8 GT/s x4", slot=1).holds(card("16 GT/s x4")))
INSIDE = machine(
    root_port(PORT, "8 GT/s x8", slot=1).holds(
        switch("8 GT/s x8", port("8 GT/s x4").holds(card("8 GT/s x4", trained="8 GT/s x2")))
    )
)
FATAL = machine(root_port(PORT, "8 GT/s x4", slot=1).holds(card("8 GT/s x4", counters={"fatal": {"DLP": 1}})))


@pytest.mark.parametrize(
    ("described", "status", "strictly"),
    [
        (FULL.build(), ExitStatus.CLEAN, ExitStatus.CLEAN),
        (SHORT.build(), ExitStatus.FOUND, ExitStatus.FOUND),
        (LIMITED.build(), ExitStatus.CLEAN, ExitStatus.FOUND),
        (INSIDE.build(), ExitStatus.CLEAN, ExitStatus.CLEAN),
        (FATAL.build(), ExitStatus.URGENT, ExitStatus.URGENT),
        (FULL.build().silent(CARD), ExitStatus.URGENT, ExitStatus.URGENT),
        (FULL.build().unprivileged().without_link_attributes(), ExitStatus.NOTHING_JUDGED, ExitStatus.NOTHING_JUDGED),
    ],
)
def test_the_status_of_a_machine(judge: Judge, described: Tree, status: ExitStatus, strictly: ExitStatus) -> None:
    document = judge(described)
    assert (exit_status(document), exit_status(document, strict=True)) == (status, strictly)


def test_the_status_of_one_link(judge: Judge) -> None:
    (short,), (full,), (fatal,) = (judge(item).links for item in (SHORT, FULL, FATAL))
    assert [status_of_link(link) for link in (short, full, fatal)] == [
        ExitStatus.FOUND, ExitStatus.CLEAN, ExitStatus.URGENT,
    ]  # fmt: skip
