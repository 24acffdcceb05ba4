"""Would the fitted lives have given these records? Simulates them over the roster and compares.

A fitted curve can agree with itself and still describe another company. Calls per year, calls
again within 90 days, ages at failure and the share of units never heard of are simulated from
the fits and set beside the records; what does not fit is named.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from failstats.counts.world_pass import World
from failstats.errors import InputError
from failstats.estimate.life_models import FittedLife

__all__ = ["Misfit", "fitted_world"]

REPEAT_DAYS = 90
YEAR_DAYS = 365.25
#: Standard deviations of the simulated figures within which the records fit: 99 of 100 would, so
#: with about fifteen figures one good company in seven is warned of for nothing.
FAR = 2.576
#: Renewals before watching began, at most: beyond, the age of the part is settled.
MOST_RENEWALS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Misfit:
    """One figure of the records beside the same figure of the simulated ones.

    figure : what is compared. observed : in the records. expected : mean of the simulations.
    low, high : the middle 95 of 100 of them. fits : whether the
    records lie within 2.576 standard deviations of them.
    """

    figure: str
    observed: float
    expected: float
    low: float
    high: float
    fits: bool

    def __str__(self) -> str:
        word = "fits" if self.fits else "does not fit"
        return (
            f"{self.figure}: {self.observed:,.3g} in the records, {self.expected:,.3g} "
            f"({self.low:,.3g} to {self.high:,.3g}) from the fitted lives; {word}"
        )


def fitted_world(
    world: World,
    *,
    lives: Mapping[str, FittedLife],
    loss: tuple[float, float] | None = None,
    replicates: int = 200,
    seed: int = 0,
) -> list[Misfit]:
    """Simulate the fitted lives over the roster and compare with the records.

    Parameters
    ----------
    world : the roster and the failures seen.
    lives : for each law a fitted life; every replicate draws its parameters anew, so that what
        the fit does not know does not count as a misfit.
    loss : Weibull (shape, scale in days of unit age) of leaving without a word, for sockets that
        ``loses``; nobody leaves when absent.
    replicates : simulated records.
    seed : of the random numbers.

    Returns
    -------
    One row per figure: failures of each law, failures per calendar year, failures again within
    90 days in one unit, quartiles of unit age at failure, share of units never heard of.

    Notes
    -----
    A part of unknown age is drawn from renewals since installation. Units do not differ here
    and nothing is induced: a repeat rate far above the simulated one says that they do.
    """
    missing = [law for law in world.laws if law not in lives]
    if missing:
        raise InputError(f"lives must hold a fit for each law; {', '.join(missing)} is missing.")
    if replicates < 20:
        raise InputError(f"replicates must be 20 or more, but is {replicates}.")
    rng = np.random.Generator(np.random.PCG64(seed))
    years = np.arange(1, int(np.ceil(max(float(world.to_day.max(initial=1)), 1) / YEAR_DAYS)) + 1)
    seen = _figures(world, world.failed_socket, world.failed_day, years)
    draws = np.array([_one(world, lives, loss, rng, years) for _ in range(replicates)])
    rows = []
    for j, (name, observed) in enumerate(seen.items()):
        values = draws[:, j]
        values = values[np.isfinite(values)]
        if not values.size or not np.isfinite(observed):
            continue
        low, high = np.quantile(values, [0.025, 0.975])
        rows.append(
            Misfit(
                figure=name,
                observed=float(observed),
                expected=float(values.mean()),
                low=float(low),
                high=float(high),
                fits=bool(abs(observed - values.mean()) <= FAR * values.std(ddof=1) + 1e-12),
            )
        )
    return rows


def _one(
    world: World,
    lives: Mapping[str, FittedLife],
    loss: tuple[float, float] | None,
    rng: np.random.Generator,
    years: np.ndarray,
) -> list[float]:
    """The figures of one simulated company."""
    size = world.unit.size
    shape, scale = np.empty(size), np.empty(size)
    for number, law in enumerate(world.laws):
        fit = lives[law]
        drawn = np.exp(rng.multivariate_normal(fit.theta, fit.covariance, method="cholesky"))
        mine = world.law == number
        shape[mine], scale[mine] = drawn
    ends = np.array(world.to_day, dtype=float)
    if loss is not None:
        units, where = np.unique(world.unit, return_inverse=True)
        draw = -np.log1p(-rng.random(units.size))[where]
        age = np.array(world.unit_age, dtype=float)
        stays = loss[1] * ((age / loss[1]) ** loss[0] + draw) ** (1 / loss[0]) - age
        ends = np.where(world.loses, np.minimum(ends, world.from_day + stays), ends)
    age = _ages(world, shape, scale, rng)
    day = np.array(world.from_day, dtype=float)
    sockets, days = [], []
    running = np.arange(size)
    while running.size:
        k, s, a = shape[running], scale[running], age[running]
        life = s * ((a / s) ** k - np.log1p(-rng.random(running.size))) ** (1 / k)
        when = day[running] + np.maximum(np.ceil(life - a), 1.0)
        inside = when <= ends[running]
        running = running[inside]
        day[running], age[running] = when[inside], 0.0
        sockets.append(running)
        days.append(when[inside])
    return list(_figures(world, np.concatenate(sockets), np.concatenate(days), years).values())


def _ages(
    world: World, shape: np.ndarray, scale: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """Age of the part in place when watching began; by renewals since installation if unknown."""
    age = np.array(world.part_age, dtype=float)
    open_ = np.flatnonzero(np.isnan(age))
    born = np.zeros(open_.size)
    unit_age = np.asarray(world.unit_age, dtype=float)[open_]
    active = np.arange(open_.size)
    for _ in range(MOST_RENEWALS):
        if not active.size:
            break
        k, s = shape[open_[active]], scale[open_[active]]
        next_ = born[active] + s * (-np.log1p(-rng.random(active.size))) ** (1 / k)
        renewed = next_ <= unit_age[active]
        active = active[renewed]
        born[active] = next_[renewed]
    age[open_] = unit_age - born
    return age


def _figures(world: World, socket: Any, day: Any, years: np.ndarray) -> dict[str, float]:
    """What is compared, from failures."""
    where, when = np.asarray(socket, dtype=np.int64), np.asarray(day, dtype=float)
    found: dict[str, float] = {}
    for number, law in enumerate(world.laws):
        found[f"failures of the {law}"] = float((world.law[where] == number).sum())
    per_year = np.bincount(
        np.clip((when / YEAR_DAYS).astype(np.int64), 0, years.size - 1), minlength=years.size
    )
    for year, count in zip(years, per_year, strict=True):
        found[f"failures in year {year} of the records"] = float(count)
    unit = world.unit[where]
    order = np.lexsort((when, unit))
    same = np.diff(unit[order]) == 0
    soon = same & (np.diff(when[order]) <= REPEAT_DAYS) & (np.diff(when[order]) > 0)
    found[f"share of failures with another in the unit within {REPEAT_DAYS} days"] = (
        float(soon.sum() / when.size) if when.size else np.nan
    )
    age = world.unit_age[where] + when - world.from_day[where]
    for share, word in ((0.25, "a quarter"), (0.5, "half"), (0.75, "three quarters")):
        found[f"unit age in days by which {word} of the failures came"] = (
            float(np.quantile(age, share)) if when.size else np.nan
        )
    watched = np.unique(world.unit).size
    found["share of units never heard of"] = 1 - np.unique(unit).size / max(watched, 1)
    return found
