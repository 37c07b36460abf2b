"""The ratio of a stated link: what is refused, and the bounds of great counts, whose sums hold few terms."""

import pytest

from probe.errors.bit_error_ratio import lower_mean, poisson_at_least, poisson_at_most, upper_mean
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


def test_the_bits_of_a_link() -> None:
    """16 GT/s x4 for an hour is 16e9 x 4 x 3600 bits each way; with 2 errors 8.68e-15. Bounds: Garwood's table at 95 %."""
    found = ratio("16", "x4", errors=2, hours=1.0, confidence=0.95)
    bits = 16e9 * 4 * 3600
    assert (found.speed_gts, found.width, found.confidence, found.target) == (16.0, 4, 0.95, 1e-12)
    assert (found.errors, found.hours, found.bits) == (2, 1.0, bits)
    assert found.estimate == pytest.approx(2 / bits)
    assert ratio("16", "x4", errors=2, hours=36.0, confidence=0.95).bits == pytest.approx(36 * bits)
    assert found.low == pytest.approx(0.2422 / bits, rel=1e-3)
    assert found.high == pytest.approx(7.2247 / bits, rel=1e-4)
    assert found.upper == pytest.approx(6.2958 / bits, rel=1e-4)  # one-sided, 95 %
    assert found.clean_s == pytest.approx(2.9957 / (1e-12 * 16e9 * 4), rel=1e-4)


def test_without_errors_only_the_clean_time_is_told() -> None:
    found = ratio("32", "x16", errors=None, hours=None, confidence=0.95, target=1e-13)
    assert found.clean_s == pytest.approx(58.5, rel=1e-3)
    assert (found.errors, found.hours, found.bits, found.estimate) == (None, None, None, None)
    assert (found.low, found.high, found.upper) == (None, None, None)


@pytest.mark.parametrize(("errors", "hours"), [(1, None), (None, 1.0)])
def test_errors_and_hours_go_together(errors: int | None, hours: float | None) -> None:
    with pytest.raises(InputError, match="one was given without the other"):
        ratio("16", "x4", errors=errors, hours=hours, confidence=0.95)


@pytest.mark.parametrize("speed", ["64", "128"])
def test_no_ratio_in_flit_mode(speed: str) -> None:
    with pytest.raises(InputError, match="Flit mode"):
        ratio(speed, "x4", errors=None, hours=None, confidence=0.95)
    assert ratio("32", "x4", errors=None, hours=None, confidence=0.95).speed_gts == 32.0


@pytest.mark.parametrize(("errors", "fine"), [(-1, False), (0, True), (1_000_000_000, True), (1_000_000_001, False)])
def test_the_borders_of_a_count(errors: int, *, fine: bool) -> None:
    if fine:
        assert upper_mean(errors, 0.95) > errors
        return
    for bound in (upper_mean, lower_mean):
        with pytest.raises(InputError, match="errors"):
            bound(errors, 0.95)


@pytest.mark.parametrize(("hours", "fine"), [(1e-9, True), (9_999_999.0, True), (1e7, False)])
def test_the_borders_of_a_time(hours: float, *, fine: bool) -> None:
    if fine:
        assert ratio("16", "x4", errors=1, hours=hours, confidence=0.95).hours == hours
    else:
        with pytest.raises(InputError, match="is no time"):
            ratio("16", "x4", errors=1, hours=hours, confidence=0.95)


def test_probabilities_of_either_side_add_up() -> None:
    """Poisson with mean 3: P(0) = e^-3 = 0.049787, P(at most 2) = 0.423190, P(at most 4) = 0.815263 (any table)."""
    assert poisson_at_most(0, 3.0) == pytest.approx(0.049787, abs=1e-6)
    assert poisson_at_most(2, 3.0) == pytest.approx(0.423190, abs=1e-6)
    assert poisson_at_most(4, 3.0) == pytest.approx(0.815263, abs=1e-6)
    for errors in range(10):
        for mean in (0.5, 3.0, 3.5, 9.0):
            assert poisson_at_most(errors, mean) + poisson_at_least(errors + 1, mean) == pytest.approx(1.0)
    assert poisson_at_most(0, 0.0) == pytest.approx(1.0)
    assert poisson_at_least(1, 0.0) == pytest.approx(0.0)
    assert poisson_at_least(0, 0.0) == pytest.approx(1.0)
