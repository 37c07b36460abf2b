"""The course of a link: few spans that keep the least and the most, and nothing where nobody looked."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.links.link import WhichEnd
from probe.loads.results import BOTH, TO_HOST, Pass
from probe.observe.events import CountedErrors
from probe.registers.errors import Severity
from probe.soak.course import MOST_SPANS, Course, ValueSpan, courses, fewer
from probe.soak.journal import Entry, Gap, LinkSample, Passes, Sample
from probe.soak.rates import Rates
from probe.soak.thinning import Sizes, thinned
from tests.soak.test_record import PLACE, start


def sample(t: float, speed: float | None = 16.0, moved: float | None = 5e9, heat: float = 40.0) -> Sample:
    return Sample(t, {PLACE: LinkSample(speed, None if speed is None else 4, moved, moved and moved / 2, heat)})


def course(*entries: Entry, end_s: float = 100.0) -> Course:
    return courses([start(), *entries], end_s)[PLACE]


def test_a_state_is_one_span_as_long_as_it_stays() -> None:
    found = course(*(sample(float(t), 16.0 if t < 40 else 8.0) for t in range(100)), end_s=99.0)
    assert [(span.t, span.until, str(span.state)) for span in found.states] == [
        (0.0, 40.0, "16 GT/s x4"),
        (40.0, 99.0, "8 GT/s x4"),
    ]


def test_a_link_that_is_down_has_a_span_without_a_state() -> None:
    found = course(*(sample(float(t), None if 10 <= t < 20 else 16.0) for t in range(30)))
    assert [(span.t, span.until, span.state is None) for span in found.states] == [
        (0.0, 10.0, False), (10.0, 20.0, True), (20.0, 29.0, False),
    ]  # fmt: skip


@pytest.mark.parametrize("told", [True, False])
def test_where_nobody_looked_there_is_nothing(told: bool) -> None:
    """A gap that is told, or samples that are missing."""
    gap = [Gap(t=60.0, since=20.0, why="the host was suspended")] if told else []
    found = course(*(sample(float(t)) for t in range(21)), *gap, *(sample(float(t)) for t in range(60, 70)))
    assert [(span.t, span.until) for span in found.states] == [(0.0, 20.0), (60.0, 69.0)]
    assert not any(span.t < 60.0 < span.until or 20.0 < span.until < 60.0 for span in found.heat)


def test_a_thinned_span_keeps_what_it_saw() -> None:
    fine = [sample(float(t), 16.0 if t < 30 else 8.0, heat=40.0 + t) for t in range(60)]
    thin = thinned([start(), *fine, *(sample(float(t)) for t in range(60, 70))], Sizes(fine=10, bucket=60))
    found = course(*list(thin)[1:])
    first = found.states[0]
    assert (first.t, first.until, str(first.state), first.several) == (0.0, 60.0, "8 GT/s x4", True)
    assert (found.heat[0].least, found.heat[0].most) == (40.0, 99.0)


def test_counters_come_before_what_the_loads_say() -> None:
    item = Pass(t=50.0, load="x", target="x", place_id=PLACE, direction=BOTH, bytes=10, seconds=2.0)
    assert set(course(sample(0.0), sample(1.0), item).rates) == {TO_HOST, "from host"}
    found = course(sample(0.0, moved=None), sample(1.0, moved=None), item)
    assert not found.by_counters
    assert found.rates == {BOTH: (ValueSpan(48.0, 50.0, 5.0, 5.0, 5.0),)}


def test_many_passes_as_one_keep_the_least_and_the_most() -> None:
    like = Pass(t=50.0, load="x", target="x", place_id=PLACE, direction=BOTH, bytes=10, seconds=2.0)
    many = Passes(t=50.0, since=10.0, like=like, rates=Rates.of([2.0, 4.0, 9.0]))
    (span,) = course(sample(0.0, moved=None), sample(1.0, moved=None), many).rates[BOTH]
    assert (span.t, span.until, span.least, span.most) == (10.0, 50.0, 2.0, 9.0)
    assert span.mean == pytest.approx(4.0, rel=0.01)


def test_errors_of_a_moment_are_one_span() -> None:
    def errors(t: float, severity: Severity, count: int) -> CountedErrors:
        return CountedErrors(
            t=t, place_id=PLACE, end=WhichEnd.PORT, function="x", severity=severity, error="x", count=count
        )

    found = course(
        sample(0.0), errors(50.0, Severity.CORRECTABLE, 2), errors(50.1, Severity.CORRECTABLE, 3),
        errors(50.1, Severity.FATAL, 1), errors(90.0, Severity.CORRECTABLE, 1),
    )  # fmt: skip
    assert [(span.correctable, span.uncorrectable) for span in found.errors] == [(5, 1), (1, 0)]


@given(st.lists(st.floats(0.0, 1e10), min_size=1, max_size=900))
def test_fewer_spans_lose_neither_the_least_nor_the_most(values: list[float]) -> None:
    spans = [ValueSpan(float(t), t + 1.0, value, value, value) for t, value in enumerate(values)]
    kept = list(fewer(spans, float(len(values))))
    assert len(kept) <= MOST_SPANS
    assert min(span.least for span in kept) == min(values)
    assert max(span.most for span in kept) == max(values)
    assert (kept[0].t, kept[-1].until) == (0.0, float(len(values)))
    assert all(span.least <= span.mean * (1 + 1e-9) and span.mean <= span.most * (1 + 1e-9) for span in kept)


def test_a_link_that_flaps_shows_its_worst() -> None:
    flapping = [sample(float(t), 16.0 if t % 2 else 2.5) for t in range(2000)]
    found = course(*flapping, end_s=1999.0)
    assert len(found.states) <= MOST_SPANS
    assert {str(span.state) for span in found.states} == {"2.5 GT/s x4"}
    assert all(span.several for span in found.states)
