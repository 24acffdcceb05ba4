"""The rate model in age bands."""

from __future__ import annotations

import numpy as np
import pytest

from failstats.counts.pattern_table import PatternTable
from failstats.errors import FitError, InputError
from failstats.estimate.hazard_model import cox
from failstats.estimate.poisson_model import agreement, piecewise_exponential

# Two solvers at the maximum of the same likelihood.
CONVERGED = 1e-8
TWO = [[0.0], [1.0]]


def lives(seed=0, rows=300, ratio=2.0):
    rng = np.random.default_rng(seed)
    pattern = rng.integers(0, 2, rows)
    age = np.ceil(rng.exponential(40 / np.where(pattern, ratio, 1.0))).astype(int)
    start = rng.integers(0, 10, rows)
    stop = np.minimum(start + age, 60)
    return {
        "start": start,
        "stop": stop,
        "failed": (stop < 60).astype(int),
        "pattern": pattern,
        "stratum": rng.integers(0, 2, rows),
    }


def test_one_band_is_failures_over_days():
    rows = {**lives(1), "stratum": np.zeros(300, int)}
    fit = piecewise_exponential(PatternTable.from_episodes(**rows), design=TWO, cuts=[])
    days = rows["stop"] - rows["start"]
    rate = [
        rows["failed"][rows["pattern"] == k].sum() / days[rows["pattern"] == k].sum()
        for k in (0, 1)
    ]
    assert np.exp(fit.coefficients[0]) == pytest.approx(rate[1] / rate[0], rel=CONVERGED)
    assert fit.rates.rate.to_numpy() == pytest.approx([rate[0]], rel=CONVERGED)
    counts = [rows["failed"][rows["pattern"] == k].sum() for k in (0, 1)]
    error = np.sqrt(1 / counts[0] + 1 / counts[1])
    assert fit.standard_errors[0] == pytest.approx(error, rel=1e-6)


@pytest.mark.parametrize("seed", [2])
def test_daily_bands_are_breslow_cox(seed):
    table = PatternTable.from_episodes(**lives(seed, rows=120))
    first = cox(table, design=TWO, ties="breslow")
    second = piecewise_exponential(table, design=TWO, cuts=np.arange(1, 60))
    assert second.coefficients == pytest.approx(first.coefficients, rel=CONVERGED)
    assert second.standard_errors == pytest.approx(first.standard_errors, rel=CONVERGED)
    both = agreement(first, second=second)
    assert both.agree and abs(both.in_errors[0]) < 1e-6


def test_offset_is_a_known_log_ratio():
    table = PatternTable.from_episodes(**lives(4))
    plain = piecewise_exponential(table, design=TWO, cuts=[20, 40])
    shifted = piecewise_exponential(table, design=TWO, cuts=[20, 40], offset=[0.0, 0.5])
    assert shifted.coefficients[0] == pytest.approx(plain.coefficients[0] - 0.5, rel=CONVERGED)


def test_agreement_can_fail():
    table = PatternTable.from_episodes(**lives(5))
    first = cox(table, design=TWO)
    second = piecewise_exponential(table, design=TWO, cuts=[20], offset=[0.0, 2.0])
    assert not agreement(first, second=second).agree


def test_not_estimable_is_said():
    rows = lives(6)
    rows["failed"] = rows["failed"] * (rows["pattern"] == 0)
    table = PatternTable.from_episodes(**rows)
    fit = piecewise_exponential(table, design=[[0.0, 2.0], [1.0, 2.0]], cuts=[20, 40])
    assert not fit.estimable.any()
    assert np.isnan(fit.coefficients).all() and fit.rates.rate.isna().all()


def test_refusals():
    with pytest.raises(FitError, match="at least one failure"):
        piecewise_exponential(
            PatternTable.from_episodes([0], [5], [0], [0]), design=[[1.0]], cuts=[]
        )
    table = PatternTable.from_episodes(**lives(7))
    with pytest.raises(InputError, match="a row for every pattern"):
        piecewise_exponential(table, design=[[1.0]], cuts=[])
    with pytest.raises(InputError, match="cuts must be increasing"):
        piecewise_exponential(table, design=TWO, cuts=[20, 10])


def test_statsmodels_finds_the_same_with_every_rate_a_parameter():
    """All rates and ratios at once in one model matrix, as a generalised linear model."""
    sm = pytest.importorskip("statsmodels.api")
    table = PatternTable.from_episodes(**lives(8, rows=400))
    design = np.array(TWO)
    offset = np.array([0.3, -0.2])
    ours = piecewise_exponential(table, design=design, cuts=[15, 30, 45], offset=offset)
    cells = table.person_days([15, 30, 45])
    cells = cells[cells["person_days"] > 0]
    piece = (cells["stratum"] * 4 + cells["band"]).to_numpy(int)
    assert np.bincount(piece, weights=cells["failed"]).min() > 0
    matrix = np.column_stack([np.eye(8)[piece], design[cells["pattern"]]])
    theirs = sm.GLM(
        cells["failed"].to_numpy(),
        matrix,
        family=sm.families.Poisson(),
        offset=np.log(cells["person_days"].to_numpy()) + offset[cells["pattern"]],
    ).fit(tol=1e-13, tol_criterion="params")
    assert ours.coefficients[0] == pytest.approx(theirs.params[8], rel=CONVERGED)
    assert ours.standard_errors[0] == pytest.approx(theirs.bse[8], rel=CONVERGED)
    assert ours.rates["rate"].to_numpy() == pytest.approx(np.exp(theirs.params[:8]), rel=CONVERGED)
    assert ours.log_likelihood == pytest.approx(theirs.llf, rel=CONVERGED)


def test_cells_read_a_few_at_a_time_give_the_same(monkeypatch):
    table = PatternTable.from_episodes(**lives(9))
    whole = piecewise_exponential(table, design=TWO, cuts=[20, 40])
    monkeypatch.setattr("failstats.estimate.poisson_model.CELLS_AT_ONCE", 3)
    few = piecewise_exponential(table, design=TWO, cuts=[20, 40])
    assert few.coefficients == pytest.approx(whole.coefficients, rel=1e-12)
    assert few.covariance == pytest.approx(whole.covariance, rel=1e-12)
