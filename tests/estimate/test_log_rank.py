"""The log-rank test: strata, late entry, many groups, and what cannot be compared."""

from __future__ import annotations

import numpy as np
import pytest

from failstats.counts.risk_table import RiskTable
from failstats.errors import FitError, InputError
from failstats.estimate.log_rank import log_rank

ROUNDING = 1e-10


def company(seed, n=150):
    rng = np.random.default_rng(seed)
    group, stratum = rng.integers(0, 3, n), rng.integers(0, 2, n)
    entry = rng.integers(0, 5, n)
    exit_ = entry + rng.integers(1, 15, n)
    return group, stratum, entry, exit_, rng.random(n) < 0.6


def slow(group, stratum, entry, exit_, failed):
    """Age by age, row by row: observed minus expected, and hypergeometric covariance."""
    k = group.max() + 1
    gap, covariance = np.zeros(k), np.zeros((k, k))
    for s in np.unique(stratum):
        for t in np.unique(exit_[failed & (stratum == s)]):
            here = (stratum == s) & (entry < t) & (exit_ >= t)
            died = here & failed & (exit_ == t)
            n, d = here.sum(), died.sum()
            share = np.array([(here & (group == g)).sum() for g in range(k)]) / n
            gap += np.array([(died & (group == g)).sum() for g in range(k)]) - d * share
            if n > 1:
                covariance += d * (n - d) / (n - 1) * (np.diag(share) - np.outer(share, share))
    return float(gap[:-1] @ np.linalg.solve(covariance[:-1, :-1], gap[:-1]))


def tables(group, stratum, entry, exit_, failed):
    out, groups, strata = [], [], []
    for g in np.unique(group):
        for s in np.unique(stratum):
            rows = (group == g) & (stratum == s)
            out.append(RiskTable.from_lives(entry[rows], exit_[rows], failed[rows]))
            groups.append(f"group {g}")
            strata.append(s)
    return out, groups, strata


@pytest.mark.parametrize("seed", range(4))
def test_stratified_against_rows(seed):
    data = company(seed)
    counted, groups, strata = tables(*data)
    found = log_rank(counted, groups=groups, strata=strata)
    assert found.statistic == pytest.approx(slow(*data), rel=ROUNDING)
    assert (found.degrees, found.strata) == (2, 2)
    assert found.observed.sum() == pytest.approx(found.expected.sum(), rel=ROUNDING)


@pytest.mark.parametrize("seed", range(4))
def test_plain_adds_the_strata_up(seed):
    group, stratum, entry, exit_, failed = company(seed)
    counted, groups, _ = tables(group, stratum, entry, exit_, failed)
    found = log_rank(counted, groups=groups)
    everyone = np.zeros_like(stratum)
    assert found.statistic == pytest.approx(
        slow(group, everyone, entry, exit_, failed), rel=ROUNDING
    )


def test_two_groups_against_lifelines():
    statistics = pytest.importorskip("lifelines.statistics")
    rng = np.random.default_rng(1)
    exits, failed = rng.integers(1, 30, 90), rng.random(90) < 0.7
    half = np.arange(90) < 45
    ours = log_rank([RiskTable.from_lives(0, exits[r], failed[r]) for r in (half, ~half)])
    theirs = statistics.logrank_test(exits[half], exits[~half], failed[half], failed[~half])
    assert ours.statistic == pytest.approx(theirs.test_statistic, rel=ROUNDING)
    assert ours.p_value == pytest.approx(theirs.p_value, rel=ROUNDING)


def test_a_cause_one_group_never_had():
    one = RiskTable.from_lives(0, [2, 3, 4], ["wear", "trip", "wear"])
    two = RiskTable.from_lives(0, [2, 3, 4], ["trip", "trip", ""])
    found = log_rank({"one": one, "two": two}, cause="wear")
    assert found.observed.tolist() == [2, 0]


def test_what_cannot_be_compared():
    table = RiskTable.from_lives(0, [2, 3], ["", ""])
    with pytest.raises(FitError, match="nothing can be compared"):
        log_rank([table, table])
    with pytest.raises(InputError, match="two groups or more"):
        log_rank([table])
    with pytest.raises(InputError, match="one label for each table"):
        log_rank([table, table], groups=["a"])
    with pytest.raises(InputError, match="share one unit"):
        log_rank([table, table.rescaled(7, "weeks")])
