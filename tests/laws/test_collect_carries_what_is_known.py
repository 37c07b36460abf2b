"""A collector that reads less in some runs tells no other component, no new error and no absence; and nothing passes.

The law is DEVELOPERS.md's "unknown never alarms and never excuses", for runs that follow each other through a spool.
"""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from unittest.mock import patch

import msgspec
from hypothesis import given
from hypothesis import strategies as st

from fake_sysfs import Machine
from probe.audit.audit import audit
from probe.audit.outcome import exit_status
from probe.audit.snapshot import take
from probe.collect.run import Run, collect
from probe.collect.settings import Settings
from probe.collect.spool import Spool
from probe.compare.following import follow
from probe.compare.identity import Identity
from probe.errors.limits import Limits
from probe.evidence import Evidence, FunctionEvidence, Unread, Why
from probe.exit_status import ExitStatus
from probe.host.machine import read_machine
from probe.host.source import MemorySource
from tests.compare.machines import drive, of, slot
from tests.laws.test_unknown_never_alarms_and_never_excuses import Mask, masked, masks
from tests.search import search

HOUR_S = 3600.0
SERIALS = st.sampled_from((None, 0, 7, 2**64 - 1))
COUNTS = st.dictionaries(st.sampled_from(("Receiver Error", "Bad TLP")), st.integers(0, 9), max_size=2)
ANOTHER = ("replaced", "gone", "moved", "not there before", "errors", "urgent", "worse")
"""Words of the sentences that a machine which stayed as it was must not get."""


def machine(serials: Sequence[int | None], counters: dict[str, int] | None = None) -> Machine:
    held = [drive(serial, counters={"correctable": counters or {}}) for serial in serials]
    return of(*(slot(number, card) for number, card in enumerate(held, start=1)), slot(9))


def seen(described: Machine, run: int, mask: Mask, mute: frozenset[int] = frozenset()) -> Evidence:
    """What one run reads: parts of functions are not read, of those in `mute` nothing at all."""
    evidence = masked(read_machine(replace(described, uptime_s=run * HOUR_S).build().source()), mask)
    functions = tuple(
        FunctionEvidence(address=item.address, path=item.path, unread=(Unread(item.path, Why.FAILED),))
        if number in mute
        else item
        for number, item in enumerate(evidence.functions)
    )
    return msgspec.structs.replace(evidence, functions=functions)


def collected(runs: Sequence[Evidence]) -> tuple[list[Run], tuple[object, ...]]:
    """The runs through one spool, and what is missing at the end."""
    with TemporaryDirectory() as folder:
        chosen = Settings(spool=str(Path(folder) / "spool"), keep_free_share=1e-9)
        found = []
        for evidence in runs:
            with patch("probe.collect.run.read_bounded", return_value=evidence):
                found.append(collect(MemorySource({}, {}, "a law", {}), chosen))
        return found, Spool(chosen).missing()


mutes = st.frozensets(st.integers(0, 4), max_size=3)


@search(30)
@given(st.tuples(SERIALS, SERIALS), COUNTS, st.lists(st.tuples(masks(), mutes), min_size=2, max_size=4))
def test_a_machine_that_stays_as_it_is(
    serials: tuple[int | None, int | None], counts: dict[str, int], views: list[tuple[Mask, frozenset[int]]]
) -> None:
    described = machine(serials, counts)
    runs, missing = collected([seen(described, run, *view) for run, view in enumerate(views, start=1)])
    first, *others = runs
    audited = audit(seen(described, 1, *views[0]))
    silent = [line for line in first.lines if "did not answer" in line]
    standing = [link for link in audited.links if link.alarming or link.urgent]
    assert len(first.lines) - len(silent) == len(standing)
    assert first.status is (
        ExitStatus.URGENT if silent else exit_status(audited) if audited.links else ExitStatus.CLEAN
    )
    for run in others:
        assert run.status in {ExitStatus.CLEAN, ExitStatus.NOTHING_JUDGED}, run.lines
        told = [line.partition(": ")[2].partition(" [")[0] for line in run.lines]
        assert not [line for line in told if any(word in line for word in ANOTHER) and "readable" not in line]
    assert missing == ()


@search(30)
@given(st.tuples(SERIALS, SERIALS), st.lists(st.tuples(COUNTS, masks(), mutes), min_size=2, max_size=4))
def test_no_error_is_counted_twice(
    serials: tuple[int | None, int | None], runs: list[tuple[dict[str, int], Mask, frozenset[int]]]
) -> None:
    """All runs together count no more than came since the first."""
    total: dict[str, int] = {}
    first: dict[str, int] = {}
    before, known, told = None, dict[str, Identity](), dict[tuple[str, str], int]()
    for number, (grown, mask, mute) in enumerate(runs, start=1):
        total = {name: total.get(name, 0) + grown.get(name, 0) for name in {*total, *grown}}
        first = first if number > 1 else dict(total)
        after = take(seen(machine(serials, total), number, mask, mute))
        followed = follow(before, after, Limits(), known)
        for item in followed.comparison.counts if followed.comparison is not None else ():
            key = item.place, item.error
            told[key] = told.get(key, 0) + item.count
        before, known = after, dict(followed.are)
    assert all(count <= total[error] - first.get(error, 0) for (_, error), count in told.items())


@search(30)
@given(SERIALS, masks(), masks(), mutes)
def test_what_is_back_is_missing_no_more(serial: int | None, gone: Mask, back: Mask, mute: frozenset[int]) -> None:
    """A card went by itself, and is in its place again: whatever is read of it then, it is not missing."""
    there, empty = machine((serial, 5)), of(slot(1), slot(2, drive(5)), slot(9))
    whole = frozenset[tuple[int, str]]()
    runs, missing = collected([seen(there, 1, whole), seen(empty, 2, gone), seen(there, 3, back, mute - {0, 3})])
    assert runs[1].status is ExitStatus.URGENT
    assert missing == ()
    assert runs[2].status is not ExitStatus.URGENT, runs[2].lines


@search(30)
@given(masks(), masks(), st.integers(1, 3))
def test_another_card_is_told_whatever_was_not_read_between(first: Mask, second: Mask, runs: int) -> None:
    """An identity once known is carried over runs that did not read it."""
    whole = frozenset[tuple[int, str]]()
    one, other = machine((7, 5)), machine((8, 5))
    between = [
        seen(one, number, mask) for number, mask in zip(range(2, 2 + runs), (first, second, first), strict=False)
    ]
    found, _ = collected([seen(one, 1, whole), *between, seen(other, 9, whole)])
    assert any("was replaced by" in line for line in found[-1].lines), found[-1].lines
