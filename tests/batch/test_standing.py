"""Who is odd among readings of one kind, and when nobody can be."""

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from probe.batch.rates import events_at_least, trials_at_least
from probe.batch.readings import Count, Number, Reading, Word
from probe.batch.standing import Standing, compared, fewest_for_odd, surely_usual

ODD, APART, SPLIT, USUAL, ALONE, UNKNOWN = Standing


def words(text: str) -> list[Reading | None]:
    """A letter a machine; a question mark is not read."""
    return [None if letter == "?" else Word(letter) for letter in text]


@pytest.mark.parametrize(("text", "told", "needed"), [
    ("aaaaaaab", "uuuuuuuO", 0),
    ("aaaaaab", "uuuuuuA", 1),
    ("aaab", "uuuA", 4),
    ("aab", "uuA", 5),
    ("aabb", "SSSS", None),
    ("ab", "SS", None),
    ("aabc", "SSSS", None),
    ("aaabc", "uuuAA", 6),
    ("aaaa", "uuuu", None),
    ("a?", "-?", None),
    ("??", "??", None),
    ("aaaaaaa?b", "uuuuuuu?O", 0),
    ("aaaaaaaaaabb", "uuuuuuuuuuOO", 0),
    ("aaaaaaabb", "uuuuuuuAA", 2),
])  # fmt: skip
def test_words(text: str, told: str, needed: int | None) -> None:
    letters = {ODD: "O", APART: "A", SPLIT: "S", USUAL: "u", ALONE: "-", UNKNOWN: "?"}
    found = compared(words(text))
    assert "".join(letters[standing] for standing in found.standings) == told
    assert found.needed == needed


def test_a_split_has_no_usual() -> None:
    assert compared(words("aabb")).usual is None
    assert compared(words("aaab")).usual == Word("a")


def test_the_least_number_that_decides() -> None:
    assert fewest_for_odd() == 8


@pytest.mark.parametrize(("values", "odd"), [
    ([0.24, 0.25, 0.26, 0.24, 0.25, 0.26, 0.25, 0.10], {7}),
    ([0.24] * 7 + [0.22], set()),  # a step below equals is how finely it is known
    ([0.24] * 7 + [0.30], set()),  # wider is no fault
    ([0.24] * 7 + [0.12], {7}),
    ([0.10, 0.15, 0.20, 0.25, 0.30, 0.35, 0.40, 0.45], set()),
])  # fmt: skip
def test_numbers_of_which_less_is_worse(values: list[float], odd: set[int]) -> None:
    found = compared([Number(value, 0.02) for value in values])
    assert {number for number, standing in enumerate(found.standings) if standing is ODD} == odd


@pytest.mark.parametrize(("counts", "hours", "odd"), [
    ([0] * 11 + [61], [100.0] * 12, {11}),
    ([0] * 11 + [1], [100.0] * 12, set()),
    ([3] * 11 + [60], [100.0] * 11 + [2000.0], set()),  # as often as the others, for longer
    ([5, 7, 4, 6, 5, 8, 6, 5, 4, 7, 6, 9], [100.0] * 12, set()),
    ([0] * 10 + [90, 5000], [100.0] * 12, {10, 11}),  # the larger does not hide the smaller
    ([50] * 11 + [0], [100.0] * 12, set()),  # fewer is no fault
])  # fmt: skip
def test_counts_of_which_more_is_worse(counts: list[int], hours: list[float], odd: set[int]) -> None:
    found = compared([Count(count, of) for count, of in zip(counts, hours, strict=True)])
    assert {number for number, standing in enumerate(found.standings) if standing is ODD} == odd


def test_counts_of_which_half_are_high_are_a_split() -> None:
    assert set(compared([Count(count, 100.0) for count in (0, 0, 200, 200)]).standings) == {SPLIT}


def test_trainings() -> None:
    found = compared([Count(short, 100, trials=True) for short in [0] * 9 + [7]])
    assert found.standings[-1] is ODD
    assert compared([Count(short, 100, trials=True) for short in [0] * 9 + [1]]).standings[-1] is USUAL


def test_readings_of_several_kinds_are_a_mistake() -> None:
    with pytest.raises(TypeError, match="several kinds"):
        compared([Word("a"), Number(1.0)])


READINGS = st.one_of(
    st.lists(st.none() | st.sampled_from("abc").map(Word), min_size=1, max_size=14),
    st.lists(st.none() | st.floats(0, 1).map(lambda value: Number(value, 0.02)), min_size=1, max_size=14),
    st.lists(
        st.none() | st.builds(Count, st.integers(0, 900_000), st.sampled_from((0.0, 0.5, 100.0, 2000.0))),
        min_size=1, max_size=14,
    ),
)  # fmt: skip


@given(READINGS, st.randoms())
def test_the_order_of_readings_changes_nothing(readings: list[Reading | None], order: Random) -> None:
    numbers = list(range(len(readings)))
    order.shuffle(numbers)
    plain, mixed = compared(readings), compared([readings[number] for number in numbers])
    assert [plain.standings[number] for number in numbers] == list(mixed.standings)
    assert (plain.usual, plain.alike, plain.known, plain.needed) == (
        mixed.usual,
        mixed.alike,
        mixed.known,
        mixed.needed,
    )


@given(READINGS, st.data())
def test_what_was_not_read_is_never_odd_and_makes_nobody_odd(
    readings: list[Reading | None], data: st.DataObject
) -> None:
    found = compared(readings)
    for reading, standing in zip(readings, found.standings, strict=True):
        assert (reading is None) == (standing is UNKNOWN)
    more = data.draw(st.integers(1, 4))
    padded = compared([*readings, *[None] * more])
    assert padded.standings[: len(readings)] == found.standings


@given(st.integers(2, 50), st.data())
def test_who_is_odd_is_a_minority_of_which_most_surely_are_not(known: int, data: st.DataObject) -> None:
    alike = data.draw(st.integers(0, known))
    if surely_usual(alike, known):
        assert alike > known - alike


@pytest.mark.published("scipy.stats.binomtest and fisher_exact, one-sided")
@pytest.mark.parametrize(("seen", "events", "share"), [(3, 3, 1 / 12), (61, 61, 0.083), (9, 40, 0.1), (500, 4000, 0.1)])
def test_the_chance_of_so_many_events(seen: int, events: int, share: float) -> None:
    expected = stats.binomtest(seen, events, share, alternative="greater").pvalue
    assert events_at_least(seen, events, share) == pytest.approx(expected, rel=1e-9)


@pytest.mark.published("scipy.stats.binomtest and fisher_exact, one-sided")
@pytest.mark.parametrize(("seen", "trials", "short", "total"), [(7, 100, 7, 1000), (5, 50, 9, 600), (20, 40, 60, 400)])
def test_the_chance_of_so_many_short_trainings(seen: int, trials: int, short: int, total: int) -> None:
    table = [[seen, trials - seen], [short - seen, total - trials - short + seen]]
    expected = stats.fisher_exact(table, alternative="greater").pvalue
    assert trials_at_least(seen, trials, short, total) == pytest.approx(expected, rel=1e-7)


@pytest.mark.published("scipy.stats.binomtest: the sign test, at 5 %")
@pytest.mark.parametrize("known", range(2, 51))
def test_the_sign_test(known: int) -> None:
    for alike in range(known + 1):
        expected = stats.binomtest(alike, known, 0.5, alternative="greater").pvalue
        assert surely_usual(alike, known) == (expected <= 0.05), (alike, known)
