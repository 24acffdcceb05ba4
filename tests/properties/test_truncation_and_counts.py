"""Two promises of every estimator of lives: late entry is exact, and counts stand for rows.

Late entry: a life cut in two at any age, the second part entering where the first was let go, says
what it said before. Whoever counts a part at risk before it was watched, or at its entry, fails.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from failstats.counts.risk_table import RiskTable
from failstats.estimate.curves import kaplan_meier, nelson_aalen
from failstats.estimate.incidence import aalen_johansen
from failstats.estimate.life_checks import observed_expected, probability_plot
from failstats.estimate.life_families import FAMILIES
from failstats.estimate.life_intervals import fit_intervals
from failstats.estimate.life_models import fit
from failstats.estimate.life_regression import fit_life_regression
from failstats.estimate.life_robust import sandwich
from failstats.estimate.log_rank import log_rank
from failstats.estimate.mean_life import life_left, restricted_mean
from failstats.estimate.recurrence import mean_cumulative_function
from failstats.estimate.recurrence_trend import laplace_trend
from failstats.estimate.turnbull import turnbull

#: Sums in another order.
ROUNDING = 1e-10
#: Fits end where the gradient has vanished to rounding.
FITTED = 1e-7
#: Turnbull's search stops at a change of 1e-10 in any share.
SETTLED = 1e-6

Lives = dict[str, np.ndarray]


@pytest.fixture(scope="module")
def lives() -> Lives:
    """Two hundred lives, a third of which join late; ages in whole weeks so that many tie."""
    rng = np.random.default_rng(20)
    n = 200
    life = np.ceil(60 * rng.weibull(1.6, n))
    entry = np.where(rng.random(n) < 0.35, rng.integers(1, 40, n), 0)
    leave = entry + rng.integers(1, 60, n)
    seen = life > entry
    life, entry, leave = life[seen], entry[seen], leave[seen]
    unit, group = rng.integers(0, 60, seen.sum()), rng.integers(0, 2, seen.sum())
    cause = np.where(life <= leave, np.where(rng.random(seen.sum()) < 0.7, "wear", "trip"), "")
    return {
        "entry": entry, "exit": np.minimum(life, leave).astype(int), "cause": cause,
        "unit": unit, "group": group,
    }  # fmt: skip


def cut(lives: Lives) -> Lives:
    """Every life that spans it cut at its own age, into two rows."""
    at = 3 + (np.arange(lives["exit"].size) * 7) % 45
    inside = (at > lives["entry"]) & (at < lives["exit"])
    first = {name: column.copy() for name, column in lives.items()}
    first["exit"] = np.where(inside, at, first["exit"])
    first["cause"] = np.where(inside, "", first["cause"])
    second = {name: column[inside].copy() for name, column in lives.items()}
    second["entry"] = at[inside]
    assert inside.sum() > 60
    return {name: np.concatenate([first[name], second[name]]) for name in lives}


def table(lives: Lives, rows: Any = slice(None)) -> RiskTable:
    return RiskTable.from_lives(*(lives[name][rows] for name in ("entry", "exit", "cause")))


def by_group(lives: Lives) -> dict[int, RiskTable]:
    return {group: table(lives, lives["group"] == group) for group in (0, 1)}


def at_failures(curve: Any, values: np.ndarray) -> np.ndarray:
    return values[..., np.asarray(curve.failed).reshape(-1, curve.age.size).sum(axis=0) > 0]


def of_kaplan_meier(lives: Lives) -> list[np.ndarray]:
    curve = kaplan_meier(table(lives), cause="wear")
    return [at_failures(curve, x) for x in (curve.survival, curve.std_error, curve.at_risk)]


def of_nelson_aalen(lives: Lives) -> list[np.ndarray]:
    curve = nelson_aalen(table(lives))
    return [at_failures(curve, x) for x in (curve.cumulative_hazard, curve.variance)]


def of_aalen_johansen(lives: Lives) -> list[np.ndarray]:
    curve = aalen_johansen(table(lives))
    return [at_failures(curve, x) for x in (curve.share, curve.variance)]


def of_restricted_mean(lives: Lives) -> list[float]:
    found = restricted_mean(kaplan_meier(table(lives)), horizon=50)
    return [found.mean, found.std_error]


def of_life_left(lives: Lives) -> list[float]:
    found = life_left(table(lives), age=20, horizon=60)
    return [found.median, *found.median_interval, found.mean.mean, found.mean.std_error]


def of_log_rank(lives: Lives) -> list[float]:
    found = log_rank(by_group(lives))
    return [found.statistic, *found.expected, *found.covariance.ravel()]


def of_bands(lives: Lives) -> list[np.ndarray]:
    counts = table(lives)
    weibull = fit(table(lives))  # the same parameters either way, as tested below
    found = observed_expected(weibull, table=counts, bands=[0, 15, 30, 60, 100])
    return [found.observed, found.expected, found.exposure]


def of_plot(lives: Lives) -> list[np.ndarray]:
    found = probability_plot(table(lives))
    return [found.across, found.up]


def of_repeats(lives: Lives) -> list[np.ndarray]:
    failed = np.flatnonzero(lives["cause"] != "")
    found = mean_cumulative_function(
        failed,
        event_age=lives["exit"][failed],
        unit_entry=lives["entry"],
        unit_exit=lives["exit"],
    )
    return [found.mean, found.at_risk]


def of_regression(lives: Lives) -> list[np.ndarray]:
    found = fit_life_regression(
        lives["exit"], failed=lives["cause"] != "", covariates=lives["group"] * 1.0,
        names=["group"], entry=lives["entry"],
    )  # fmt: skip
    return [np.array([*found.coefficients.values(), found.sigma]), np.diag(found.covariance)]


def of_sandwich(lives: Lives) -> list[np.ndarray]:
    found = fit(table(lives))
    return [
        sandwich(
            found, entry=lives["entry"], exit=lives["exit"], failed=lives["cause"] != "",
            cluster=lives["unit"],
        )
    ]  # fmt: skip


EXACTLY: list[Callable[[Lives], list[Any]]] = [
    of_kaplan_meier, of_nelson_aalen, of_aalen_johansen, of_restricted_mean, of_life_left,
    of_log_rank, of_plot, of_repeats,
]  # fmt: skip
NEARLY: list[Callable[[Lives], list[Any]]] = [of_bands, of_regression, of_sandwich]


@pytest.mark.parametrize("estimate", [*EXACTLY, *NEARLY])
def test_a_life_cut_in_two_says_the_same(
    lives: Lives, estimate: Callable[[Lives], list[Any]]
) -> None:
    close = ROUNDING if estimate in EXACTLY else FITTED
    whole, parts = estimate(lives), estimate(cut(lives))
    for one, two in zip(whole, parts, strict=True):
        np.testing.assert_allclose(two, one, rtol=close, atol=1e-12)


@pytest.mark.parametrize("model", [*FAMILIES])
def test_a_fit_of_lives_cut_in_two_is_the_same(lives: Lives, model: str) -> None:
    whole, parts = (fit(table(one), model=model) for one in (lives, cut(lives)))
    assert parts.theta == pytest.approx(whole.theta, rel=FITTED)
    assert parts.log_likelihood == pytest.approx(whole.log_likelihood, rel=FITTED)
    assert parts.covariance == pytest.approx(whole.covariance, rel=1e-5)


def looked_at(lives: Lives) -> dict[str, np.ndarray]:
    """The same lives looked at every eight weeks: failed between two looks, or not yet."""
    failed = lives["cause"] != ""
    lower = np.where(
        failed, np.maximum((lives["exit"] - 1) // 8 * 8, lives["entry"]), lives["exit"]
    )
    upper = np.where(failed, (lives["exit"] + 7) // 8 * 8.0, np.inf)
    return {"lower": lower.astype(float), "upper": upper, "entry": lives["entry"].astype(float)}


def looks_cut(looks: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Each row cut at its last look: seen working up to there, and from there on."""
    inside = looks["lower"] > looks["entry"]
    first = {
        "lower": looks["lower"][inside],
        "upper": np.full(inside.sum(), np.inf),
        "entry": looks["entry"][inside],
    }
    later = {name: column.copy() for name, column in looks.items()}
    later["entry"] = np.where(inside, later["lower"], later["entry"])
    useful = np.isfinite(later["upper"]) | (later["lower"] > later["entry"])
    assert inside.sum() > 60
    return {name: np.concatenate([first[name], later[name][useful]]) for name in looks}


@pytest.mark.parametrize("model", [*FAMILIES])
def test_interval_censored_lives_cut_in_two_give_the_same_fit(lives: Lives, model: str) -> None:
    looks = looked_at(lives)
    whole, parts = (
        fit_intervals(one["lower"], upper=one["upper"], entry=one["entry"], model=model)
        for one in (looks, looks_cut(looks))
    )
    assert parts.theta == pytest.approx(whole.theta, rel=FITTED)
    assert parts.log_likelihood == pytest.approx(whole.log_likelihood, rel=FITTED)


def test_interval_censored_lives_cut_in_two_give_the_same_curve(lives: Lives) -> None:
    looks = looked_at(lives)
    whole, parts = (
        turnbull(one["lower"], upper=one["upper"], entry=one["entry"])
        for one in (looks, looks_cut(looks))
    )
    ages = np.arange(8.0, 80, 8)
    assert parts.survival_at(ages)[1] == pytest.approx(whole.survival_at(ages)[1], abs=SETTLED)
    assert parts.log_likelihood == pytest.approx(whole.log_likelihood, rel=FITTED)


# --- counts --------------------------------------------------------------------------------------


def test_counts_stand_for_rows_in_every_estimator_that_takes_rows(lives: Lives) -> None:
    """Those that take a table are the same by construction: the tables are equal."""
    times = 1 + np.arange(lives["exit"].size) % 3
    many = {name: np.repeat(column, times) for name, column in lives.items()}
    counted = RiskTable.from_lives(*(lives[k] for k in ("entry", "exit", "cause")), weights=times)
    expanded = table(many)
    for name in ("age", "entered", "left", "at_risk", "failed_total"):
        assert getattr(counted, name).tolist() == getattr(expanded, name).tolist()

    looks, each = looked_at(lives), looked_at(many)
    one = fit_intervals(**looks_of(looks), counts=times)
    two = fit_intervals(**looks_of(each))
    assert one.theta == pytest.approx(two.theta, rel=FITTED)
    assert one.covariance == pytest.approx(two.covariance, rel=1e-5)
    one, two = turnbull(**looks_of(looks), counts=times), turnbull(**looks_of(each))
    assert one.survival == pytest.approx(two.survival, abs=SETTLED)

    one, two = (
        fit_life_regression(
            some["exit"], failed=some["cause"] != "", covariates=some["group"] * 1.0,
            names=["group"], entry=some["entry"], counts=counts,
        )
        for some, counts in ((lives, times), (many, None))
    )  # fmt: skip
    assert list(one.coefficients.values()) == pytest.approx(
        list(two.coefficients.values()), rel=FITTED
    )
    assert one.covariance == pytest.approx(two.covariance, rel=1e-5)


def looks_of(looks: dict[str, np.ndarray]) -> dict[str, Any]:
    return {"lower": looks["lower"], "upper": looks["upper"], "entry": looks["entry"]}


def test_counts_of_units_stand_for_units_in_repeats_and_trend() -> None:
    rng = np.random.default_rng(3)
    units = 30
    entry, leave = rng.integers(0, 5, units) * 1.0, rng.integers(6, 40, units) * 1.0
    owner = np.sort(rng.integers(0, units, 50))
    age = np.ceil(entry[owner] + (leave - entry)[owner] * rng.random(50))
    times = 1 + np.arange(units) % 3
    copy = np.repeat(np.arange(units), times)  # the row each copy comes from
    events = [(new, a) for new, old in enumerate(copy) for a in age[owner == old]]
    who, when = (np.array(column) for column in zip(*events, strict=True))
    one = mean_cumulative_function(
        owner, event_age=age, unit_entry=entry, unit_exit=leave, counts=times
    )
    two = mean_cumulative_function(
        who.astype(int), event_age=when, unit_entry=entry[copy], unit_exit=leave[copy]
    )
    assert one.units == two.units
    for name in ("age", "at_risk", "events", "mean", "variance"):
        assert getattr(one, name) == pytest.approx(getattr(two, name), rel=ROUNDING), name
    short = laplace_trend(age, unit_exit=leave, unit_entry=entry, event_unit=owner, counts=times)
    long = laplace_trend(
        when, unit_exit=leave[copy], unit_entry=entry[copy], event_unit=who.astype(int)
    )
    assert short.statistic == pytest.approx(long.statistic, rel=ROUNDING)
    assert short.events == long.events


def test_ties_between_causes_are_exact_and_row_order_does_not_matter(lives: Lives) -> None:
    rng = np.random.default_rng(5)
    tied = {**lives, "exit": np.maximum(lives["exit"] // 6 * 6, lives["entry"] + 1)}
    order = rng.permutation(tied["exit"].size)
    one = aalen_johansen(table(tied))
    two = aalen_johansen(table(tied, order))
    assert one.share.tolist() == two.share[[two.causes.index(c) for c in one.causes]].tolist()
    both = (one.failed > 0).all(axis=0)
    assert both.sum() >= 3  # both causes on one day: one risk set, shares by their counts
    before = np.concatenate([[1.0], one.survival[:-1]])
    steps = np.diff(np.column_stack([np.zeros(2), one.share]), axis=1)
    assert steps[:, both] == pytest.approx((before * one.failed / one.at_risk)[:, both])
    assert one.share.sum(axis=0) + one.survival == pytest.approx(np.ones(one.age.size))


def test_entry_at_exit_is_dropped_counted_and_named() -> None:
    found = RiskTable.from_lives([0, 4, 5], [5, 4, 9], ["wear", "wear", ""])
    assert found.dropped == 1
    assert found.lives == 2
    assert "1" in str(found)
    assert "dropped" in str(found)
