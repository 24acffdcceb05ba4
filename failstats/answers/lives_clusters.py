"""Intervals of lives that take lives of one unit, or building, together: one pass over rows.

The rows stay where they are: every set of units hands back sums of p x p numbers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from pandas.api.types import union_categoricals

from failstats.estimate.life_models import FittedLife
from failstats.estimate.life_robust import LifeLaw, robust_covariance, score_squares
from failstats.warehouse.session import Session

if TYPE_CHECKING:
    from failstats.answers.lives_fits import Selection

__all__ = ["clustered"]

ROWS_AT_ONCE = 500_000


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
        _squares, selection.params(part), selection.clock, laws, tuple(by), reading=("lives_keyed",)
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
    lives = _narrow(session, {**given, "by": list(by), "clock": clock})
    strata = lives.pop("stratum")
    found = {}
    for key, law in laws.items():
        mine = strata == key if by else slice(None)
        columns = {name: column[mine] for name, column in lives.items()}
        found[key] = score_squares(law, **columns)
    return found


def _narrow(session: Session, given: dict[str, Any]) -> dict[str, Any]:
    """The lives in few bytes each, some at a time: entry, exit (m,) in whole days or loads, failed,
    cluster, a number; and the stratum as a category."""
    found: dict[str, list[Any]] = {name: [] for name in ("entry", "exit", "failed", "cluster")}
    strata: list[pd.Categorical] = []
    for batch in session.batches("lives_keyed", rows=ROWS_AT_ONCE, **given):
        found["entry"].append(batch.column("entry_age").to_numpy().astype(np.int32))
        found["exit"].append(batch.column("exit_age").to_numpy().astype(np.int32))
        found["failed"].append(batch.column("failed").to_numpy(zero_copy_only=False).astype(bool))
        found["cluster"].append(batch.column("cluster_key").to_numpy().astype(np.uint64))
        strata.append(batch.column("stratum").dictionary_encode().to_pandas().array)
    empty = {"entry": np.int32, "exit": np.int32, "failed": bool, "cluster": np.uint64}
    whole = {
        name: np.concatenate(columns) if columns else np.zeros(0, dtype=empty[name])
        for name, columns in found.items()
    }
    return {**whole, "stratum": union_categoricals(strata) if strata else np.zeros(0, dtype=str)}
