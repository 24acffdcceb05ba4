"""The streamed robust variance and full arrays of counts, against the same from rows."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from failstats.counts.pattern_table import PatternTable
from failstats.errors import FitError, InputError
from failstats.estimate import hazard_stream
from failstats.estimate.hazard_model import cluster_robust, cluster_robust_stream, cox

DESIGN = [[0.0, 3.0], [1.0, 5.0], [0.0, 9.0], [1.0, 2.0]]


def _rows(seed: int = 1, size: int = 3000) -> dict[str, np.ndarray]:
    """Late entries, day-0 failures, ties, rows without time, a stratum that never fails."""
    rng = np.random.default_rng(seed)
    start = np.where(rng.random(size) < 0.4, rng.integers(0, 60, size), 0)
    stop = start + rng.integers(0, 40, size)
    stratum = rng.integers(0, 4, size)
    failed = (rng.random(size) < 0.35) & (stratum != 3) & ((stop > start) | (stop == 0))
    return {
        "cluster": rng.integers(0, 700, size) * 2,  # every other code stays unused
        "stratum": stratum,
        "pattern": rng.integers(0, 4, size),
        "start": start,
        "stop": stop,
        "failed": failed.astype(np.int8),
    }


def _table(rows: dict[str, np.ndarray]) -> PatternTable:
    return PatternTable.from_episodes(**{k: v for k, v in rows.items() if k != "cluster"})


def _pieces(rows: dict[str, np.ndarray], step: int) -> Iterator[dict[str, np.ndarray]]:
    for first in range(0, rows["start"].size, step):
        yield {name: column[first : first + step] for name, column in rows.items()}


@pytest.mark.parametrize("ties", ["efron", "breslow"])
@pytest.mark.parametrize("step", [101, 5000])
def test_streamed_rows_give_the_same_variance(ties: str, step: int) -> None:
    rows = _rows()
    fit = cox(_table(rows), design=DESIGN, ties=ties)
    whole = cluster_robust(fit, **rows)
    streamed = cluster_robust_stream(fit, _pieces(rows, step))
    np.testing.assert_array_equal(streamed.cluster, whole.cluster)
    np.testing.assert_allclose(streamed.covariance, whole.covariance, rtol=1e-12)
    np.testing.assert_allclose(streamed.influence, whole.influence, rtol=1e-9, atol=1e-14)


def test_one_stratum_needs_no_column() -> None:
    rows = _rows()
    del rows["stratum"]
    fit = cox(_table(rows), design=DESIGN)
    streamed = cluster_robust_stream(fit, _pieces(rows, 999))
    np.testing.assert_allclose(
        streamed.standard_errors, cluster_robust(fit, **rows).standard_errors, rtol=1e-12
    )


def _broken(name: str, value: float, row: int = 1234) -> dict[str, np.ndarray]:
    rows = _rows()
    rows[name] = rows[name].astype(np.asarray(value).dtype)
    rows[name][row] = value
    return rows


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("pattern", 9, "row 1234"),
        ("pattern", -1, "row 1234"),
        ("start", 5000, "row 1234"),
        ("start", -3, "row 1234"),
        ("stop", 2**40, "below 2147483647"),
        ("cluster", -1, "coded from 0"),
        ("cluster", 0.5, "whole numbers"),
    ],
)
def test_rows_that_cannot_be_right_are_refused(name: str, value: float, said: str) -> None:
    fit = cox(_table(_rows()), design=DESIGN)
    with pytest.raises(InputError, match=said):
        cluster_robust_stream(fit, _pieces(_broken(name, value), 500))


def test_other_rows_than_those_fitted_are_refused() -> None:
    fit = cox(_table(_rows()), design=DESIGN)
    fewer = {name: column[:-200] for name, column in _rows().items()}
    with pytest.raises(InputError, match="the rows must be the ones fitted"):
        cluster_robust_stream(fit, [fewer])
    later = _rows()
    at = int(np.flatnonzero(later["failed"])[0])
    later["stop"][at] = 4000
    with pytest.raises(InputError, match="without a fitted failure"):
        cluster_robust_stream(fit, [later])


def test_too_many_strata_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    fit = cox(_table(_rows()), design=DESIGN)
    monkeypatch.setattr(hazard_stream, "DENSE_LOOKUP", 10)
    with pytest.raises(FitError, match="strata by"):
        cluster_robust_stream(fit, [_rows()])


def _dense(rows: dict[str, np.ndarray]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    shape = (4, 4, 101)
    entered, failed, left = (np.zeros(shape, dtype=np.int64) for _ in range(3))
    alive = (rows["stop"] > rows["start"]) | (rows["stop"] == 0)
    group = (rows["stratum"][alive], rows["pattern"][alive])
    fell = rows["failed"][alive].astype(bool)
    np.add.at(entered, (*group, rows["start"][alive]), 1)
    np.add.at(failed, (*group, rows["stop"][alive]), fell)
    np.add.at(left, (*group, rows["stop"][alive]), ~fell)
    return entered, failed, left


def test_full_arrays_are_the_same_table_and_fit(monkeypatch: pytest.MonkeyPatch) -> None:
    from failstats.estimate import hazard_sums

    rows = _rows()
    cells, dense = _table(rows), PatternTable.from_dense(*_dense(rows))
    for name in ("stratum", "pattern", "age", "entered", "failed", "left"):
        np.testing.assert_array_equal(getattr(dense, name), getattr(cells, name))
    monkeypatch.setattr(hazard_sums, "SMALL_STRATUM", 1)
    one, two = cox(cells, design=DESIGN), cox(dense, design=DESIGN)
    np.testing.assert_array_equal(one.coefficients, two.coefficients)
    np.testing.assert_array_equal(one.covariance, two.covariance)
    np.testing.assert_array_equal(one.events.age, two.events.age)


def test_full_arrays_that_do_not_balance_are_refused() -> None:
    entered, failed, left = _dense(_rows())
    bad: list[tuple[Any, Any, Any]] = [
        (entered[:2], failed, left), (entered * 0, failed, left), (-entered, failed, left),
        (entered * 1.0, failed, left),
    ]  # fmt: skip
    for arrays in bad:
        with pytest.raises(InputError):
            PatternTable.from_dense(*arrays)
