"""A comparison of a machine with itself is empty; mirrored, renumbered and merged comparisons agree; no count is negative."""

from dataclasses import replace

import msgspec
from hypothesis import given, settings
from hypothesis import strategies as st

from fake_sysfs import Machine
from probe.audit.snapshot import Snapshot
from probe.compare.changes import Change, Comparison, Rank
from probe.compare.diff import diff, merge
from probe.compare.ranking import tell
from probe.errors.limits import Limits
from probe.registers.errors import CORRECTABLE_NAMES
from tests.compare.machines import drive, of, slot, snapshot
from tests.laws.machines import machines

STATES = st.sampled_from(("16 GT/s x4", "8 GT/s x4", "16 GT/s x2", "2.5 GT/s x1"))
SERIALS = st.sampled_from((None, 1, 2, 3))


@st.composite
def slotted(draw: st.DrawFn) -> Machine:
    ports, used = [], set()
    for number in (1, 2, 3):
        serial = draw(SERIALS)
        if serial in used or draw(st.integers(0, 3)) == 0:
            ports.append(slot(number))
            continue
        used.add(serial)
        state, payload = draw(STATES), draw(st.sampled_from((128, 256)))
        ports.append(slot(number, drive(serial, state, payload=payload, driver=draw(st.sampled_from(("a", "b"))))))
    return of(*ports)


@settings(max_examples=40, deadline=None)
@given(machines())
def test_a_machine_with_itself(described: Machine) -> None:
    assert diff(snapshot(described), snapshot(described)).empty


_MIRRORED = {Rank.WORSE: Rank.BETTER, Rank.BETTER: Rank.WORSE, Rank.NEUTRAL: Rank.NEUTRAL}


def shape(change: Change) -> tuple[str, Rank]:
    kinds = {"gone": "presence", "come": "presence"}
    return kinds.get(change.kind, change.kind), change.rank


@settings(max_examples=80, deadline=None)
@given(slotted(), slotted())
def test_mirrored(first: Machine, second: Machine) -> None:
    a, b = snapshot(first), snapshot(second)
    forth, back = diff(a, b), diff(b, a)
    assert {(x.place, x.name, x.before, x.after) for x in forth.alterations} == {
        (x.place, x.name, x.after, x.before) for x in back.alterations
    }
    assert sorted(map(shape, forth.changes)) == sorted(
        (kind, _MIRRORED[rank]) for kind, rank in map(shape, back.changes)
    )


@settings(max_examples=40, deadline=None)
@given(slotted(), st.integers(1, 60))
def test_renumbering_all_buses(described: Machine, skipped: int) -> None:
    assert diff(snapshot(described), snapshot(replace(described, skipped_buses=skipped))).empty


counters = st.dictionaries(st.sampled_from(sorted(CORRECTABLE_NAMES)), st.integers(0, 99), max_size=3)


def counted(counts: dict[str, int], hours: float) -> Snapshot:
    return snapshot(of(slot(1, drive(counters={"correctable": counts}))), uptime_s=hours * 3600)


@settings(max_examples=60, deadline=None)
@given(counters, counters)
def test_no_count_is_negative(before: dict[str, int], after: dict[str, int]) -> None:
    document = diff(counted(before, 1), counted(after, 2))
    assert all(item.count > 0 for item in document.counts)
    went_down = any(after.get(name, 0) < count for name, count in before.items())
    assert all(item.floor == went_down for item in document.counts)


def told(document: Comparison) -> Comparison:
    return msgspec.structs.replace(document, counts=tuple(sorted(document.counts, key=str)), capability={}, titles={}, components={},
                                   alterations=tuple(sorted(document.alterations, key=str)))  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(st.tuples(slotted(), slotted(), slotted()), st.tuples(counters, counters, counters))
def test_merging(described_three: tuple[Machine, ...], grown: tuple[dict[str, int], ...]) -> None:
    total: dict[str, int] = {}
    snapshots = []
    for hours, (described, counts) in enumerate(zip(described_three, grown, strict=True), start=1):
        total = {name: total.get(name, 0) + counts.get(name, 0) for name in {*total, *counts}}
        counting = slot(9, drive(9, counters={"correctable": total}))
        snapshots.append(snapshot(replace(described, ports=(*described.ports, counting)), uptime_s=hours * 3600.0))
    first, second, third = snapshots
    ends = diff(first, third)
    merged = merge(diff(first, second), diff(second, third))
    links = {link.place_id: link for link in third.links}
    assert told(tell(merged, links, Limits())) == told(ends)
