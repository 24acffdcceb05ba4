"""Fitted lives when a failure is only known to lie between two looks."""

from __future__ import annotations

from typing import Any

import numpy as np

from failstats.errors import InputError
from failstats.estimate.life_families import family_named
from failstats.estimate.life_models import (
    FittedLife,
    NoFit,
    best_fit,
    fitted,
    penalty_for,
    too_few,
)
from failstats.estimate.likelihood import Climb, IntervalLikelihood, ShapePenalty

__all__ = ["fit_intervals", "interval_rows"]


def fit_intervals(
    lower: Any,
    *,
    upper: Any,
    entry: Any = None,
    counts: Any = None,
    model: str = "weibull",
    penalty: ShapePenalty | None = None,
    unit: str = "days",
) -> FittedLife | NoFit:
    """Fit how long parts last when a failure is only known to lie between two looks.

    Parameters
    ----------
    lower : shape (m,), last age at which the part was seen working (0: never looked before).
    upper : shape (m,), age at which it was found failed; equal to lower when known exactly,
        infinite when it still worked.
    entry : shape (m,), age at which it came under observation; 0 when absent.
    counts : shape (m,), how many parts each row stands for; 1 when absent.
    model, penalty : as in ``fit``.

    Notes
    -----
    The interval is (lower, upper]: working at lower, failed at upper.
    """
    family = family_named(model)
    low, up, start, weight = interval_rows(lower, upper=upper, entry=entry, counts=counts)
    failures = float(weight[np.isfinite(up)].sum())
    used = penalty_for(failures, family, penalty)
    likelihood = IntervalLikelihood(
        family=family, lower=low, upper=up, entry=start, counts=weight, penalty=used
    )
    middle = np.where(np.isfinite(up), (low + np.where(np.isfinite(up), up, 0)) / 2, low)
    exposure = float(weight @ np.maximum(middle - start, 0.0))
    refusal = too_few(failures) or (None if exposure > 0 else "nothing was lived under observation")
    found: Climb | str = refusal or best_fit(likelihood, failures / exposure)
    lives = float(weight.sum())
    if isinstance(found, str):
        return NoFit(
            reason=found, model=model, failures=failures, lives=lives, exposure=exposure, unit=unit
        )
    return fitted(
        found,
        likelihood,
        used,
        failures=failures,
        lives=lives,
        exposure=exposure,
        unit=unit,
        cause=None,
    )


def interval_rows(
    lower: Any, *, upper: Any, entry: Any = None, counts: Any = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Check rows of (lower, upper] with entry and counts; rows that stand for nothing go."""
    low, up = np.asarray(lower, dtype=float), np.asarray(upper, dtype=float)
    start = np.zeros(low.shape) if entry is None else np.asarray(entry, dtype=float)
    weight = np.ones(low.shape) if counts is None else np.asarray(counts, dtype=float)
    if not low.shape == up.shape == start.shape == weight.shape or low.ndim != 1:
        raise InputError("lower, upper, entry and counts must be columns of one length.")
    ok = (low >= 0) & np.isfinite(low) & (up >= low) & (up > 0) & (start >= 0) & (weight >= 0)
    ok &= (start < low) | ((start == low) & ((up > low) | (low == 0)))
    wrong = np.flatnonzero(~ok)
    if wrong.size:
        raise InputError(
            "each row needs 0 <= entry <= lower <= upper, upper above 0, and entry below a failure "
            f"known exactly; {wrong.size} of {low.size} rows do not have it.",
            where="rows " + ", ".join(map(str, wrong[:5])),
            do="correct these rows, or leave them out.",
            rows=wrong.tolist(),
        )
    held = weight > 0
    return low[held], up[held], start[held], weight[held]
