"""Whatever order, batches and repetitions files of a host come in, its rows are those of an independent reckoning.

The reckoning, in plain Python, goes over every snapshot in the true order of events, which only it knows: nothing in it
is shared with the store but the rules for what is told.
"""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import msgspec
from hypothesis import given
from hypothesis import strategies as st

from probe.fleet.chronicle import Chronicle, LinkSeen, Observation, Scribe, from_bytes, to_bytes
from probe.fleet.rows import LinkRow, RiseRow
from probe.fleet.telling import rows_of
from tests.fleet.made import DAY_0_S, EMPTY, HOUR_S, LINK, NOW_S, PLACE, UNREAD, counted, link, seen
from tests.search import search

STATES = (LINK, UNREAD, link(width=4, verdict="downtrained"), link(serial="00-02"), EMPTY)


class Told(NamedTuple):
    """One snapshot in the true order of events."""

    at_s: int
    boot: int
    state: LinkSeen | None
    errors: int | None


@st.composite
def histories(draw: st.DrawFn) -> list[tuple[Told, Observation]]:
    """A host's true history: boots after each other, snapshots in each, errors that only grow while it runs."""
    found = []
    began_s, number = DAY_0_S, draw(st.integers(0, 3))
    for boot in range(draw(st.integers(1, 3))):
        errors, at_s = 0, 0
        wrong = draw(st.sampled_from([0, 0, 0, -1_700_000_000, 400_000_000]))
        for _ in range(draw(st.integers(1, 6))):
            at_s += draw(st.sampled_from([60, 900, HOUR_S, 20 * HOUR_S]))
            errors += draw(st.sampled_from([0, 0, 1, 5]))
            state = draw(st.sampled_from([*STATES, LINK, LINK, None]))
            read = state is not None and state is not EMPTY and draw(st.booleans())
            links = () if state is None else (state,)
            counts = counted(errors) if read else msgspec.structs.replace(counted(), read=())
            item = seen(
                at_s, *links, boot=f"boot {9 - boot}", began_s=began_s, number=number, clock_off_s=wrong, counts=counts,
            )  # fmt: skip
            found.append((Told(began_s + at_s, boot, state, errors if read else None), item))
            number += 1
        began_s += at_s + draw(st.sampled_from([120, 5 * HOUR_S]))
    return found


def identities(history: Sequence[Told]) -> list[int | None]:
    """Which component was there each time, as a number: what was not read contradicts nothing."""
    groups: list[int | None] = []
    number, serial = 0, None
    for told in history:
        if told.state is None or told.state is EMPTY:
            groups.append(None)
        else:
            if serial is not None and told.state.serial is not None and told.state.serial != serial:
                number, serial = number + 1, None
            serial = serial or told.state.serial
            groups.append(number)
    return groups


def intervals(history: Sequence[Told]) -> Iterator[tuple[str, int | None, int | None]]:
    """Verdict, width and component of each stretch in which nothing changed."""
    before = None
    for told, who in zip(history, identities(history), strict=True):
        now = None if told.state is None else (told.state.verdict, told.state.width, who)
        if now != before and now is not None:
            yield now
        before = now


def errors(history: Sequence[Told]) -> int:
    """Errors that surely came while the host was watched."""
    total = 0
    known: int | None = None
    boot, last_group, first_boot = None, None, True
    for told, who in zip(history, identities(history), strict=True):
        if told.boot != boot:
            first_boot = boot is None
            boot, known = told.boot, None
        if told.state is EMPTY:
            last_group = None if told.errors is not None else last_group
        if told.errors is None:
            continue
        came = last_group is not None and who != last_group
        if came or (known is None and not first_boot):
            total += told.errors
        elif known is not None:
            total += told.errors - known
        known, last_group = told.errors, who
    return total


@search(200)
@given(history=histories(), data=st.data())
def test_any_order_and_any_repetition(history: list[tuple[Told, Observation]], data: st.DataObject) -> None:
    files = [item for _, item in history]
    shuffled = data.draw(st.permutations([*files, *data.draw(st.lists(st.sampled_from(files), max_size=3))]))
    scribe = Scribe(Chronicle("id h"))
    for item in shuffled:
        if data.draw(st.booleans()):  # as between two ingests
            scribe = Scribe(from_bytes(to_bytes(scribe.chronicle)))
        scribe.add(item, NOW_S)
    straight = Scribe(Chronicle("id h"))
    for item in files:
        straight.add(item, NOW_S)
    assert rows_of(scribe.chronicle) == rows_of(straight.chronicle)


@search(300)
@given(history=histories())
def test_rows_are_those_of_an_independent_reckoning(history: list[tuple[Told, Observation]]) -> None:
    scribe = Scribe(Chronicle("id h"))
    for _, item in reversed(history):
        scribe.add(item, NOW_S)
    found = rows_of(scribe.chronicle)
    truth = [told for told, _ in history]
    links = [row for row in found["links"] if isinstance(row, LinkRow) and row.place_id == PLACE]
    assert [(row.verdict, row.width) for row in links] == [(verdict, width) for verdict, width, _ in intervals(truth)]
    last = truth[-1].state
    assert [row.verdict for row in links if row.to_s is None] == ([] if last is None else [last.verdict])
    rises = [row for row in found["rises"] if isinstance(row, RiseRow)]
    assert sum(row.events for row in rises) == errors(truth)
