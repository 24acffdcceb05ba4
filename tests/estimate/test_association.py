"""Association measures: by hand, against SciPy, and at the edges."""

from __future__ import annotations

from math import comb

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from failstats.errors import InputError
from failstats.estimate.association import (
    benjamini_hochberg,
    conditional_odds_ratio,
    fisher_exact,
    homogeneity,
    lift,
    mantel_haenszel,
    observed_over_expected,
    odds_ratio,
    rate_ratio,
    rogan_gladen,
    stratified_exact,
)

# Sums of a few hundred products against another library's.
SUMS = 1e-9
TABLES = st.lists(st.integers(0, 30), min_size=4, max_size=4).map(
    lambda cells: np.array(cells).reshape(2, 2)
)


def test_odds_ratio_by_hand():
    got = odds_ratio([[[8, 2], [4, 16]], [[1, 1], [1, 1]]])
    assert got.estimate.tolist() == [16.0, 1.0]
    half = stats.norm.ppf(0.975) * np.sqrt(1 / 8 + 1 / 2 + 1 / 4 + 1 / 16)
    assert got.low[0] == pytest.approx(16 * np.exp(-half))
    assert got.high[0] == pytest.approx(16 * np.exp(half))


def test_results_cannot_be_changed():
    got = odds_ratio([[[8, 2], [4, 16]]])
    with pytest.raises(ValueError, match="read-only"):
        got.low[0] = 0.0


def test_zero_cells_get_no_woolf_interval_but_an_exact_one():
    table = [[5, 0], [3, 9]]
    plain, exact = odds_ratio(table), conditional_odds_ratio(table)
    assert np.isinf(plain.estimate) and np.isnan(plain.low) and np.isnan(plain.high)
    assert np.isinf(exact.estimate) and np.isinf(exact.high) and exact.low > 1
    swapped = conditional_odds_ratio([[0, 5], [9, 3]])
    assert (swapped.estimate, swapped.low) == (0.0, 0.0)
    assert swapped.high == pytest.approx(1 / exact.low, rel=SUMS)
    assert np.isnan(conditional_odds_ratio([[0, 0], [3, 9]]).estimate)
    assert fisher_exact([[0, 0], [3, 9]]) == 1.0


@given(TABLES)
def test_fisher_is_scipys(table):
    for alternative in ("two-sided", "greater", "less"):
        want = stats.fisher_exact(table, alternative=alternative)[1]
        assert fisher_exact(table, alternative=alternative) == pytest.approx(want, abs=1e-10)


def test_conditional_interval_is_scipys():
    rng = np.random.default_rng(1)
    for table in rng.integers(1, 40, (20, 2, 2)):
        other = stats.contingency.odds_ratio(table, kind="conditional")
        got = conditional_odds_ratio(table, confidence_level=0.9)
        limits = other.confidence_interval(0.9)
        # SciPy's own root search stops near 1e-6.
        assert got.estimate == pytest.approx(other.statistic, rel=1e-5)
        assert (got.low, got.high) == pytest.approx((limits.low, limits.high), rel=1e-5)


def test_mid_p_counts_half_of_the_observed_table():
    # Tea tasting: P(3) = 16/70, P(4) = 1/70.
    value = fisher_exact([[3, 1], [1, 3]], alternative="greater", mid_p=True)
    assert value == pytest.approx((1 + 8) / 70)
    both = fisher_exact([[3, 1], [1, 3]], mid_p=True)
    assert both == pytest.approx(2 * 9 / 70)
    wide, short = (conditional_odds_ratio([[8, 2], [4, 16]], mid_p=m) for m in (False, True))
    assert wide.low < short.low < short.estimate < short.high < wide.high


@given(TABLES)
def test_mid_p_and_its_interval_agree(table):
    p = float(fisher_exact(table, mid_p=True))
    got = conditional_odds_ratio(table, mid_p=True)
    if abs(p - 0.05) > 1e-6 and np.isfinite(got.low):
        assert (p < 0.05) == bool(got.low > 1 or got.high < 1)


def test_many_tables_at_once_are_each_alone():
    tables = np.random.default_rng(2).integers(0, 12, (3, 5, 2, 2))
    for measure in (odds_ratio, conditional_odds_ratio, lift):
        together = measure(tables)
        assert together.estimate.shape == (3, 5)
        for place in np.ndindex(3, 5):
            alone = measure(tables[place])
            for name in ("estimate", "low", "high"):
                assert getattr(together, name)[place] == pytest.approx(
                    float(getattr(alone, name)), nan_ok=True
                )
    assert fisher_exact(tables)[2, 4] == fisher_exact(tables[2, 4])


def test_large_tables_do_not_overflow():
    got = conditional_odds_ratio([[2000, 3000], [4000, 91000]])
    wide = odds_ratio([[2000, 3000], [4000, 91000]])
    # The conditional and sample odds ratios meet as counts grow.
    assert got.estimate == pytest.approx(float(wide.estimate), rel=1e-3)
    assert (got.low, got.high) == pytest.approx((float(wide.low), float(wide.high)), rel=2e-3)


def test_lift_by_hand():
    got = lift([[10, 10], [20, 60]])
    assert got.estimate == pytest.approx(0.1 / (0.2 * 0.3))
    assert lift([[6, 14], [24, 56]]).estimate == pytest.approx(1.0)  # independent
    empty = lift([[0, 5], [5, 90]])
    assert empty.estimate == 0.0 and np.isnan(empty.low)


def test_lift_interval_covers():
    rng = np.random.default_rng(3)
    share = np.array([0.10, 0.10, 0.15, 0.65])
    true = share[0] / ((share[0] + share[1]) * (share[0] + share[2]))
    got = lift(rng.multinomial(500, share, 4000).reshape(-1, 2, 2))
    covered = ((got.low <= true) & (true <= got.high)).mean()
    # 4,000 draws: one standard error is 0.0034; four of them around 0.95.
    assert 0.936 < covered < 0.964


def test_mantel_haenszel_removes_confounding_by_use():
    """High use: 60 of 200 cleaned fail, 40 of 100 not; low: 10 of 100, 40 of 300 (computed)."""
    strata = np.array([[[60, 140], [40, 60]], [[10, 90], [40, 260]]])
    risk = (strata[:, 0, 0] / strata[:, 0].sum(-1)) / (strata[:, 1, 0] / strata[:, 1].sum(-1))
    assert risk == pytest.approx([0.75, 0.75])
    crude = strata.sum(axis=0)
    assert (70 / 300) / (80 / 400) == pytest.approx(1.1666667)
    assert odds_ratio(crude).estimate > 1 > mantel_haenszel(strata).odds_ratio


def test_one_stratum_is_its_own_odds_ratio():
    table = np.array([[8, 2], [4, 16]])
    got = mantel_haenszel(table[None])
    plain = odds_ratio(table)
    assert got.odds_ratio == pytest.approx(float(plain.estimate))
    assert got.interval()[0] == pytest.approx(float(plain.low))  # RBG reduces to Woolf
    assert stratified_exact(table[None]) == pytest.approx(float(fisher_exact(table)))


def test_mantel_haenszel_against_statsmodels():
    from statsmodels.stats.contingency_tables import StratifiedTable

    tables = np.random.default_rng(4).integers(1, 30, (4, 2, 2))
    other = StratifiedTable([t.astype(float) for t in tables])
    got = mantel_haenszel(tables, correct=False)
    assert got.odds_ratio == pytest.approx(other.oddsratio_pooled, rel=SUMS)
    assert got.interval() == pytest.approx(other.oddsratio_pooled_confint(), rel=SUMS)
    assert got.statistic == pytest.approx(other.test_null_odds().statistic, rel=SUMS)
    assert homogeneity(tables).breslow_day == pytest.approx(
        other.test_equal_odds().statistic, rel=SUMS
    )


def test_mantel_haenszel_over_pairs_and_empty_strata():
    tables = np.random.default_rng(5).integers(0, 9, (6, 4, 2, 2))
    tables[:, 1] = [[0, 0], [3, 4]]
    tables[:, 2] = 0
    together = mantel_haenszel(tables)
    fewer = mantel_haenszel(tables[:, [0, 3]])
    assert together.odds_ratio == pytest.approx(fewer.odds_ratio, nan_ok=True)
    assert together.p_value == pytest.approx(fewer.p_value, nan_ok=True)
    nothing = mantel_haenszel(np.zeros((2, 2, 2)))
    assert np.isnan(nothing.odds_ratio) and np.isnan(nothing.p_value)
    assert np.isnan(homogeneity(np.zeros((2, 2, 2))).woolf)


def test_stratified_exact_by_enumeration():
    tables = np.array([[[2, 1], [1, 3]], [[3, 0], [2, 2]]])
    totals: dict[int, float] = {}
    for a in range(4):
        for b in range(1, 4):
            p = comb(3, a) * comb(4, 3 - a) / comb(7, 3) * comb(3, b) * comb(4, 5 - b) / comb(7, 5)
            totals[a + b] = totals.get(a + b, 0.0) + p
    assert sum(totals.values()) == pytest.approx(1.0)
    want = sum(p for p in totals.values() if p <= totals[5] * (1 + 1e-9))
    assert stratified_exact(tables) == pytest.approx(want, rel=SUMS)


def test_benjamini_hochberg_by_hand_and_missing():
    assert benjamini_hochberg([0.01, 0.04, 0.03]) == pytest.approx([0.03, 0.04, 0.04])
    q = benjamini_hochberg([0.01, np.nan, 0.04, 0.03])
    assert np.isnan(q[1]) and q[[0, 2, 3]] == pytest.approx([0.03, 0.04, 0.04])
    assert benjamini_hochberg([]).size == 0
    with pytest.raises(InputError, match="between 0 and 1"):
        benjamini_hochberg([1.2])


@given(st.lists(st.floats(0, 1), min_size=1, max_size=30))
def test_benjamini_hochberg_is_scipys(p):
    assert benjamini_hochberg(p) == pytest.approx(stats.false_discovery_control(p), abs=1e-12)


def test_observed_over_expected_edges():
    got = observed_over_expected([0, 3, 2], expected=[2.0, 0.0, 1.0])
    assert got.low[0] == 0.0 and got.high[0] == pytest.approx(3.68887945411394 / 2, rel=1e-9)
    assert np.isnan(got.estimate[1]) and np.isnan(got.high[1])
    with pytest.raises(InputError, match="whole numbers"):
        observed_over_expected(1.5, expected=1.0)


def test_rate_ratio_limits_are_binomial_tails():
    got = rate_ratio([[10, 5], [0, 4], [0, 0]], exposures=[[1000, 2000], [1, 1], [1, 1]])
    assert got.estimate[0] == pytest.approx(4.0)
    for limit, tail in (
        (got.low[0], stats.binom.sf(9, 15, got.low[0] / (got.low[0] + 2))),
        (got.high[0], stats.binom.cdf(10, 15, got.high[0] / (got.high[0] + 2))),
    ):
        assert np.isfinite(limit) and tail == pytest.approx(0.025, rel=1e-9)
    assert (got.estimate[1], got.low[1]) == (0.0, 0.0)
    assert np.isnan(got.estimate[2]) and np.isnan(got.low[2])


def test_rogan_gladen():
    """Observed .40, sensitivity .95, specificity .80: .266667 (closed form)."""
    assert rogan_gladen(0.40, sensitivity=0.95, specificity=0.80) == pytest.approx(0.2 / 0.75)
    assert rogan_gladen([0.1, 1.0], sensitivity=0.9, specificity=0.8).tolist() == [0.0, 1.0]
    with pytest.raises(InputError, match="must exceed 1"):
        rogan_gladen(0.4, sensitivity=0.5, specificity=0.5)


@pytest.mark.parametrize(
    "tables", [[[1, 2]], [[1, 2], [3, -1]], [[1, 2], [3, 0.5]], [[1, 2], [3, np.nan]]]
)
def test_bad_tables_are_refused(tables):
    with pytest.raises(InputError, match="tables must"):
        odds_ratio(tables)
    with pytest.raises(InputError, match="tables must"):
        mantel_haenszel(tables)
