"""Behind `pairs`: usual wear, habit, arms of jobs, exact strata, how much units differ."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from failstats.counts.risk_table import RiskTable
from failstats.errors import FitError, InputError
from failstats.estimate.association import stratified_rate_ratio
from failstats.estimate.background import Expected, combine, expected_failures
from failstats.estimate.curves import nelson_aalen
from failstats.estimate.follow_on import Arm, cumulative_incidence, follow_on, propensity
from failstats.estimate.frailty import unit_frailty
from failstats.estimate.frailty_profile import shared_tau
from failstats.estimate.incidence import aalen_johansen
from failstats.estimate.pairing_habit import pairing_habit
from failstats.estimate.stratified_tables import mantel_haenszel, stratified_exact
from failstats.estimate.two_by_two import fisher_exact

sys.path.insert(0, str(Path(__file__).parents[1] / "simulation" / "pairs"))

EXACT = 1e-12  # closed forms and finite sums
FAR = 4.0  # standard errors: a right estimator is further off in 6 of 100,000 runs


# --- usual wear --------------------------------------------------------------------------------


def test_expected_failures_against_a_sum_over_windows() -> None:
    """Reference the other way round: each window's own hazard, added up."""
    rng = np.random.default_rng(3)
    table = RiskTable.from_lives(0, rng.integers(1, 400, 200), rng.random(200) < 0.5)
    curve = nelson_aalen(table)
    begin = rng.integers(0, 300, 50).astype(float)
    end = begin + rng.integers(0, 90, 50)
    steps = np.diff(np.concatenate([[0.0], curve.cumulative_hazard]))
    spread = np.diff(np.concatenate([[0.0], curve.variance]))
    inside = (curve.age > begin[:, None]) & (curve.age <= end[:, None])
    found = expected_failures(curve, begin=begin, end=end)
    assert found.failures == pytest.approx(float((inside * steps).sum()), rel=EXACT)
    count = inside.sum(axis=0)
    assert found.variance == pytest.approx(float((count**2 * spread).sum()), rel=EXACT)
    assert found.covered == 1.0


def test_ages_beyond_the_background_are_said() -> None:
    curve = nelson_aalen(RiskTable.from_lives(0, [100, 100], [True, False]))
    found = expected_failures(curve, begin=[50.0], end=[150.0])
    assert (found.failures, found.covered) == (0.5, 0.5)
    assert expected_failures(None, begin=[0.0], end=[10.0]).covered == 0.0
    # 10 days of which none, and 30 of which all are covered: 30 of 40
    both = combine(
        [
            expected_failures(None, begin=[0.0], end=[10.0]),
            Expected(failures=1.0, variance=0.0, covered=1.0, days=30.0),
        ]
    )
    assert both.covered == 0.75
    with pytest.raises(InputError, match="windows must run"):
        expected_failures(curve, begin=[10.0], end=[5.0])


# --- follow-on ---------------------------------------------------------------------------------


def test_cumulative_incidence_is_aalen_johansens() -> None:
    """Two implementations of one estimator: the weighted one here, the risk table's there."""
    rng = np.random.default_rng(5)
    days, kind = rng.integers(1, 500, 300), rng.integers(0, 3, 300)
    cause = np.array(["", "either", "other"])[kind]
    want = aalen_johansen(RiskTable.from_lives(0, days, cause)).share_at([90, 365], cause="either")
    got = cumulative_incidence(days, event=kind, windows=[90, 365])
    assert got == pytest.approx(want, rel=EXACT)


def test_rows_of_weights_are_fits_of_their_own() -> None:
    rng = np.random.default_rng(6)
    x, y = rng.normal(size=(80, 2)), rng.random(80) < 0.4
    weight = rng.poisson(1.0, size=(5, 80)).astype(float)
    together = propensity(x, treated=y, weights=weight)
    for row, one in zip(weight, together, strict=True):
        assert one == pytest.approx(propensity(x, treated=y, weights=row), abs=1e-8)
        repeated = np.repeat(np.arange(80), row.astype(int))
        again = propensity(x[repeated], treated=y[repeated])
        first = np.unique(repeated, return_index=True)[1]
        assert again[first] == pytest.approx(one[row > 0], abs=1e-6)  # counts = expanded rows


def test_no_event_is_no_certainty() -> None:
    """0 of 50: the resampled share never moves, the interval is Wilson's all the same."""
    arm = Arm(
        share=np.zeros(1), draws=np.zeros((50, 1)), events=np.array([0]), known=np.array([50])
    )
    low, high = arm.interval()
    # Newcombe (1998) Table I, 0/20: 0.1611 (see tests/reference/association); here 0/50
    z = stats.norm.ppf(0.975)
    assert (low[0], high[0]) == pytest.approx((0.0, z**2 / (50 + z**2)), abs=EXACT)


def test_overlap_is_counted_and_its_lack_refuses_the_weights() -> None:
    n = 400
    rng = np.random.default_rng(1)
    both = np.arange(n) % 2 == 0
    days, event = rng.integers(1, 800, n), rng.integers(0, 2, n)
    clear = np.where(both, 1.0, -1.0) + 0.01 * rng.normal(size=n)
    found = follow_on(days, event=event, both=both, cluster=np.arange(n), windows=[365],
                      covariates=clear[:, None], replicates=20)  # fmt: skip
    assert found.weighted_difference() is None
    assert found.weighted_interval() is None
    assert found.overlap == 0.0
    assert found.overlap_alone is not None
    assert found.overlap_both is not None
    assert (found.overlap_alone[0], found.overlap_both[-1]) == (n / 2, n / 2)
    alike = follow_on(days, event=event, both=both, cluster=np.arange(n), windows=[365],
                      covariates=rng.normal(size=(n, 1)), replicates=20)  # fmt: skip
    assert alike.overlap == 1.0
    assert alike.weighted_difference() is not None


def test_units_with_jobs_of_both_kinds_tie_the_arms() -> None:
    """Doubling every job within its unit must leave the interval as wide (clusters, not jobs)."""
    rng = np.random.default_rng(2)
    n = 300
    days, event, both = rng.integers(1, 800, n), rng.integers(0, 2, n), rng.random(n) < 0.5

    def width(times: int) -> float:
        def often(a: np.ndarray) -> np.ndarray:
            return np.tile(a, times)

        found = follow_on(often(days), event=often(event), both=often(both),
                          cluster=often(np.arange(n)), windows=[365], replicates=100)  # fmt: skip
        low, high = found.interval()
        return float(high[0] - low[0])

    assert width(2) == pytest.approx(width(1), rel=EXACT)


# --- habit as instrument -----------------------------------------------------------------------


def _habit_company(seed: int, effect: float, n: int = 3000) -> dict[str, np.ndarray]:
    """Bad dryers are paired more often and come back more often; nobody wrote that down."""
    rng = np.random.default_rng(seed)
    technician = rng.integers(0, 12, n)
    habit = np.linspace(0.1, 0.9, 12)[technician]
    bad = rng.random(n) < 0.5
    both = rng.random(n) < np.clip(habit + np.where(bad, 0.25, -0.25), 0.02, 0.98)
    event = rng.random(n) < 0.30 + 0.20 * bad - effect * both
    return {"event": event.astype(int), "both": both, "habit": technician,
            "followed_days": np.where(event, 100, 400), "cluster": np.arange(n)}  # fmt: skip


@pytest.mark.parametrize("effect", [0.0, 0.15])
def test_habit_sees_through_what_nobody_wrote_down(effect: float) -> None:
    rows = _habit_company(4, effect)
    found = pairing_habit(rows.pop("followed_days"), windows=[365], replicates=100, **rows)
    error = float(found.draws.std(ddof=1))
    assert abs(found.difference[0] - effect) < FAR * error
    low, high = found.interval()
    assert low[0] < effect < high[0]
    plain = rows["event"][~rows["both"]].mean() - rows["event"][rows["both"]].mean()
    assert plain < effect - 0.05  # what a plain reader gets is off by far more
    assert found.groups == 12
    assert found.strength > 100


def test_habit_is_refused_where_habits_are_alike() -> None:
    rows = _habit_company(4, 0.1)
    rows["habit"] = np.random.default_rng(0).integers(0, 12, len(rows["both"]))
    with pytest.raises(FitError, match="too alike"):
        pairing_habit(rows.pop("followed_days"), windows=[365], replicates=50, **rows)
    rows = _habit_company(4, 0.1)
    rows["habit"] = rows["habit"] % 2
    with pytest.raises(FitError, match="2 habits"):
        pairing_habit(rows.pop("followed_days"), windows=[365], replicates=50, **rows)


# --- exact tests over families -------------------------------------------------------------------


def test_one_family_is_fishers_test() -> None:
    table = [[3, 1], [1, 3]]  # Agresti (1990); R help(fisher.test)
    for alternative in ("greater", "less", "two-sided"):
        for mid_p in (False, True):
            assert stratified_exact([table], alternative=alternative, mid_p=mid_p) == pytest.approx(
                float(fisher_exact(table, alternative=alternative, mid_p=mid_p)), rel=EXACT
            )
    assert stratified_exact([table], alternative="greater") == pytest.approx(17 / 70, rel=EXACT)
    assert stratified_exact([table], alternative="greater", mid_p=True) == pytest.approx(
        9 / 70, rel=EXACT
    )  # by hand: 1/70 + half of 16/70
    with pytest.raises(InputError, match="alternative must be"):
        stratified_exact([table], alternative="more")


def test_large_counts_go_over_to_the_normal_statistic(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(0)
    tables = rng.integers(150, 260, size=(3, 2, 2))
    exact = stratified_exact(tables, mid_p=True)
    monkeypatch.setattr("failstats.estimate.stratified_tables.MOST_TOTALS", 10)
    normal = stratified_exact(tables, mid_p=True)
    assert normal == pytest.approx(float(mantel_haenszel(tables, correct=False).p_value), rel=1e-9)
    assert normal == pytest.approx(exact, abs=2e-3)  # mid-p and normal differ by under 0.002 here


# --- frailty -----------------------------------------------------------------------------------


def _two_parts(variance: float, seed: int, units: int = 1500) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)
    weak = rng.gamma(1 / variance, variance, units) if variance else np.ones(units)
    use = rng.normal(size=units)
    unit, law, days, failed, x = [], [], [], [], []
    for name, scale, by_use in (("belt", 3000.0, 0.5), ("coil", 2500.0, 0.0)):
        hazard = weak * np.exp(by_use * use)
        life = scale * (rng.exponential(size=units) / hazard) ** (1 / 1.5)
        unit.append(np.arange(units)), law.append(np.full(units, name))
        days.append(np.minimum(life, 2000.0)), failed.append(life < 2000.0)
        x.append(use * (name == "belt"))
    return {"unit": np.concatenate(unit), "law": np.concatenate(law),
            "exit": np.concatenate(days), "failed": np.concatenate(failed),
            "covariates": np.concatenate(x)[:, None], "entry": np.zeros(2 * units)}  # fmt: skip


def test_tau_comes_back_with_what_is_known_taken_out() -> None:
    rows = _two_parts(0.8, 1)
    found = shared_tau(rows.pop("unit"), **rows)
    low, high = found.tau_interval()
    assert low < 0.8 / 2.8 < high  # Clayton's: variance / (variance + 2)
    assert high - low < 0.2


def test_profile_and_fit_agree_on_the_variance() -> None:
    rows = _two_parts(0.8, 2, units=600)
    unit = rows.pop("unit")
    profile, fit = shared_tau(unit, **rows), unit_frailty(unit, **rows)
    assert profile.variance == pytest.approx(fit.variance, rel=0.02)  # climbs stop within 0.02
    assert profile.p_value == pytest.approx(fit.p_value, rel=0.05)
    beta = fit.peak.theta[fit.peak.at("covariate 1")]
    error = float(np.sqrt(fit.peak.covariance[4, 4]))
    assert abs(beta - 0.5) < FAR * error


def test_units_alike_have_an_upper_limit_only() -> None:
    rows = _two_parts(0.0, 3)
    found = shared_tau(rows.pop("unit"), **rows)
    low, high = found.tau_interval()
    assert low == 0.0
    assert 0 < high < 0.15
    assert found.p_value > 0.01


def test_slope_of_a_covariate_is_the_differenced_one() -> None:
    from failstats.estimate.frailty import lives_checked, lives_surface

    rows = _two_parts(0.5, 4, units=60)
    rows["entry"] = np.where(rows["exit"] > 300, 300.0, 0.0)
    lives = lives_checked(rows["unit"], rows["law"], rows["entry"], rows["exit"], rows["failed"],
                          rows["covariates"])  # fmt: skip
    surface = lives_surface(lives)
    theta = np.array([0.3, 8.0, 0.4, 7.8, 0.2, -0.5])
    _, slope = surface(theta)
    step = 1e-5
    for j in range(theta.size):
        up, down = theta.copy(), theta.copy()
        up[j] += step
        down[j] -= step
        want = (surface(up)[0] - surface(down)[0]) / (2 * step)
        assert slope[j] == pytest.approx(want, rel=1e-5, abs=1e-5)


# --- hidden failure or units that differ --------------------------------------------------------


@pytest.mark.parametrize(
    ("told", "verdicts"),
    [
        ({"multiplier": 30.0}, {"hidden_failure", "both"}),
        ({"frailty": 1.0}, {"units_differ"}),
        ({}, {"no_dependence_seen", "cannot_be_told_apart"}),
    ],
)
def test_what_links_two_parts_is_told_apart(told: dict[str, float], verdicts: set[str]) -> None:
    """Seven hundred units, one cause of dependence told to each company, or none."""
    import pair_world

    from failstats.estimate.dependence import dependence

    truth = pair_world.PairTruth(units=700, **told)
    found = dependence(pair_world.hidden_stretches(pair_world.simulate(truth, 11)))
    assert found.verdict in verdicts
    assert found.both >= max(found.hidden, found.frailty) >= min(found.hidden, found.frailty)
    assert min(found.hidden, found.frailty) >= found.neither - 1e-3  # nested, climbed to 1e-4
    low, high = found.tau_interval()
    assert 0 <= low <= found.tau <= high < 1
    if "frailty" in told:
        assert low < 1 / 3 < high  # variance 1: tau = 1 / (1 + 2)


def test_too_little_found_tells_nothing() -> None:
    import pair_world

    from failstats.estimate.dependence import dependence

    rows = pair_world.hidden_stretches(pair_world.simulate(pair_world.PairTruth(units=40), 1))
    with pytest.raises(FitError, match="at least 5 of each"):
        dependence(rows)


def _dependence(hidden: float, frailty: float, both: float, multiplier: float = 5.0):
    from failstats.estimate.dependence import Dependence
    from failstats.estimate.frailty_profile import VarianceProfile

    return Dependence(
        neither=0.0, hidden=hidden, frailty=frailty, both=both, multiplier=multiplier,
        multiplier_alone=multiplier,
        profile=VarianceProfile(
            variances=np.array([1e-4, 0.5]), heights=np.array([0.0, frailty]), top=1
        ),
    )  # fmt: skip


@pytest.mark.parametrize(("heights", "verdict"), [
    ((0.5, 0.5, 0.6), "no_dependence_seen"),
    ((5.0, 5.0, 5.5), "cannot_be_told_apart"),  # each will do, neither is needed
    ((9.0, 3.0, 9.2), "hidden_failure"),
    ((3.0, 9.0, 9.2), "units_differ"),
    ((9.0, 9.0, 14.0), "both"),
])  # fmt: skip
def test_verdicts_follow_the_likelihoods(heights: tuple[float, ...], verdict: str) -> None:
    assert _dependence(*heights).verdict == verdict


def test_a_multiplier_below_one_is_no_hidden_failure() -> None:
    assert _dependence(9.0, 3.0, 9.2, multiplier=0.2).verdict != "hidden_failure"


def test_stratified_rate_ratio_by_hand() -> None:
    """Two years of age: 4 in 100 against 2 in 200 days, 6 in 300 against 3 in 100.

    Mantel and Haenszel: (4*200/300 + 6*100/400) / (2*100/300 + 3*300/400) = 10/7; the variance of
    its logarithm is (6*100*200/300**2 + 9*300*100/400**2) / (25/6 * 35/12).
    """
    found = stratified_rate_ratio([[4, 2], [6, 3]], exposures=[[100, 200], [300, 100]])
    assert float(found.estimate) == pytest.approx(10 / 7, rel=1e-14)
    spread = np.sqrt((4 / 3 + 27 / 16) / (25 / 6 * 35 / 12))
    assert float(np.log(found.high / found.estimate)) == pytest.approx(
        1.959963984540054 * spread, rel=1e-12
    )
    # years in which nobody of one group lived say nothing
    more = stratified_rate_ratio(
        [[4, 2], [6, 3], [5, 0]], exposures=[[100, 200], [300, 100], [50, 0]]
    )
    assert float(more.estimate) == float(found.estimate)
    assert np.isnan(stratified_rate_ratio([[0, 3]], exposures=[[10, 10]]).estimate)
    with pytest.raises(InputError):
        stratified_rate_ratio([[1, 0]], exposures=[[0, 10]])
