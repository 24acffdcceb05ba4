"""Intervals of lives that take lives of one unit, or building, together: one pass over rows.

The rows stay where they are: every set of units hands back sums of p x p numbers.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from failstats.estimate.life_models import FittedLife
from failstats.estimate.life_robust import LifeLaw, robust_covariance, score_squares
from failstats.warehouse.session import Session

if TYPE_CHECKING:
    from failstats.answers.lives_fits import Selection

__all__ = ["clustered"]


def clustered(
    session: Session,
    part: str,
    selection: Selection,
    fits: Mapping[str, FittedLife],
    by: Sequence[str] = (),
) -> dict[str, FittedLife]:
    """The same fits with standard errors that take lives of one unit (or building) together.

    Parameters
    ----------
    fits : stratum (a JSON list of the values of `by`) -> the fit of its lives of `selection`.
    """
    if not fits:
        return {}
    laws = {key: LifeLaw.of(found) for key, found in fits.items()}
    squares = session.add_units(
        _squares, selection.params(part), selection.clock, laws, tuple(by), reading=("lives_rows",)
    )
    return {
        key: found.clustered(robust_covariance(found, squares[key])) for key, found in fits.items()
    }


def _squares(
    session: Session,
    given: dict[str, Any],
    clock: str,
    laws: dict[str, LifeLaw],
    by: tuple[str, ...],
) -> dict[str, np.ndarray]:
    """Of some units: stratum -> the sum of squared scores of its clusters."""
    rows = session.run("lives_rows", **given)
    return {
        key: _of_rows(rows[_of_stratum(rows, by, key)], clock, law) for key, law in laws.items()
    }


def _of_rows(rows: pd.DataFrame, clock: str, law: LifeLaw) -> np.ndarray:
    per_day: Any = 1.0
    if clock == "loads":
        rows = rows.dropna(subset="loads_per_week")
        per_day = rows["loads_per_week"].to_numpy(float) / 7
    entry = np.floor(rows["entry_days"].to_numpy(float) * per_day + 0.5)
    leaves = np.floor(rows["exit_days"].to_numpy(float) * per_day + 0.5)
    return score_squares(
        law,
        entry=entry,
        exit=leaves,
        failed=(rows["ending"] == "failed").to_numpy(),
        cluster=rows["cluster_id"].to_numpy(),
    )


def _of_stratum(rows: pd.DataFrame, by: Sequence[str], key: str) -> Any:
    mine = np.ones(len(rows), dtype=bool)
    for column, value in zip(by, json.loads(key) if by else (), strict=True):
        mine &= (rows[column].isna() if value is None else rows[column] == value).to_numpy()
    return mine
