"""From a forecast to possible cycles: how many jobs, led by what, and which parts each needs.

What a job needs is what a past job led by the same part needed: one of the van's own, or, by so
much as the van has seen few of them, one of the company's. So a set seen once keeps its place, but
is not taken for the rule.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from failstats.estimate.stocking_forecast import Forecast

__all__ = ["Drawn", "Pools", "draw_cycles"]

OWN_WEIGHT = 20.0  # the van's own jobs of a kind at which they speak as loudly as the company's


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pools:
    """Past jobs that can stand for coming ones.

    Attributes
    ----------
    by_part : (part, fuel) -> (jobs,) indices of the company's past jobs led by the part.
    by_van : (van, part, fuel) -> the van's own among them.
    newcomers, newcomers_by_van : the same for jobs that no watched part explains.
    fuel_of : (families,) code of each family's fuel.
    """

    by_part: Mapping[tuple[int, int], NDArray[np.int64]]
    by_van: Mapping[tuple[int, int, int], NDArray[np.int64]]
    newcomers: NDArray[np.int64]
    newcomers_by_van: Mapping[int, NDArray[np.int64]]
    fuel_of: NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawn:
    """Possible cycles of one van, job by job, in order of arrival.

    Attributes
    ----------
    cycle : (jobs,) which cycle, ascending.
    past : (jobs,) the past job that stands for it; -1 where the records hold none of its kind.
    family : (jobs,) family of the unit; -1: that of the past job (a newcomer).
    part : (jobs,) the part that leads it; -1 for a newcomer.
    cycles : how many.
    """

    cycle: NDArray[np.int64]
    past: NDArray[np.int64]
    family: NDArray[np.int64]
    part: NDArray[np.int64]
    cycles: int


def draw_cycles(
    forecast: Forecast,
    *,
    van: int,
    pools: Pools,
    season: NDArray[np.float64],
    size: float,
    cycles: int,
    rng: np.random.Generator,
) -> Drawn:
    """Draw possible next cycles of one van.

    Parameters
    ----------
    season : (draws,) multiplier of the cycle's time of the year.
    size : of the negative binomial; infinite for Poisson.
    cycles : how many to draw; each takes the next of the forecast's draws of its parameters.

    Returns
    -------
    A :class:`Drawn`. Within one draw of the parameters the past jobs are resampled too.
    """
    draws = forecast.newcomers.shape[0]
    parts, families = forecast.rates.shape[2:]
    rates = forecast.rates[:, van].reshape(draws, -1)
    table = np.cumsum(np.column_stack([rates, forecast.newcomers[:, van]]), axis=1)
    draw_of = np.arange(cycles) % draws
    mean = table[draw_of, -1] * season[draw_of]
    if np.isfinite(size):
        mean = mean * rng.gamma(size, 1 / size, cycles)
    count = rng.poisson(mean)
    cycle = np.repeat(np.arange(cycles), count)
    draw = draw_of[cycle]
    point = rng.random(cycle.size) * table[draw, -1]
    kind = np.empty(cycle.size, dtype=np.int64)
    for row in range(draws):
        mine = draw == row
        kind[mine] = np.searchsorted(table[row], point[mine], side="right")
    kind = np.minimum(kind, parts * families)
    new = kind == parts * families
    part, family = np.divmod(kind, families)
    part, family = np.where(new, -1, part), np.where(new, -1, family)
    own = rng.random(cycle.size)
    past = np.full(cycle.size, -1, dtype=np.int64)
    fuel = np.where(new, -1, pools.fuel_of[np.maximum(family, 0)])
    groups = np.unique(np.column_stack([part, fuel]), axis=0)
    nobody = np.zeros(0, dtype=np.int64)
    for lead, burns in groups:
        rows = np.flatnonzero((part == lead) & (fuel == burns))
        if lead < 0:
            mine, all_ = pools.newcomers_by_van.get(van, nobody), pools.newcomers
        else:
            mine = pools.by_van.get((van, int(lead), int(burns)), nobody)
            all_ = pools.by_part.get((int(lead), int(burns)), nobody)
        share = mine.size / (mine.size + OWN_WEIGHT)
        for pool, chosen in ((mine, own[rows] < share), (all_, own[rows] >= share)):
            if pool.size:
                past[rows[chosen]] = _resampled(pool, draw[rows[chosen]], draws, rng)
    return Drawn(cycle=cycle, past=past, family=family, part=part, cycles=cycles)


def _resampled(
    pool: NDArray[np.int64],
    draw: NDArray[np.int64],
    draws: int,
    rng: np.random.Generator,
) -> NDArray[np.int64]:
    """One of the pool for each job; jobs of one draw share one bootstrap sample of the pool, those
    of the first draw the pool as it is."""
    places = rng.integers(pool.size, size=(draws, pool.size))
    places[0] = np.arange(pool.size)
    samples = pool[places]
    return np.asarray(samples[draw, rng.integers(pool.size, size=draw.size)])
