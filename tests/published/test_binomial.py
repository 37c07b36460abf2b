"""Exact bounds of a share, held to scipy and to the rule of three."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from probe.active.binomial import interval, none_shows


@pytest.mark.published("scipy.stats.binomtest, method exact (Clopper-Pearson)")
@given(st.integers(1, 3000).flatmap(lambda trials: st.tuples(st.integers(0, trials), st.just(trials))))
def test_the_interval_agrees_with_scipy(case: tuple[int, int]) -> None:
    seen, trials = case
    expected = binomtest(seen, trials).proportion_ci(confidence_level=0.95, method="exact")
    assert interval(seen, trials) == pytest.approx((expected.low, expected.high), rel=1e-8, abs=1e-12)


@pytest.mark.published("arithmetic: the share s at which (1 - s)^N is 5 %; reference notes, section 1")
@pytest.mark.parametrize(
    ("trials", "share"), [(20, 0.139), (59, 0.05), (100, 0.030), (299, 0.01), (1000, 0.0030), (2995, 0.001)]
)
def test_what_none_of_so_many_shows(trials: int, share: float) -> None:
    assert none_shows(trials) == pytest.approx(share, rel=0.02)
    assert (1.0 - none_shows(trials)) ** trials == pytest.approx(0.05)


@pytest.mark.published("Hanley and Lippman-Hand, JAMA 249:1743 (1983): the rule of three")
@pytest.mark.parametrize("trials", [100, 1000, 10_000])
def test_the_rule_of_three(trials: int) -> None:
    assert none_shows(trials) == pytest.approx(3.0 / trials, rel=0.03)
