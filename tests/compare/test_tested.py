"""What tests said of a link, before and after: each kind of change ranks and says itself."""

from typing import Any

import pytest

from probe.compare import tested  # whose Tested pytest would take for a test
from probe.compare.rank import Rank
from probe.result import Result

WORSE, NEUTRAL, BETTER = Rank
OF: dict[str, Any] = {"place": "slot 1", "test": "train"}
PASSED, FAILED, OPEN = Result.PASSED, Result.FAILED, Result.INCONCLUSIVE


def test_ranks_worst_first() -> None:
    assert [rank.order for rank in (WORSE, NEUTRAL, BETTER)] == [0, 1, 2]


@pytest.mark.parametrize(("result", "rank"), [(PASSED, NEUTRAL), (FAILED, WORSE), (OPEN, NEUTRAL)])
@pytest.mark.parametrize(
    ("restored", "back", "urgent"),
    [(True, None, False), (True, True, False), (True, False, True), (False, True, True), (False, None, True)],
)
def test_a_test(*, result: Result, rank: Rank, restored: bool, back: bool | None, urgent: bool) -> None:
    change = tested.Tested(**OF, at="noon", result=result, reasons=("a", "b"), restored=restored, back=back)
    assert (change.rank, change.urgent) == (rank, urgent)
    assert change.sentence == f"train {result}: a; b"
    assert change.evidence == "linkprobe train, noon"
    assert tested.Tested(**OF, at="noon", result=result).sentence == f"train {result}"


@pytest.mark.parametrize(
    ("before", "after", "rank"),
    [
        (PASSED, FAILED, WORSE), (OPEN, FAILED, WORSE), (FAILED, PASSED, BETTER), (FAILED, OPEN, NEUTRAL),
        (OPEN, PASSED, NEUTRAL), (PASSED, OPEN, NEUTRAL), (FAILED, FAILED, WORSE), (PASSED, PASSED, NEUTRAL),
    ],
)  # fmt: skip
def test_a_result(before: Result, after: Result, rank: Rank) -> None:
    change = tested.ResultChanged(**OF, before=before, after=after, reasons=("why",))
    assert (change.rank, change.urgent) == (rank, False)
    assert change.sentence == f"{before} before, {after} now: why"
    assert change.evidence == "two results of linkprobe train"


@pytest.mark.parametrize(
    ("before", "after", "apart", "rank"),
    [
        ((0, 20), (10, 20), True, WORSE), ((10, 20), (0, 20), True, BETTER), ((0, 20), (10, 20), False, NEUTRAL),
        ((1, 10), (2, 30), True, BETTER), ((1, 10), (4, 30), True, WORSE), ((5, 10), (10, 20), True, BETTER),
    ],
)  # fmt: skip
def test_a_share_of_trainings(before: tuple[int, int], after: tuple[int, int], *, apart: bool, rank: Rank) -> None:
    change = tested.ShareChanged(
        **OF, before_short=before[0], before_of=before[1], after_short=after[0], after_of=after[1], chance=0.0123,
        told_apart=apart,
    )  # fmt: skip
    assert change.rank is rank
    told = f"short in {before[0]} of {before[1]} before, in {after[0]} of {after[1]} now"
    apart_words = "" if apart else ": these numbers do not tell the two apart"
    assert change.sentence == f"{told}{apart_words} (Fisher's exact test: 0.012)"


@pytest.mark.parametrize(
    ("after", "rank", "words"), [(True, BETTER, "no before, yes now"), (False, WORSE, "yes before, no now")]
)
def test_a_speed(*, after: bool, rank: Rank, words: str) -> None:
    change = tested.GenerationChanged(**OF, speed_gts=16.0, what="trained", before=not after, after=after)
    assert (change.rank, change.sentence) == (rank, f"16 GT/s, trained: {words}")


def way(before: float, after: float, **least: bool) -> tested.WayChanged:
    return tested.WayChanged(side="timing_left", unit="steps", before=before, after=after, **least)


@pytest.mark.parametrize(
    ("ways", "comparable", "rank"),
    [
        ((way(10, 5),), True, WORSE), ((way(5, 10),), True, BETTER), ((way(5, 10), way(10, 9)), True, WORSE),
        ((way(10, 10),), True, BETTER), ((way(10, 5),), False, NEUTRAL), ((way(5, 10),), False, NEUTRAL),
    ],
)  # fmt: skip
def test_a_margin(ways: tuple[tested.WayChanged, ...], *, comparable: bool, rank: Rank) -> None:
    change = tested.MarginChanged(**OF, receiver=6, lane=3, ways=ways, comparable=comparable)
    assert change.rank is rank
    assert change.sentence == f"receiver 6, lane 3: {'; '.join(item.words for item in ways)}"
    assert tested.MarginChanged(**OF, receiver=6, lane=3, ways=ways).comparable


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        (way(10, 5), "timing left 10 before, 5 steps now"),
        (way(10, 5, before_at_least=True), "timing left at least 10 before, 5 steps now"),
        (way(10, 5, after_at_least=True), "timing left 10 before, at least 5 steps now"),
        (way(0.12345, 0.1), "timing left 0.123 before, 0.1 steps now"),
    ],
)
def test_a_way_of_a_lane(changed: tested.WayChanged, words: str) -> None:
    assert changed.words == words


def test_what_only_one_measured() -> None:
    change = tested.NotMeasured(**OF, what="lane 3", why="only before")
    assert (change.rank, change.urgent, change.sentence) == (NEUTRAL, False, "lane 3: only before")
