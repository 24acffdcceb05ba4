"""Units drawn anew: what is drawn, that it adds up, and that the intervals are right."""

from __future__ import annotations

import hashlib
import math
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import failstats
from failstats.counts.bootstrap import (
    BOUNDS,
    ReplicateCounts,
    key_of,
    replicate_counts,
    weights,
)
from failstats.counts.partitions import open_partitions
from failstats.counts.pattern_table import PatternTable
from failstats.errors import InputError
from failstats.estimate.curves import kaplan_meier
from failstats.estimate.hazard_fit import cox
from failstats.estimate.hazard_robust import cluster_robust
from failstats.estimate.replicates import cox_replicates, percentile_interval, replicated_curve
from failstats.warehouse.session import open_session

MASK = 2**64 - 1
GIVEN: dict[str, Any] = {
    "part": "belt", "births": ["known"], "followed": ["contract", "call_out"],
    "bracket": "stated_end",
}  # fmt: skip


def splitmix64(state: int) -> int:
    """One output and step of the published generator, in whole numbers of any size."""
    mixed = ((state ^ (state >> 30)) * 0xBF58476D1CE4E5B9) & MASK
    mixed = ((mixed ^ (mixed >> 27)) * 0x94D049BB133111EB) & MASK
    return mixed ^ (mixed >> 31)


def test_the_hash_is_the_published_one() -> None:
    # first output for seed 0 (values found in many test suites of the generator; from memory)
    assert splitmix64(0x9E3779B97F4A7C15) == 0xE220A8397B1DCDAF


def test_weights_are_read_off_the_poisson_distribution() -> None:
    """Another way: the share of each hash against partial sums of exp(-1) / k!, in floats."""
    keys = [0, 1, 2**63, MASK, key_of("u00042")]
    found = weights(np.array(keys, dtype=np.uint64), replicates=200)
    for row, key in enumerate(keys):
        for replicate in range(200):
            state = (key + (replicate + 1) * 0x9E3779B97F4A7C15) & MASK
            u, total, k = splitmix64(state) / 2**64, math.exp(-1), 0
            while u >= total:
                k += 1
                total += math.exp(-1) / math.factorial(k)
            assert found[row, replicate] == k
    assert abs(float(BOUNDS[0]) / 2**64 - math.exp(-1)) < 1e-15


def test_weights_have_the_moments_of_poisson() -> None:
    keys = np.array([key_of(f"u{i:05d}") for i in range(4000)], dtype=np.uint64)
    found = weights(keys, replicates=250).astype(float)
    n = found.size
    assert abs(found.mean() - 1) < 5 / math.sqrt(n)
    assert abs(found.var() - 1) < 5 * math.sqrt(3 / n)  # fourth central moment of Poisson(1) is 4
    counted = Counter(found.astype(int).ravel().tolist())
    for k in range(5):
        p = math.exp(-1) / math.factorial(k)
        assert abs(counted[k] / n - p) < 5 * math.sqrt(p / n)
    # neither replicates of a unit nor units of a replicate hang together
    for one in (np.corrcoef(found.T[:40]), np.corrcoef(found[:40])):
        off = one[~np.eye(len(one), dtype=bool)]
        assert abs(off.mean()) < 0.02


def test_keys_are_those_of_the_query(whole: Path) -> None:
    with open_session(whole) as session:
        frame = session.run("lives_keyed", by=[], clock="days", **GIVEN)
        rows = session.run("lives_rows", **GIVEN)
    assert len(frame) == len(rows)
    assert sorted(frame["cluster_key"].astype("uint64")) == sorted(
        key_of(label) for label in rows["cluster_id"]
    )
    assert key_of("x") == int.from_bytes(hashlib.md5(b"x").digest()[8:], "little")


def test_counts_are_rows_counted_as_often_as_drawn(whole: Path) -> None:
    """By another way: rows repeated by their weights, in one replicate after the other."""
    with open_session(whole, families=["G1"]) as session:
        counts = replicate_counts(session, by=["first_or_later"], replicates=6, **GIVEN)
        rows = session.run("lives_rows", **GIVEN)
        cells = session.run("lives_cells", by=["first_or_later"], clock="days", **GIVEN)
    drawn = weights([key_of(label) for label in rows["cluster_id"]], replicates=6)
    for at, stratum in enumerate(counts.strata):
        mine = (rows["first_or_later"] == stratum[2:-2]).to_numpy()
        for replicate in range(6):
            expected = np.zeros((3, counts.entered.shape[1]), dtype=np.int64)
            for row, weight in zip(rows[mine].itertuples(), drawn[mine, replicate], strict=True):
                expected[0, row.entry_days] += weight
                expected[1 if row.ending == "failed" else 2, row.exit_days] += weight
            found = (counts.entered, counts.failed, counts.left)
            for column, sums in zip(found, expected, strict=True):
                assert (column[at, :, replicate] == sums).all()
    assert set(cells["stratum"]) == set(counts.strata)


def _same(one: ReplicateCounts, other: ReplicateCounts) -> bool:
    return one.strata == other.strata and all(
        np.array_equal(getattr(one, name), getattr(other, name))
        for name in ("entered", "failed", "left")
    )


def test_partitions_give_the_same_to_the_last_bit(whole: Path, parted: Path) -> None:
    with open_session(whole) as one, open_partitions(parted) as many:
        for by in ([], ["family"]):
            assert _same(
                replicate_counts(one, by=by, replicates=40, **GIVEN),
                replicate_counts(many, by=by, replicates=40, **GIVEN),
            )


def test_the_answer_is_the_same_from_partitions(
    whole: Path, parted: Path, differences: Any
) -> None:
    with (
        failstats.open_warehouse(whole, families=["E2"]) as one,
        failstats.open_warehouse(parted, families=["E2"]) as many,
    ):
        expected, found = (r.lives("belt", by="fuel", replicates=100) for r in (one, many))
    assert differences(expected.to_dict()["results"], found.to_dict()["results"]) == []
    head = expected.results[0].replicates
    assert head is not None
    assert [row.years for row in head.survival] == [1, 2, 5, 10]
    for row in head.survival:
        if row.survival is None:
            continue
        assert row.ci[0] <= row.survival <= row.ci[1]
        assert row.known_in <= 100
    assert "units drawn anew 100 times" in str(expected)
    assert "lives_keyed" in expected.settings["queries"]


def test_intervals_are_those_of_the_formula_where_units_are_independent() -> None:
    """One life per unit: nothing hangs together, and Greenwood's error is right."""
    rng = np.random.default_rng(20261130)
    n, replicates = 2000, 400
    life, followed = rng.weibull(1.8, n) * 3287, rng.uniform(0, 5000, n)
    exit_, failed = np.ceil(np.minimum(life, followed)).astype(int), life <= followed
    drawn = weights([key_of(f"u{i}") for i in range(n)], replicates=replicates)
    ages = int(exit_.max()) + 1
    shape = (1, ages, replicates)
    entered, ended, left = (np.zeros(shape, np.int32) for _ in range(3))
    entered[0, 0] = drawn.sum(axis=0)
    np.add.at(ended[0], exit_[failed], drawn[failed])
    np.add.at(left[0], exit_[~failed], drawn[~failed])
    counts = ReplicateCounts(strata=("[]",), entered=entered, failed=ended, left=left)
    plain = ReplicateCounts(
        strata=("[]",),
        entered=np.bincount([0], weights=[n], minlength=ages).astype(np.int32).reshape(1, -1, 1),
        failed=np.bincount(exit_[failed], minlength=ages).astype(np.int32).reshape(1, -1, 1),
        left=np.bincount(exit_[~failed], minlength=ages).astype(np.int32).reshape(1, -1, 1),
    )
    curve = kaplan_meier(plain.tables("[]")[0], cause="failed")
    many = replicated_curve(counts.tables("[]"), ages=[365, 730, 1826, 3652])
    spread = many.survival.std(axis=0, ddof=1)
    formula = curve.std_error[[np.searchsorted(curve.age, a, side="right") - 1 for a in many.age]]
    # the standard error of a standard deviation of 400 draws is 3.5 %; four of these
    assert np.abs(spread / formula - 1).max() < 0.15
    low, high = many.survival_interval().T
    assert (low < curve.survival_at(many.age)).all()
    assert (curve.survival_at(many.age) < high).all()


def test_percentiles_are_order_statistics() -> None:
    assert percentile_interval(np.arange(500)) == (12.0, 487.0)
    assert percentile_interval([1.0, math.inf, math.nan]) == (1.0, math.inf)
    assert all(math.isnan(end) for end in percentile_interval([math.nan]))


def test_too_much_or_too_little_is_refused(whole: Path) -> None:
    with open_session(whole) as session:
        with pytest.raises(InputError, match="must be at least 2"):
            replicate_counts(session, replicates=1, **GIVEN)
        with pytest.raises(InputError, match="must fit into 3 GB"):
            replicate_counts(session, by=["family"], replicates=200_000, **GIVEN)


# --- hazard ratios --------------------------------------------------------------------------------

REFITS = 20
# first order in the weights: with 600 units a replicate moves the coefficients by their standard
# error s, and what is left out is of order s squared; a quarter of s is about three times that
LEFT_OUT = 0.25


@pytest.fixture(scope="module")
def episodes() -> dict[str, np.ndarray]:
    """600 units with two lives each that share a weakness; hazard doubled in half of them."""
    rng = np.random.default_rng(7)
    unit = np.repeat(np.arange(600), 2)
    pattern = np.repeat(rng.integers(0, 4, 600), 2)  # two binary covariates
    weak = np.repeat(rng.gamma(4, 0.25, 600), 2)
    rate = weak * np.exp(0.7 * (pattern % 2) - 0.4 * (pattern // 2)) / 3000
    life, followed = rng.exponential(1 / rate), rng.uniform(200, 4000, unit.size)
    return {
        "unit": unit,
        "pattern": pattern,
        "start": np.zeros(unit.size, dtype=int),
        "stop": np.ceil(np.minimum(life, followed)).astype(int),
        "failed": (life <= followed).astype(int),
    }


def test_replicates_from_influence_are_those_of_true_fits(episodes: dict[str, np.ndarray]) -> None:
    design = np.array([[p % 2, p // 2] for p in range(4)], dtype=float)
    rows = {k: v for k, v in episodes.items() if k != "unit"}
    fit = cox(PatternTable.from_episodes(**rows), design=design)
    robust = cluster_robust(fit, cluster=episodes["unit"], **rows)
    drawn = weights([key_of(f"u{u}") for u in robust.cluster], replicates=500)
    found = cox_replicates(robust, drawn)
    # all 500 spread as the sandwich says
    assert np.abs(found.std(axis=0, ddof=1) / robust.standard_errors - 1).max() < 0.13
    true = []
    for replicate in range(REFITS):
        times = drawn[np.searchsorted(robust.cluster, episodes["unit"]), replicate]
        again = {name: np.repeat(column, times) for name, column in rows.items()}
        true.append(cox(PatternTable.from_episodes(**again), design=design).coefficients)
    error = (found[:REFITS] - np.array(true)) / robust.standard_errors
    assert np.abs(error).max() < LEFT_OUT
    for column in range(2):
        assert np.corrcoef(found[:REFITS, column], np.array(true)[:, column])[0, 1] > 0.99


def test_weights_may_come_in_pieces(episodes: dict[str, np.ndarray]) -> None:
    design = np.array([[p % 2, p // 2] for p in range(4)], dtype=float)
    rows = {k: v for k, v in episodes.items() if k != "unit"}
    fit = cox(PatternTable.from_episodes(**rows), design=design)
    robust = cluster_robust(fit, cluster=episodes["unit"], **rows)
    drawn = weights([key_of(f"u{u}") for u in robust.cluster], replicates=30)
    whole = cox_replicates(robust, drawn)
    assert np.array_equal(cox_replicates(robust, lambda first, last: drawn[first:last]), whole)
    with pytest.raises(InputError, match="one row of weights"):
        cox_replicates(robust, drawn[:-1])
