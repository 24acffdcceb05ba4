"""What must hold for any lives at all."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st

from failstats.counts.risk_table import RiskTable
from failstats.errors import FitError
from failstats.estimate.curves import kaplan_meier, nelson_aalen
from failstats.estimate.incidence import aalen_johansen
from failstats.estimate.life_models import FittedLife, fit
from failstats.estimate.log_rank import log_rank

#: Sums in another order.
ROUNDING = 1e-11
#: A variance of 0 may come out as 1e-14.
SQUARE_ROOT_OF_ROUNDING = 1e-7
#: A fit is settled to about 1e-10 standard errors.
FITTED = 1e-7

one_life = st.tuples(
    st.integers(0, 12), st.integers(0, 25), st.sampled_from(["", "trip", "wear"]), st.integers(1, 4)
)
quick = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))


def columns(rows):
    entry = np.array([min(e, x) for e, x, _, _ in rows])
    exit_ = np.array([max(e, x) for e, x, _, _ in rows])
    cause = np.array([c for _, _, c, _ in rows])
    times = np.array([w for _, _, _, w in rows])
    return entry, exit_, cause, times


def same_table(one: RiskTable, two: RiskTable) -> None:
    assert one.age.tolist() == two.age.tolist()
    assert one.entered.tolist() == two.entered.tolist()
    assert one.left.tolist() == two.left.tolist()
    for name in set(one.failed) | set(two.failed):
        zero = np.zeros(one.age.size)
        assert one.failed.get(name, zero).tolist() == two.failed.get(name, zero).tolist()


lives = st.lists(one_life, min_size=1, max_size=25)


@quick
@given(lives)
def test_counts_equal_expanded_rows(rows):
    entry, exit_, cause, times = columns(rows)
    counted = RiskTable.from_lives(entry, exit_, cause, weights=times)
    expanded = RiskTable.from_lives(*(np.repeat(c, times) for c in (entry, exit_, cause)))
    same_table(counted, expanded)


@quick
@given(lives, st.randoms(use_true_random=False))
def test_row_order_is_irrelevant(rows, random):
    mixed = rows.copy()
    random.shuffle(mixed)
    one, two = (RiskTable.from_lives(*columns(r)[:3]) for r in (rows, mixed))
    same_table(one, two)
    assert np.array_equal(aalen_johansen(one).share, aalen_johansen(two).share)


@quick
@given(lives, st.integers(0, 25))
def test_tables_add_up(rows, cut):
    parts = [r for r in (rows[:cut], rows[cut:]) if r]
    whole = RiskTable.from_lives(*columns(rows)[:3])
    added = sum(RiskTable.from_lives(*columns(r)[:3]) for r in parts)
    same_table(whole, added)
    assert (whole.lives, whole.exposure, whole.dropped) == (
        added.lives,
        added.exposure,
        added.dropped,
    )


@quick
@given(lives)
def test_at_risk_is_what_the_rows_say(rows):
    entry, exit_, cause, _ = columns(rows)
    table = RiskTable.from_lives(entry, exit_, cause)
    held = (entry < exit_) | (exit_ == 0)
    for t in range(27):
        here = ((entry < t) | ((entry == 0) & (t == 0))) & (exit_ >= t) & held
        assert table.at_risk_at(t) == here.sum()


@quick
@given(lives)
def test_no_entry_is_entry_zero(rows):
    _, exit_, cause, _ = columns(rows)
    zero = np.zeros(exit_.size, dtype=int)
    same_table(RiskTable.from_lives(0, exit_, cause), RiskTable.from_lives(zero, exit_, cause))


@quick
@given(lives)
def test_one_cause_is_one_minus_kaplan_meier(rows):
    entry, exit_, cause, _ = columns(rows)
    table = RiskTable.from_lives(entry, exit_, cause).merge_causes("any")
    curve, share = kaplan_meier(table), aalen_johansen(table)
    assert share.share[0] == pytest.approx(1 - curve.survival, rel=ROUNDING, abs=ROUNDING)
    assert share.std_error[0] == pytest.approx(
        curve.std_error, rel=1e-6, abs=SQUARE_ROOT_OF_ROUNDING
    )
    assert share.conditioned_on == curve.conditioned_on


@quick
@given(lives)
def test_incidences_and_survival_add_to_one(rows):
    entry, exit_, cause, _ = columns(rows)
    found = aalen_johansen(RiskTable.from_lives(entry, exit_, cause))
    total = found.share.sum(axis=0) + found.survival
    assert total == pytest.approx(np.ones(total.size), rel=ROUNDING)
    assert (np.diff(found.share, axis=1) >= 0).all()


@quick
@given(lives)
def test_curves_fall_and_stay_within_their_limits(rows):
    entry, exit_, cause, _ = columns(rows)
    curve = kaplan_meier(RiskTable.from_lives(entry, exit_, cause))
    assert ((curve.survival >= 0) & (curve.survival <= 1)).all()
    assert (np.diff(curve.survival) <= 0).all()
    low, high = curve.interval()
    known = ~np.isnan(low) & ~np.isnan(high)
    slack = 1e-12
    assert (low[known] <= curve.survival[known] + slack).all()
    assert (high[known] >= curve.survival[known] - slack).all()


@quick
@given(lives)
@example([(1, 4, "trip", 1), (2, 7, "", 1), (8, 16, "trip", 1)])  # two stretches lived alike
def test_days_to_years_rescales_curves(rows):
    entry, exit_, cause, _ = columns(rows)
    days = RiskTable.from_lives(entry, exit_, cause)
    years = days.rescaled(1 / 365.25, "years")
    assert years.exposure == pytest.approx(days.exposure / 365.25)
    one, two = kaplan_meier(days), kaplan_meier(years)
    assert one.survival.tolist() == two.survival.tolist()
    assert two.age == pytest.approx(one.age / 365.25)
    assert two.median() == pytest.approx(one.median() / 365.25)
    assert nelson_aalen(days).variance.tolist() == nelson_aalen(years).variance.tolist()


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    st.lists(one_life, min_size=8, max_size=40),
    st.sampled_from(["exponential", "weibull", "lognormal", "loglogistic", "gamma", "gompertz"]),
)
def test_days_to_years_rescales_fits(rows, model):
    entry, exit_, cause, _ = columns(rows)
    days = RiskTable.from_lives(entry, exit_, cause)
    one = fit(days, model=model)
    two = fit(days.rescaled(1 / 365.25, "years"), model=model)
    if not (isinstance(one, FittedLife) and isinstance(two, FittedLife)):
        assume(isinstance(one, FittedLife) == isinstance(two, FittedLife))
        return
    error = np.sqrt(one.covariance[-1, -1])
    assume(error < 10)  # a record that hardly holds the shape settles where rounding leaves it
    assert two.quantile(0.1) == pytest.approx(one.quantile(0.1) / 365.25, rel=FITTED)
    shift = one.failures * np.log(365.25)
    assert two.log_likelihood == pytest.approx(one.log_likelihood + shift, abs=1e-7)


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(one_life, min_size=8, max_size=30))
def test_fits_of_counts_equal_fits_of_rows(rows):
    entry, exit_, cause, times = columns(rows)
    counted = fit(RiskTable.from_lives(entry, exit_, cause, weights=times))
    expanded = fit(RiskTable.from_lives(*(np.repeat(c, times) for c in (entry, exit_, cause))))
    assert counted.refused == expanded.refused
    if not counted.refused:
        assert counted.theta.tolist() == expanded.theta.tolist()


@quick
@given(lives, lives)
def test_log_rank_does_not_know_which_group_is_first(rows, others):
    one, two = (RiskTable.from_lives(*columns(r)[:3]) for r in (rows, others))
    try:
        forth = log_rank([one, two])
    except FitError:
        with pytest.raises(FitError, match="nothing can be compared"):
            log_rank([two, one])
        return
    assert log_rank([two, one]).statistic == pytest.approx(forth.statistic, rel=1e-8, abs=1e-12)
    assert forth.observed.sum() == pytest.approx(forth.expected.sum(), rel=ROUNDING)
