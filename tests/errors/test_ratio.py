"""The ratio of a stated link: what is refused, and the bounds of great counts, whose sums hold few terms."""

import pytest

from probe.errors.bit_error_ratio import lower_mean, upper_mean
from probe.errors.ratio import ratio
from probe.exceptions import InputError

NAN, INFINITE = float("nan"), float("inf")


@pytest.mark.parametrize("hours", [NAN, INFINITE, -INFINITE, 0.0, -1.0, 1e300])
def test_no_time(hours: float) -> None:
    with pytest.raises(InputError, match=r"--hours \S+: is no time"):
        ratio("16", "x4", errors=1, hours=hours, confidence=0.95)


@pytest.mark.parametrize("target", [NAN, INFINITE, 0.0, -1e-12, 1.0, 1e-310])
def test_no_ratio(target: float) -> None:
    with pytest.raises(InputError, match=r"--target \S+: is no ratio"):
        ratio("16", "x4", errors=None, hours=None, confidence=0.95, target=target)


@pytest.mark.parametrize("confidence", [NAN, INFINITE, 0.0, 1.0, -0.5])
def test_no_confidence(confidence: float) -> None:
    with pytest.raises(InputError, match="no confidence"):
        ratio("16", "x4", errors=1, hours=1.0, confidence=confidence)


def test_more_errors_than_can_be_bounded() -> None:
    with pytest.raises(InputError, match="too many errors for exact bounds"):
        ratio("16", "x4", errors=10**12, hours=1.0, confidence=0.95)


def test_bounds_of_a_million_errors() -> None:
    found = ratio("16", "x4", errors=1_000_000, hours=1.0, confidence=0.95)
    assert found.low is not None
    assert found.estimate is not None
    assert found.upper is not None
    assert found.low < found.estimate < found.upper


@pytest.mark.published("Wilson and Hilferty, Proc. Natl. Acad. Sci. 17:684 (1931), as an outside approximation")
@pytest.mark.parametrize("errors", [1_000, 100_000, 10_000_000])
def test_bounds_of_great_counts(errors: int) -> None:
    z = 1.6448536269514722  # 95 %, one-sided

    def approximate(count: int, sign: float) -> float:
        return float(count * (1 - 1 / (9 * count) + sign * z / (3 * count**0.5)) ** 3)

    assert upper_mean(errors, 0.95) == pytest.approx(approximate(errors + 1, 1.0), rel=1e-5)
    assert lower_mean(errors, 0.95) == pytest.approx(approximate(errors, -1.0), rel=1e-5)
