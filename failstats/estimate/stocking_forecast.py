"""Which jobs the next cycle will bring: every part in service by its age, and what age leaves open.

A fitted life says how likely a part of a given age fails within the cycle. What it does not know
(family, vent, van, customers gone without a word, lives of unknown birth) comes from past cycles:
jobs seen over jobs expected, drawn towards 1 as far as chance alone explains the difference. Jobs
that no watched part explains are newcomers' and come at their past rate.

References: gamma-Poisson shrinkage by the method of moments, Clayton and Kaldor (1987, Biometrics
43, from memory); landmarks, van Houwelingen (2007, from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from failstats.errors import InputError
from failstats.estimate.hidden_state import HiddenState
from failstats.estimate.life_models import FittedLife

__all__ = [
    "Forecast",
    "Hazard",
    "Roster",
    "chance_law",
    "excess_size",
    "forecast_jobs",
    "season_factors",
    "shrunken_factors",
    "shrunken_weight",
]

Floats = NDArray[np.float64]
Hazard = Callable[[Floats, Floats, float], Floats]

ROUNDS = 5  # of fitting one factor after the other; the product has settled by then
LEVEL_WEIGHT = 0.5  # jobs: a part that never led one still may (Jeffreys' half a count)
HALF_YEAR = 182.0  # days
STEP_DAYS = 91.0  # ages come in quarters of a year; the middle stands for all of them
BANDS, STANDINGS, BIRTHS = 4, 5, 3  # codes of vent state, standing and birth
SEASON_NEEDS = 24  # whole months of records


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Roster:
    """Parts in service as cycles begin, in groups of equal age and circumstances.

    Attributes
    ----------
    part, family, van, band, standing, birth : (groups,) codes from 0, shared by all rosters.
    age_days : (groups,) of the part. partner_days : of the part that can trip it; nan without.
    lives : (groups,) parts. led : (groups,) jobs they led within the cycle (0 where not known).
    """

    part: NDArray[np.int64]
    family: NDArray[np.int64]
    van: NDArray[np.int64]
    band: NDArray[np.int64]
    standing: NDArray[np.int64]
    birth: NDArray[np.int64]
    age_days: Floats
    partner_days: Floats
    lives: Floats
    led: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Forecast:
    """Jobs to expect in one cycle, with doubt as draws; draw 0 is the estimate itself.

    Attributes
    ----------
    rates : (draws, vans, parts, families) jobs led by a part in service (part 0: by none).
    newcomers : (draws, vans) jobs that no watched part explains.
    factors : name -> (values,) jobs seen over expected after sharing, of the estimate.
    """

    rates: Floats
    newcomers: Floats
    factors: dict[str, Floats]

    @property
    def jobs(self) -> Floats:
        """(vans,) jobs to expect, of the estimate."""
        return np.asarray(self.rates[0].sum(axis=(1, 2)) + self.newcomers[0])


# --- chances by age --------------------------------------------------------------------------


def chance_law(
    law: FittedLife | HiddenState | None, *, draws: int, rng: np.random.Generator
) -> list[Hazard]:
    """Failures to expect of a part in service, by its age; one function per draw, the fit first.

    Parameters
    ----------
    law : a fitted life; the two-state model for a part that a partner's silent failure trips;
        None where no life could be fitted: the same chance at every age.
    draws : functions wanted, with parameters drawn from the fit's covariance.
    """
    if law is None:
        return [lambda age, _, days: np.full(age.shape, days / 365.25)] * draws
    if isinstance(law, HiddenState):
        return [_tripped(law)] + [_tripped(state) for state in _drawn_states(law, draws - 1, rng)]
    theta = np.vstack([law.theta, _draws(law.theta, law.covariance, draws - 1, rng)])
    return [_by_age(law, row) for row in theta]


def _draws(theta: Floats, covariance: Floats, draws: int, rng: np.random.Generator) -> Floats:
    values, vectors = np.linalg.eigh(np.asarray(covariance, dtype=float))
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(theta + rng.standard_normal((draws, theta.size)) @ root.T)


def _by_age(law: FittedLife, theta: Floats) -> Hazard:
    def failures(age: Floats, partner: Floats, days: float) -> Floats:
        cumulative = law.family.cumulative
        start = np.maximum(age, 1e-6)
        return np.asarray(cumulative(theta, start + days).value - cumulative(theta, start).value)

    return failures


def _tripped(state: HiddenState) -> Hazard:
    own = _by_age(state.own, np.asarray(state.own.theta))
    more = state.multiplier - 1

    def failures(age: Floats, partner: Floats, days: float) -> Floats:
        bad = np.zeros(age.shape)
        known = np.flatnonzero(np.isfinite(partner))
        # the chance that the partner is bad changes slowly: half-years of both ages will do
        pairs = np.round(np.column_stack([age[known], partner[known]]) / HALF_YEAR) * HALF_YEAR
        pairs, back = np.unique(np.maximum(pairs, HALF_YEAR / 2), axis=0, return_inverse=True)
        if known.size:
            found = state.chance_bad(pairs[:, 1], a_age=pairs[:, 0], a_failed=False)
            bad[known] = found[np.asarray(back).reshape(-1)]
        return np.asarray(own(age, partner, days) * (1 + more * bad))

    return failures


def _drawn_states(state: HiddenState, draws: int, rng: np.random.Generator) -> list[HiddenState]:
    peak = state.peak
    rows = _draws(np.asarray(peak.theta), np.asarray(peak.covariance), draws, rng)
    return [replace(state, peak=replace(peak, theta=row)) for row in rows]


# --- jobs seen over jobs expected ------------------------------------------------------------


def shrunken_weight(observed: ArrayLike, *, expected: ArrayLike) -> float:
    """Expected jobs that speak for "like the others" in each ratio of seen to expected.

    Parameters
    ----------
    observed, expected : (groups,) jobs.

    Returns
    -------
    The gamma prior's weight; infinite where the groups differ no more than chance makes them.

    Examples
    --------
    >>> shrunken_weight([10, 10], expected=[10.0, 10.0])
    inf
    >>> round(shrunken_weight([20, 0], expected=[10.0, 10.0]), 3)
    1.111
    """
    seen, due = np.asarray(observed, float), np.asarray(expected, float)
    used = due > 0
    excess = float(((seen[used] - due[used]) ** 2 - due[used]).sum())
    return float((due[used] ** 2).sum() / excess) if excess > 0 else float("inf")


def _shrunk(seen: Floats, due: Floats, weight: float) -> Floats:
    if not np.isfinite(weight):
        return np.ones(seen.size)
    return np.asarray((seen + weight) / (due + weight))


def shrunken_factors(
    observed: ArrayLike,
    *,
    expected: ArrayLike,
    codes: Sequence[NDArray[np.int64]],
    sizes: Sequence[int] | None = None,
    weights: Sequence[float] | None = None,
) -> tuple[list[Floats], list[float]]:
    """By how much each kind of group has more jobs than expected, all kinds at once.

    Parameters
    ----------
    observed, expected : (groups,) jobs. codes : one (groups,) row of codes per factor.
    sizes : how many codes each factor has; by default as many as occur.
    weights : prior weight of each factor; estimated where not given.

    Returns
    -------
    (values,) multipliers per factor, and the weights used.

    Notes
    -----
    Product of factors, each fitted given the others, in turn.
    """
    seen = np.asarray(observed, float)
    due = np.asarray(expected, float).copy()
    many = sizes or [int(code.max(initial=-1)) + 1 for code in codes]
    totals: list[Floats] = [
        np.bincount(code, seen, size).astype(float) for code, size in zip(codes, many, strict=True)
    ]
    factors = [np.ones(size) for size in many]
    used = [float("inf")] * len(codes)
    for _ in range(ROUNDS):
        for place, code in enumerate(codes):
            share = np.bincount(code, due, many[place]) / factors[place]
            if weights is not None:
                used[place] = weights[place]
            else:
                used[place] = (
                    LEVEL_WEIGHT if place == 0 else shrunken_weight(totals[place], expected=share)
                )
            fresh = _shrunk(totals[place], share, used[place])
            due *= (fresh / factors[place])[code]
            factors[place] = fresh
    return factors, used


def forecast_jobs(
    past: Roster,
    *,
    now: Roster,
    unexpected: ArrayLike,
    cycles: int,
    hazards: Sequence[Sequence[Hazard]],
    days: float,
    later_days: float = 0.0,
    sizes: tuple[int, int, int],
    seed: int = 0,
) -> Forecast:
    """How many jobs each van should expect next cycle, led by which part of which family.

    Parameters
    ----------
    past : the roster as past cycles began, with the jobs it led; now : as the next one begins.
    unexpected : (vans,) jobs of the past cycles that no watched part explains.
    cycles : how many past cycles. days : length of a cycle.
    hazards : (parts, draws) functions of age, partner's age and days; see ``chance_law``.
    later_days : from the day of ``now`` to the first day of the cycle.
    sizes : how many vans, parts and families there are. A van code of -1 is shared by all vans.

    Returns
    -------
    A :class:`Forecast`. A life fails at most once in a cycle.
    """
    vans, parts, families = sizes
    rng = np.random.default_rng(seed)
    draws = len(hazards[0]) if hazards else 1
    due_past = _expected(past, hazards, days, 0.0, draws)
    due_now = _expected(now, hazards, days, later_days, draws)
    names = ("part", "family", "band", "birth", "standing", "van")
    codes_past, codes_now = _codes(past, families), _codes(now, families)
    rates = np.zeros((draws, vans, parts, families))
    newcomers = np.zeros((draws, vans))
    extra = np.asarray(unexpected, float)
    first: dict[str, Floats] = {}
    weights: list[float] | None = None
    many = [parts, parts * families, parts * BANDS, parts * BIRTHS, STANDINGS, vans + 1]
    level = np.full(vans, extra.sum() / max(vans, 1))
    sharing = max(shrunken_weight(extra, expected=level), LEVEL_WEIGHT)
    for draw in range(draws):
        seen = past.led if draw == 0 else rng.poisson(past.led).astype(float)
        factors, weights = shrunken_factors(
            seen,
            expected=due_past[draw] * past.lives,
            codes=codes_past,
            sizes=many,
            weights=weights,
        )
        if draw == 0:
            first = dict(zip(names, factors, strict=True))
        chance = due_now[draw].copy()
        for factor, code in zip(factors, codes_now, strict=True):
            chance *= factor[code]
        rates[draw] = _by_van(-np.expm1(-chance) * now.lives, now, vans, parts, families)
        more = extra if draw == 0 else rng.poisson(extra).astype(float)
        mean = np.full(vans, more.sum() / max(vans, 1))
        newcomers[draw] = mean * _shrunk(more, mean, sharing) / max(cycles, 1)
    return Forecast(rates=rates, newcomers=newcomers, factors=first)


def _expected(
    roster: Roster, hazards: Sequence[Sequence[Hazard]], days: float, later: float, draws: int
) -> Floats:
    """(draws, groups) failures to expect of one part of each group within a cycle."""
    out = np.zeros((draws, roster.lives.size))
    middle = STEP_DAYS / 2 + later
    for part, functions in enumerate(hazards):
        rows = np.flatnonzero(roster.part == part)
        if not rows.size:
            continue
        pairs = np.column_stack([roster.age_days[rows], roster.partner_days[rows]])
        pairs, back = np.unique(pairs, axis=0, return_inverse=True)
        back = np.asarray(back).reshape(-1)
        for draw, failures in enumerate(functions):
            out[draw, rows] = failures(pairs[:, 0] + middle, pairs[:, 1] + middle, days)[back]
    return out


def _codes(roster: Roster, families: int) -> list[NDArray[np.int64]]:
    part = roster.part
    return [
        part,
        part * families + roster.family,
        part * BANDS + roster.band,
        part * BIRTHS + roster.birth,
        roster.standing,
        roster.van + 1,
    ]


def _by_van(jobs: Floats, now: Roster, vans: int, parts: int, families: int) -> Floats:
    place = ((now.van + 1) * parts + now.part) * families + now.family
    table = np.bincount(place, jobs, (vans + 1) * parts * families)
    table = table.reshape(vans + 1, parts, families)
    own = table[1:]
    weight = own.sum(axis=(1, 2)) + 1e-12
    return np.asarray(own + table[0] * (weight / weight.sum())[:, None, None])


# --- how much cycles differ ------------------------------------------------------------------


def excess_size(counts: ArrayLike) -> float:
    """How much the number of jobs scatters beyond chance, from one cycle to the next.

    Parameters
    ----------
    counts : (vans, cycles) jobs, in order of time.

    Returns
    -------
    Size of the negative binomial, variance = mean + mean^2/size, pooled over vans; infinite where
    they scatter no more than Poisson. Half the squared steps between neighbours count, so a
    company that grows is not taken for one that scatters.

    Examples
    --------
    >>> excess_size([[10, 12, 11, 13, 12, 14]])
    inf
    >>> round(excess_size([[5, 25, 8, 30, 4, 22]]), 2)
    1.22
    """
    seen = np.asarray(counts, float)
    if seen.ndim != 2:
        raise InputError("counts must be one row of cycles per van.", do="give a table.")
    if seen.shape[1] < 3:
        return float("inf")
    variance = (np.diff(seen, axis=1) ** 2).mean(axis=1) / 2
    mean = seen.mean(axis=1)
    excess = float((variance - mean).sum())
    return float((mean**2).sum() / excess) if excess > 0 else float("inf")


def season_factors(jobs: ArrayLike, *, month: ArrayLike, draws: int = 1, seed: int = 0) -> Floats:
    """How much busier each month of the year is than the year around it.

    Parameters
    ----------
    jobs : (months,) jobs of each whole month of the records, in order.
    month : (months,) which month of the year, 1 to 12.
    draws : rows wanted; the first is the estimate.

    Returns
    -------
    (draws, 12) multipliers, drawn towards 1 as far as chance explains the difference; all 1 where
    less than two years are there.
    """
    seen, which = np.asarray(jobs, float), np.asarray(month, int)
    ones = np.ones((draws, 12))
    if seen.size < SEASON_NEEDS:
        return ones
    window = np.concatenate([[0.5], np.ones(11), [0.5]]) / 12
    trend = np.convolve(seen, window, mode="valid")
    seen, which = seen[6:-6], which[6:-6]
    due = np.bincount(which - 1, trend, 12).astype(float)
    total = np.bincount(which - 1, seen, 12).astype(float)
    weight = shrunken_weight(total, expected=due)
    if not np.isfinite(weight):
        return ones
    rng = np.random.default_rng(seed)
    out = np.vstack(
        [_shrunk(total, due, weight)]
        + [rng.gamma(total + weight) / (due + weight) for _ in range(draws - 1)]
    )
    return np.asarray(out / out.mean(axis=1, keepdims=True))
