"""Robust variance of the hazard model in one pass over rows that stream by: any number of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from failstats.errors import FitError, InputError
from failstats.estimate.hazard_baseline import running_sum
from failstats.estimate.hazard_fit import CoxFit

__all__ = ["COLUMNS", "DENSE_LOOKUP", "streamed_scores"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

COLUMNS = ("cluster", "stratum", "pattern", "start", "stop", "failed")
# (stratum, age) look-ups are a full array up to this many numbers (320 MB).
DENSE_LOOKUP = 40_000_000
LARGEST = 2**31 - 1


def _look_ups(fit: CoxFit) -> tuple[int, FloatArray, NDArray[np.int32]]:
    """Span of a stratum's ages, sums up to each (stratum, age + 1), and its event cell or -1."""
    events = fit.events
    span = int(events.age.max()) + 2
    strata = int(events.stratum.max()) + 1
    width = fit.kept.size
    if strata * span * (1 + width) > DENSE_LOOKUP:
        raise FitError(
            f"the pass needs a table of {strata} strata by {span} ages, which is too large.",
            do="use fewer strata.",
        )
    key = events.stratum * span + events.age + 1
    event = np.full(strata * span, -1, dtype=np.int32)
    event[key] = np.arange(key.size)
    steps = np.zeros((strata * span, 1 + width))
    steps[key] = np.column_stack([events.hazard, events.hazard_mean])
    return span, running_sum(steps, np.repeat(np.arange(strata), span)), event


def _column(batch: Mapping[str, NDArray[Any]], name: str) -> NDArray[Any]:
    """One column as int32 (clusters: int64), refusing what is no whole number."""
    values = np.asarray(batch[name])
    if values.dtype != np.bool_ and not np.issubdtype(values.dtype, np.integer):
        raise InputError(f"{name} must hold whole numbers, but its type is {values.dtype}.")
    if name == "cluster":
        if values.size and int(values.min()) < 0:
            raise InputError("cluster must be coded from 0, but is below it on some rows.")
        return values.astype(np.int64, copy=False)
    if values.dtype.itemsize > 2 and values.size and int(values.max()) > LARGEST:
        raise InputError(f"{name} must be below {LARGEST}, but reaches {int(values.max())}.")
    return values.astype(np.int32, copy=False)


def _refuse(code: int, row: int, patterns: int) -> None:
    from failstats.estimate import hazard_loops as loops

    said = {
        loops.NEGATIVE: "stratum, pattern, start and failed must be 0 or more, but are not",
        loops.REVERSED: "start must not be after stop, but is",
        loops.PATTERN: f"pattern must be below {patterns}, but is not",
        loops.NO_EVENT: "rows must be the ones fitted, but an age without a fitted failure stands",
    }
    if code in said:
        raise InputError(
            f"{said[code]} on row {row} (counted from 0).",
            do="pass the same episodes, strata and patterns that were counted.",
            rows=[row],
        )


def streamed_scores(
    fit: CoxFit, batches: Iterable[Mapping[str, NDArray[Any]]]
) -> tuple[IntArray, FloatArray]:
    """Score residuals of the hazard model, summed by cluster, from rows that stream by.

    Parameters
    ----------
    fit : the hazard model.
    batches : any number of mappings with the columns of ``COLUMNS``, whole numbers of one
        length: ``cluster`` codes counted from 0 (memory grows with the largest), and the episodes
        that were counted, in any order. ``stratum`` may be absent: one stratum.

    Returns
    -------
    (clusters,) the codes seen, and (clusters, k) the sums; columns as in ``fit.kept``.

    Raises
    ------
    InputError : the rows are not the ones fitted. FitError : too many strata by ages.

    Notes
    -----
    A compiled loop, one visit per row; the first call compiles it (a second or two). Memory is
    one batch and the clusters' sums.
    """
    from failstats.estimate.hazard_loops import add_score_residuals

    span, upto, event = _look_ups(fit)
    events, width = fit.events, fit.kept.size
    values = np.where(np.isfinite(fit.design.values), fit.design.values, 0.0)
    design = np.ascontiguousarray((values - fit.centre)[:, fit.kept])
    at_failure = np.column_stack([events.tied, events.tied_mean, events.mean])
    hazard = np.ascontiguousarray(fit.relative_hazard)
    total, seen = np.zeros((0, width)), np.zeros(0, dtype=np.uint8)
    before = failures = 0
    for batch in batches:
        columns = {name: _column(batch, name) for name in COLUMNS if name in batch}
        rows = columns["start"].size
        columns.setdefault("stratum", np.zeros(rows, dtype=np.int32))
        if {column.shape for column in columns.values()} != {(rows,)}:
            raise InputError("all columns of a batch must be of one length.")
        if not rows:
            continue
        top = int(columns["cluster"].max()) + 1
        if top > total.shape[0]:
            size = max(top, 2 * total.shape[0] if total.shape[0] else top)
            grown, marks = np.zeros((size, width)), np.zeros(size, dtype=np.uint8)
            grown[: total.shape[0]], marks[: seen.size] = total, seen
            total, seen = grown, marks
        add: Any = add_score_residuals  # compiled: the checker does not know what it takes
        code, row, hit = add(
            total, seen, *(columns[name] for name in COLUMNS), span, upto, event, hazard, design,
            at_failure,
        )  # fmt: skip
        _refuse(code, before + row, hazard.size)
        before, failures = before + rows, failures + hit
    if failures != fit.failures:
        raise InputError(
            f"the rows must be the ones fitted, but hold {failures} failures and the fit "
            f"{fit.failures}.",
            do="pass the same episodes that were counted.",
        )
    found = np.flatnonzero(seen)
    return found, total if found.size == total.shape[0] else total[found]
