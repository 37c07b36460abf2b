"""A batch is the same in whatever order its files are given, and what was not read of a machine makes it no odder.

Source of the laws: probe/batch/standing.py, and DEVELOPERS.md, unknown never alarms and never excuses. Taking evidence
away from one machine may leave a cell of it unread or undecided; it may not make that machine odd where it was not. A
link that rested and whose excuse was taken away is short still, as in test_the_unread_decides_no_verdict.
"""

from random import Random

from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace as with_fields

from probe.audit.snapshot import Snapshot, take
from probe.batch.comparing import batch
from probe.batch.contribution import Contribution
from probe.batch.document import Batch
from probe.batch.standing import Standing
from probe.evidence import Evidence
from probe.host.machine import read_machine
from probe.verdict.verdicts import Verdict
from tests.batch.made import board, snapshot
from tests.laws.masks import evidence_of_troubled_machines, masked
from tests.search import search

SLOW = search(25)


def contribution(taken: Snapshot, name: str) -> Contribution:
    host = with_fields(taken.evidence.host, name=name, machine_id=None)
    return Contribution(file=f"{name}.json", digest=name, kind="snapshot", host=host, links=taken.links)


def odd_ones(document: Batch, machine: str) -> set[tuple[str | None, str, str]]:
    return {
        (item.place_id, item.against.measure, item.against.of)
        for item in document.findings
        if item.machine == machine and item.standing is Standing.ODD
    }


@SLOW
@given(evidence_of_troubled_machines(), evidence_of_troubled_machines(), st.integers(1, 12), st.randoms())
def test_the_order_of_files_changes_nothing(one: Evidence, other: Evidence, count: int, order: Random) -> None:
    taken = take(one)
    files = [*(contribution(taken, f"m{number}") for number in range(count)), contribution(take(other), "x")]
    mixed = list(files)
    order.shuffle(mixed)
    assert batch(mixed) == batch(files)


@SLOW
@given(evidence_of_troubled_machines(), evidence_of_troubled_machines(), st.data())
def test_what_was_not_read_makes_no_machine_odd(usual: Evidence, seen: Evidence, data: st.DataObject) -> None:
    taken = take(usual)
    peers = [contribution(taken, f"m{number}") for number in range(9)]
    less = data.draw(masked(seen))
    whole = take(seen)
    resting = {link.place_id for link in whole.links if link.verdict is Verdict.RESTING}
    before = odd_ones(batch([*peers, contribution(whole, "x")]), "x")
    after = odd_ones(batch([*peers, contribution(take(less), "x")]), "x")
    assert {item for item in after - before if item[0] not in resting} == set()


def test_alike_but_for_what_was_not_read() -> None:
    """A board read without privilege beside eight read as root: nothing of it is odd."""
    known = [contribution(snapshot(board(number)), f"m{number}") for number in range(1, 9)]
    from_outside = take(read_machine(board(9).build().unprivileged().source()))
    document = batch([*known, contribution(from_outside, "x")])
    assert odd_ones(document, "x") == set()
