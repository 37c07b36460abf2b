"""Bit error ratios against published tables, and against scipy as an independent witness."""

import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from probe.errors.bit_error_ratio import clean_seconds, interval, lower_mean, upper_mean
from tests.search import search

# Units of bits x 1e12 for 1e-12. The table prints 0.8117 for three errors at most bits: a misprint for 0.8177.
AGILENT = pytest.mark.published("Agilent J-BERT N4903B user guide, table 25, p. 247, one-sided 95 %")


@AGILENT
@pytest.mark.parametrize(("errors", "printed"), list(enumerate((2.996, 4.744, 6.296, 7.754, 9.154, 10.51, 11.84))))
def test_bits_at_least(errors: int, printed: float) -> None:
    assert upper_mean(errors, 0.95) == pytest.approx(printed, rel=5e-4)


@AGILENT
@pytest.mark.parametrize(
    ("errors", "printed"),
    [(1, 0.05129), (2, 0.3554), (3, 0.81769), (4, 1.366), (5, 1.970), (6, 2.613), (7, 3.285)],
)
def test_bits_at_most(errors: int, printed: float) -> None:
    assert lower_mean(errors, 0.95) == pytest.approx(printed, rel=5e-4)


@pytest.mark.published("Agilent J-BERT N4903B user guide, table 3, p. 28, error-free time at 95 %")
@pytest.mark.parametrize(
    ("rate", "ratio", "seconds", "rel"),
    [
        (9.95328e9, 1e-12, 300, 0.01), (9.95328e9, 1e-11, 30, 0.01), (2.48832e9, 1e-12, 1200, 0.01),
        (2.48832e9, 1e-10, 12, 0.01), (622.08e6, 1e-12, 4800, 0.01), (155.52e6, 1e-12, 5.3 * 3600, 0.02),
    ],
)  # fmt: skip
def test_error_free_time(rate: float, ratio: float, seconds: float, rel: float) -> None:
    assert clean_seconds(rate, ratio) == pytest.approx(seconds, rel=rel)


@pytest.mark.published(
    "J. Redd (Maxim), Lightwave, April 2000; figures of the note from memory, 99 %, 1e-10, 2.488 Gb/s"
)
@pytest.mark.parametrize(("errors", "seconds"), list(enumerate((18.5, 26.7, 33.8, 40.4, 46.6))))
def test_maxim_times(errors: int, seconds: float) -> None:
    assert clean_seconds(2.488e9, 1e-10, 0.99, errors) == pytest.approx(seconds, abs=0.06)


@pytest.mark.published("F. Garwood, Biometrika 28:437, 1936: two-sided 95 % interval of a count")
@pytest.mark.parametrize(
    ("count", "low", "high"),
    [
        (0, 0.0, 3.6889), (1, 0.0253, 5.5716), (2, 0.2422, 7.2247), (3, 0.6187, 8.7673), (4, 1.0899, 10.2416),
        (5, 1.6235, 11.6683), (10, 4.7954, 18.3904), (20, 12.2165, 30.8884), (100, 81.3640, 121.6268),
    ],
)  # fmt: skip
def test_garwood(count: int, low: float, high: float) -> None:
    assert interval(count, 0.95) == pytest.approx((low, high), abs=6e-5)


@pytest.mark.published("GraphPad FAQ on counts, 25 events")
@pytest.mark.parametrize(
    ("confidence", "low", "high"), [(0.90, 17.38, 34.92), (0.95, 16.18, 36.90), (0.99, 14.00, 41.00)]
)
def test_graphpad(confidence: float, low: float, high: float) -> None:
    assert interval(25, confidence) == pytest.approx((low, high), abs=0.006)


@pytest.mark.published("MathWorks berconfint: 100 errors in 1e6 bits, 90 %, Poisson bounds")
def test_mathworks() -> None:
    low, high = interval(100, 0.90)
    assert (low / 1e6, high / 1e6) == pytest.approx((8.41393e-5, 1.18079e-4), rel=1e-5)


@pytest.mark.published("arithmetic of the specification's 1e-12 and the rates: clean seconds at 95 %, one direction")
@pytest.mark.parametrize(
    ("gts", "lanes", "seconds"), [(2.5, 1, 1198.28), (8, 4, 93.62), (16, 16, 11.70), (32, 16, 5.85)]
)
def test_clean_seconds_of_links(gts: float, lanes: int, seconds: float) -> None:
    assert clean_seconds(gts * 1e9 * lanes) == pytest.approx(
        seconds, rel=1.2e-5, abs=0.006
    )  # they cut 2.99573 to 2.9957


@pytest.mark.published("scipy.stats.chi2: upper mean is chi2(C; 2k+2)/2, lower chi2(1-C; 2k)/2")
@search(200)
@given(st.integers(0, 2000), st.floats(0.5, 0.999999))
def test_scipy_agrees(errors: int, confidence: float) -> None:
    assert upper_mean(errors, confidence) == pytest.approx(
        scipy.stats.chi2.ppf(confidence, 2 * errors + 2) / 2, rel=1e-7
    )
    if errors:
        expected = scipy.stats.chi2.ppf(1 - confidence, 2 * errors) / 2
        assert lower_mean(errors, confidence) == pytest.approx(expected, rel=1e-7, abs=1e-9)
