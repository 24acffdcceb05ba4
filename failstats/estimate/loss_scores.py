"""How far each unit pulls the fit of ``silent_loss``: for intervals that keep its lives together.

Internal to ``silent_loss``. A unit's lives and its silence are no separate witnesses: where units
differ, they go together, and intervals that take them apart are too narrow.
"""

from __future__ import annotations

import numpy as np

from failstats.counts.row_pass import LossLives, LossRows
from failstats.estimate.loss_likelihood import GOODBYE, Layout, Tails, batches_of, with_goodbyes

__all__ = ["loss_scores"]


def _sums(pair: np.ndarray, age: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Weibull H and H log H; 0 at age 0."""
    log_sum = np.exp(pair[0]) * (np.log(np.maximum(age, 1e-9)) - pair[1])
    total = np.where(age > 0, np.exp(log_sum), 0.0)
    return total, np.where(age > 0, total * log_sum, 0.0)


def _lived(
    pair: np.ndarray, entry: np.ndarray, exit_: np.ndarray, failed: np.ndarray
) -> np.ndarray:
    """Shape (k, 2): slope in (log shape, log scale) of each life's log-likelihood."""
    k = float(np.exp(pair[0]))
    begun, begun_log = _sums(pair, entry)
    ended, ended_log = _sums(pair, exit_)
    log_end = k * (np.log(np.maximum(exit_, 1e-9)) - pair[1])
    by_shape = failed * (1 + log_end) - ended_log + begun_log
    return np.column_stack([by_shape, k * (ended - begun - failed)])


def _add(
    scores: np.ndarray, where: np.ndarray, layout: Layout, law: str, pulls: np.ndarray
) -> None:
    at = layout.shape_at[law]
    if at is not None:
        scores[:, at] += np.bincount(where, weights=pulls[:, 0], minlength=len(scores))
    scale = layout.scale_at[law]
    scores[:, scale] += np.bincount(where, weights=pulls[:, 1], minlength=len(scores))


def loss_scores(rows: LossRows, layout: Layout, theta: np.ndarray, *, nodes: int) -> np.ndarray:
    """Shape (clusters, p): the pull of each cluster at theta; they add up to the slope.

    Parameters
    ----------
    rows : with ``lives``, one by one. layout : of theta. nodes : of the integration.
    """
    lives = rows.lives
    assert isinstance(lives, LossLives)
    codes = int(max(lives.cluster.max(initial=-1), lives.unit_cluster.max(initial=-1))) + 1
    scores = np.zeros((codes, theta.size))
    for number, law in enumerate(rows.laws):
        if law not in layout.laws or law == GOODBYE:
            continue
        mine = lives.law == number
        # failures on day 0 count at half a day, as in the counts
        ends = np.where((lives.exit[mine] == 0) & lives.failed[mine], 0.5, lives.exit[mine])
        pulls = _lived(layout.pair(theta, law), lives.entry[mine], ends, lives.failed[mine])
        _add(scores, lives.cluster[mine], layout, law, pulls)
    told = rows.outcome == 1
    if GOODBYE in layout.laws:
        pair = layout.pair(theta, GOODBYE)
        watched = rows.last_contact > rows.watched_from
        pulls = _lived(pair, rows.watched_from, rows.last_contact, told) * watched[:, None]
        _add(scores, lives.unit_cluster, layout, GOODBYE, pulls)
    stayed = _lived(
        layout.pair(theta, "loss"), rows.watched_from, rows.last_contact, np.zeros(told.size)
    )
    _add(scores, lives.unit_cluster, layout, "loss", stayed)
    if layout.other is not None:
        days = rows.last_contact - rows.watched_from
        pull = lives.unit_other - np.exp(theta[layout.other]) * days
        scores[:, layout.other] += np.bincount(lives.unit_cluster, weights=pull, minlength=codes)
    begin = 0
    for part in batches_of(with_goodbyes(rows)):
        tails = Tails(part, layout, nodes)
        where = lives.unit_cluster[begin + tails.unit]
        tails.by_unit(theta, layout, where, scores)
        begin += part.outcome.size
    return scores
