"""How far a value lies from its fellows, held to the published formula on worked numbers."""

import pytest

from probe.compare.outlying import MOST_SCORE, Middle, middle_of


@pytest.mark.published(
    "Iglewicz and Hoaglin, How to Detect and Handle Outliers, ASQC 1993 (from memory): 0.6745 (x - median) / MAD, 3.5"
)
def test_the_score() -> None:
    middle = middle_of([2.0, 4.0, 6.0, 8.0, 100.0])
    assert middle == Middle(6.0, 2.0)
    assert MOST_SCORE == 3.5
    assert middle.score(100.0, 0.1) == pytest.approx(0.6745 * 94 / 2)
    assert middle.score(2.0, 0.1) == pytest.approx(-0.6745 * 2)
    assert middle.score(6.0, 0.1) == 0.0


@pytest.mark.parametrize(
    ("middle", "value", "step", "score"),
    [
        (Middle(10.0, 0.0), 11.0, 0.0, 0.6745 * 1 / 0.5),  # a twentieth of the median
        (Middle(-10.0, 0.0), -11.0, 0.0, -0.6745 * 1 / 0.5),
        (Middle(10.0, 0.0), 12.0, 4.0, 0.6745 * 2 / 2.0),  # half of how finely it is known
        (Middle(10.0, 3.0), 13.0, 1.0, 0.6745),
        (Middle(0.0, 0.0), 5.0, 0.0, 0.0),
        (Middle(0.0, 0.0), 5.0, 2.0, 0.6745 * 5),
    ],
)
def test_the_least_spread(middle: Middle, value: float, step: float, score: float) -> None:
    assert middle.score(value, step) == pytest.approx(score)


def test_the_middle_of_one_and_of_an_even_number() -> None:
    assert middle_of([4.0]) == Middle(4.0, 0.0)
    assert middle_of([1.0, 2.0, 4.0, 9.0]) == Middle(3.0, 1.5)
