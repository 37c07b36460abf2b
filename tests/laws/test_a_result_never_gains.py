"""A worse history never gives a better result; nor does a record that was cut, damaged, thinned, or put in another order."""

from typing import Any

import msgspec
from hypothesis import given
from hypothesis import strategies as st

from probe.loads.results import FROM_HOST, TO_HOST, Pass
from probe.result import Result
from probe.soak.journal import Damaged, Entry, Gap, LoadEnded, Sample, moment
from probe.soak.reading import entries_of
from probe.soak.record import Record, record
from probe.soak.thinning import Sizes, thinned
from tests.laws import histories as made
from tests.laws.histories import BAD_EVENTS, LONGEST_PASS_S, PLACES, Draw, History, histories
from tests.search import search

BETTER = (Result.FAILED, Result.INCONCLUSIVE, Result.PASSED)
SIZES = Sizes(fine=3 * LONGEST_PASS_S, bucket=3, coarse=4)
LOWER: dict[tuple[float | None, int | None], list[tuple[float | None, int | None]]] = {
    (16.0, 4): [(8.0, 4), (16.0, 2), (2.5, 1)],
    (8.0, 4): [(2.5, 4), (8.0, 2)],
    (16.0, 2): [(2.5, 2), (16.0, 1)],
}


def no_better(after: Record, before: Record) -> None:
    assert BETTER.index(after.result) <= BETTER.index(before.result)
    for now, then in zip(after.links, before.links, strict=True):
        assert BETTER.index(now.result) <= BETTER.index(then.result), (now.reasons, then.reasons)


def among(entries: list[Entry], entry: Entry) -> list[Entry]:
    """With one more entry at its moment."""
    at = next(index for index, item in enumerate(entries) if index and moment(item) >= moment(entry))
    return [*entries[:at], entry, *entries[at:]]


def worse(draw: Draw, history: History) -> list[Entry]:
    """The same with something more that is bad."""
    entries = list(history.entries)
    samples = [index for index, item in enumerate(entries) if isinstance(item, Sample)]
    index = draw(st.sampled_from(samples))
    sample = entries[index]
    assert isinstance(sample, Sample)
    match draw(st.sampled_from(["errors", "event", "state", "differs", "load", "end", "no end"])):
        case "errors":
            return among(entries, made.errors(draw, sample.t))
        case "event":
            return among(entries, made.event(draw, sample.t, BAD_EVENTS, bad=True))
        case "differs":
            return among(entries, made.mismatch(draw, sample.t))
        case "load":
            return [*entries[:-1], LoadEnded(t=sample.t, load="x", failure="gone"), entries[-1]]
        case "end":
            return [*entries[:-1], msgspec.structs.replace(entries[-1], complete=False)]
        case "no end":
            return entries[:-1]
        case _:
            entries[index] = _slower(draw, sample)
            return entries


def _slower(draw: Draw, sample: Sample) -> Sample:
    place = draw(st.sampled_from(PLACES))
    was = sample.links[place]
    speed, width = draw(st.sampled_from(LOWER.get((was.speed_gts, was.width), [(was.speed_gts, was.width)])))
    now = msgspec.structs.replace(was, speed_gts=speed, width=width)
    return Sample(sample.t, sample.links | {place: now})


@search(150)
@given(histories(), st.data())
def test_a_worse_history(history: History, data: st.DataObject) -> None:
    no_better(record(worse(data.draw, history)), record(history.entries))


@search(100)
@given(histories(troubled=False), st.data())
def test_a_worse_history_of_a_good_one(history: History, data: st.DataObject) -> None:
    no_better(record(worse(data.draw, history)), record(history.entries))


@search(150)
@given(histories(troubled=False), st.sampled_from([0.2, 0.75]), st.data())
def test_a_worse_rate(history: History, at_least: float, data: st.DataObject) -> None:
    """A link that carries less one way, and is under load still; what is asked for only ever costs a result."""
    asked = [msgspec.structs.replace(history.start, at_least=at_least), *history.entries[1:]]
    no_better(record(asked), record([msgspec.structs.replace(history.start, at_least=None), *history.entries[1:]]))
    slower = data.draw(st.floats(0.3, 1.0))
    ways = data.draw(st.sampled_from([[TO_HOST], [FROM_HOST], [TO_HOST, FROM_HOST]]))
    place = data.draw(st.sampled_from(PLACES))
    less = [_slower_pass(entry, slower) if _goes(entry, place, ways) else entry for entry in asked]
    no_better(record(less), record(asked))


def _goes(entry: Entry, place: str, ways: list[str]) -> bool:
    return isinstance(entry, Pass) and entry.place_id == place and entry.direction in ways


def _slower_pass(entry: Entry, share: float) -> Entry:
    assert isinstance(entry, Pass)
    return msgspec.structs.replace(entry, bytes=int(entry.bytes * share))


@search(100)
@given(histories(), st.data())
def test_less_that_is_known(history: History, data: st.DataObject) -> None:
    """What nobody saw never makes a failed link a passed one."""
    entries = list(history.entries)
    samples = [index for index, item in enumerate(entries) if isinstance(item, Sample)]
    index = data.draw(st.sampled_from(samples))
    sample, before = entries[index], entries[samples[max(samples.index(index) - 1, 0)]]
    assert isinstance(sample, Sample)
    assert isinstance(before, Sample)
    gap = Gap(t=sample.t, since=before.t, why="the program was stopped")
    hidden = gap if data.draw(st.booleans()) else Damaged(t=sample.t, line=index + 1)
    known, less = record(entries), record([*entries[:index], hidden, *entries[index:]])
    for now, then in zip(less.links, known.links, strict=True):
        assert (now.result is not Result.PASSED) or (then.result is not Result.FAILED)


@search(60)
@given(histories(), st.data())
def test_a_record_that_was_cut_or_damaged(history: History, data: st.DataObject) -> None:
    whole = record(history.entries)
    lines = [msgspec.json.encode(entry) + b"\n" for entry in history.entries]
    number = data.draw(st.integers(1, len(lines) - 1))
    cut = data.draw(st.integers(0, len(lines[number]) - 1))
    damaged = [*lines[:number], lines[number][:cut] + b"\n", *lines[number + 1 :]]
    for left in (b"".join([*lines[:number], lines[number][:cut]]), b"".join(damaged)):
        found = record(entries_of(left, "x"))
        assert found.result is not Result.PASSED or whole.result is Result.PASSED
        no_better(found, whole) if whole.result is Result.PASSED else None


def told(found: Record) -> Any:
    """What a record comes to, without its sentences."""
    return (
        found.result, found.urgent, found.samples, found.complete, sum(item.times for item in found.mismatches),
        sorted(str((item.place_id, item.direction, item.passes, item.median_bytes_s, item.share)) for item in found.throughput),
        sorted(
            (
                link.place_id, link.result, link.loaded, link.transitions, link.loaded_s, link.below_s, link.hottest_c,
                link.errors_before_baseline, str(link.best), str(link.worst), sorted(link.seconds_in.items()),
                link.under_load, link.urgent,
                [(item.direction, item.events) for item in link.errors],
            )
            for link in found.links
        ),
    )  # fmt: skip


@search(150)
@given(histories(), st.sets(st.integers(20, 400), max_size=4))
def test_a_record_that_was_thinned_now_and_then(history: History, when: set[int]) -> None:
    written: list[Entry] = []
    for number, entry in enumerate(history.entries):
        if number in when:
            written = list(thinned(written, SIZES))
        written.append(entry)
    assert told(record(written)) == told(record(history.entries))
    assert told(record(list(thinned(written, SIZES)))) == told(record(history.entries))


@search(60)
@given(histories(), st.permutations(PLACES))
def test_links_in_another_order(history: History, places: list[str]) -> None:
    links = sorted(history.start.snapshot.links, key=lambda link: places.index(link.place_id))
    start = msgspec.structs.replace(
        history.start,
        place_ids=tuple(places),
        snapshot=msgspec.structs.replace(history.start.snapshot, links=tuple(links)),
    )
    shuffled = [start, *(in_order(entry, places) for entry in history.entries[1:])]
    assert told(record(shuffled)) == told(record(history.entries))


def in_order(entry: Entry, places: list[str]) -> Entry:
    return Sample(entry.t, {place: entry.links[place] for place in places}) if isinstance(entry, Sample) else entry


def test_the_histories_reach_every_result() -> None:
    """A law over histories that all fail the same way would say nothing."""
    seen: set[Result] = set()

    @search(200, database=None)
    @given(st.booleans().flatmap(lambda troubled: histories(troubled=troubled)))
    def look(history: History) -> None:
        found = record(history.entries)
        seen.update([found.result, *(link.result for link in found.links)])

    look()
    assert seen == set(Result)
