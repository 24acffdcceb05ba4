"""Was the partner already bad when the part failed? What the history of each unit says of it.

A partner that fails unseen is good or bad by a chance that its whole history has moved: every
failure beside it speaks for bad, every hot test passed speaks for good.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from failstats.counts.row_pass import HiddenRows
from failstats.errors import InputError
from failstats.estimate.pair_law import PairLaw, PairStart

__all__ = ["IndexJobs", "index_states", "pair_starts"]

FloatArray = NDArray[np.float64]
#: Nodes per stretch of the integral over the day B turned bad; 8 agree with 24 to 1e-3 of the
#: chance over eight years without a look (tested).
NODES = 8
#: Cells by age of B into which the jobs are gathered for the renewal equations.
CELLS = 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class IndexJobs:
    """Jobs on which A had failed and B had not failed openly.

    first_days, second_days : (jobs,) ages of A, which failed, and of B.
    bad : (draws, jobs) chance that B was bad, from its history up to that job.
    weight : (jobs,). life, stretch : (jobs,) where they stand in the rows they came from.
    """

    first_days: FloatArray
    second_days: FloatArray
    bad: FloatArray
    weight: FloatArray
    life: NDArray[np.int64]
    stretch: NDArray[np.int64]


def index_states(rows: HiddenRows, *, law: PairLaw, nodes: int = NODES) -> IndexJobs:
    """How likely the partner was bad at each failure of the first part, before it was tested.

    Parameters
    ----------
    rows : stretches between looks. law : how the parts fail, by draw.

    Notes
    -----
    A forward pass over the stretches of each life of B: the chances of good and bad are moved by
    what happened (A lived, A failed, a hot test was passed), the day of turning bad integrated
    out. What came later is not used: a technician does not know it.
    """
    if law.silent is None:
        raise InputError("the law must have a silent failure of the partner.")
    begins = np.concatenate([[0], np.flatnonzero(np.diff(rows.life)) + 1]).astype(np.int64)
    place = np.arange(rows.life.size) - begins[rows.life]
    wanted = rows.a_failed & ~rows.visible & (rows.weight[rows.life] > 0)
    last = np.full(begins.size, -1, dtype=np.int64)
    np.maximum.at(last, rows.life[wanted], place[wanted])
    at, gauss = np.polynomial.legendre.leggauss(nodes)
    x = (at + 1) / 2
    share, share_weight = x**2, gauss * x  # nodes gather where a stretch begins
    kappa = law.multiplier[:, None]  # type: ignore[index]
    missed = 1 - law.sensitivity[:, None]  # type: ignore[index]
    found_at, found_bad = [], []
    good = np.ones((law.draws, begins.size))
    bad = np.zeros((law.draws, begins.size))
    alive = np.flatnonzero(last >= 0)
    good, bad = good[:, alive], bad[:, alive]
    step = 0
    while alive.size:
        row = begins[alive] + step
        good, bad = _over_stretch(rows, row, law, good, bad, share, share_weight)
        failed = rows.a_failed[row]
        bad = np.where(failed, bad * kappa, bad)
        total = good + bad
        good, bad = good / total, bad / total
        counted = np.flatnonzero(wanted[row])
        found_at.append(row[counted])
        found_bad.append(bad[:, counted])
        bad = bad * missed ** rows.hot_passed[row]
        keep = last[alive] > step
        good, bad, alive = good[:, keep], bad[:, keep], alive[keep]
        step += 1
    where = np.concatenate(found_at) if found_at else np.zeros(0, dtype=np.int64)
    chance = np.concatenate(found_bad, axis=1) if found_bad else np.zeros((law.draws, 0))
    order = np.argsort(where, kind="stable")
    where, chance = where[order], chance[:, order]
    return IndexJobs(
        first_days=np.maximum(rows.a_from[where], 0.0) + rows.b_to[where] - rows.b_from[where],
        second_days=rows.b_to[where],
        bad=chance,
        weight=rows.weight[rows.life[where]],
        life=rows.life[where],
        stretch=where,
    )


def _over_stretch(
    rows: HiddenRows,
    row: NDArray[np.int64],
    law: PairLaw,
    good: FloatArray,
    bad: FloatArray,
    share: FloatArray,
    weight: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Chances of good and bad where the stretches end, times what A and B lived through."""
    b0, span = rows.b_from[row], rows.b_to[row] - rows.b_from[row]
    out = rows.a_from[row] < 0  # A is out of service: it cannot fail
    a0 = np.where(out, 0.0, rows.a_from[row])
    kappa = law.multiplier[:, None]  # type: ignore[index]
    assert law.silent is not None

    def gone(of: FloatArray | None, begin: FloatArray, days: FloatArray) -> FloatArray:
        if of is None:
            return np.zeros((law.draws, begin.size))
        shape, scale = of[:, :1], of[:, 1:]
        found = ((begin + days) / scale) ** shape - (begin / scale) ** shape
        return np.asarray(found)

    all_a = np.where(out, 0.0, gone(law.own, a0, span))
    turned = np.zeros_like(good)
    shape, scale = law.silent[:, :1], law.silent[:, 1:]
    for part, gauss in zip(share, weight, strict=True):
        days = span * part
        part_a = np.where(out, 0.0, gone(law.own, a0, days))
        log_chance = (
            -gone(law.silent, b0, days)
            - gone(law.visible, b0, days)
            - part_a
            - kappa * (all_a - part_a)
        )
        hazard = shape / scale * (np.maximum(b0 + days, 1e-9) / scale) ** (shape - 1)
        turned += gauss * span * hazard * np.exp(log_chance)
    stays = np.exp(-gone(law.silent, b0, span) - gone(law.visible, b0, span) - all_a)
    return good * stays, bad * np.exp(-kappa * all_a) + good * turned


def pair_starts(jobs: IndexJobs, *, cells: int = CELLS) -> PairStart:
    """The jobs gathered by the age of B, as the renewal equations take them.

    Parameters
    ----------
    jobs : as `index_states` gives them. cells : at most so many, with equally many jobs each.
    """
    if not jobs.second_days.size:
        raise InputError("there must be at least one job.")
    total = float(jobs.weight.sum())
    order = np.argsort(jobs.second_days, kind="stable")
    groups = [group for group in np.array_split(order, min(cells, order.size)) if group.size]
    good, bad, first, second = [], [], [], []
    for group in groups:
        weight = jobs.weight[group] / total
        first.append(np.average(jobs.first_days[group], weights=weight))
        second.append(np.average(jobs.second_days[group], weights=weight))
        bad.append(jobs.bad[:, group] @ weight)
        good.append((1 - jobs.bad[:, group]) @ weight)
    return PairStart(
        first_days=np.array(first),
        second_days=np.array(second),
        good=np.stack(good, axis=1),
        bad=np.stack(bad, axis=1),
        failed="first",
    )
