"""What a bag for one job should hold: exact optima for independent parts and for job types.

A kit is restocked after every job. A part that is in the kit costs its holding per job; a job that
lacks a part needs a second visit. Reference: Smith, Chambers and Shlifer (1980); job types, Mamer
and Smith (1982); the service model, Graves (1982).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import Bounds, LinearConstraint, milp

from failstats.errors import InputError, PlanError

__all__ = ["Kit", "kit_for_job_types", "kit_for_service", "kit_of_parts", "kit_of_several"]

ENUMERATED = 16  # items up to which every kit of job types is tried; above, a mixed-integer program
LEVELS = 200_000  # combinations of quantities tried for kits of several
TIE = 1e-12  # costs closer than this share count as equal; the smaller kit wins


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Kit:
    """A kit and what it costs and does per job.

    Attributes
    ----------
    quantity : (parts,) units carried.
    cost : holding plus expected cost of a second visit, per job; None in the service model.
    holding : holding per job.
    completion : share of jobs finished on the first visit.
    """

    quantity: NDArray[np.int64]
    cost: float | None
    holding: float
    completion: float


def _kit(quantity: ArrayLike, cost: float | None, holding: float, completion: float) -> Kit:
    amount = np.array(quantity, dtype=np.int64)
    amount.setflags(write=False)
    return Kit(quantity=amount, cost=cost, holding=float(holding), completion=float(completion))


def _row(
    values: ArrayLike, name: str, *, size: int | None = None, top: float = np.inf
) -> NDArray[np.float64]:
    row = np.array(values, dtype=np.float64)
    if row.ndim != 1 or (size is not None and row.size != size):
        raise InputError(
            f"{name} must be one row{'' if size is None else f' of {size} numbers'}, but has shape "
            f"{row.shape}.",
            do=f"give one number per part in {name}.",
        )
    bad = np.flatnonzero(~((row >= 0) & (row <= top) & np.isfinite(row)))
    if bad.size:
        raise InputError(
            f"{name} must lie between 0 and {top:g}, but {bad.size} of {row.size} do not.",
            where=f"entries {', '.join(map(str, bad[:5]))}",
            do=f"correct {name}.",
        )
    return row


def _money(value: float, name: str) -> float:
    if not (np.isfinite(value) and value >= 0):
        raise InputError(f"{name} must be at least 0, but is {value}.", do=f"correct {name}.")
    return float(value)


def kit_of_parts(probability: ArrayLike, *, holding: ArrayLike, return_cost: float) -> Kit:
    """The cheapest kit when each part is needed or not, one independent of the other.

    Parameters
    ----------
    probability : (parts,) chance that a job needs the part.
    holding : (parts,) money per job for carrying it.
    return_cost : money for a job that lacks a part.

    Returns
    -------
    The optimum, exact; among equals the smallest kit.

    Notes
    -----
    The best kit is a prefix of the parts sorted by -ln(1 - p)/h, and every prefix is tried: parts
    are complements, the cost may rise before it falls, so stopping at the first part that does not
    pay is wrong. Parts that cost nothing to carry come first, parts never needed last.

    Examples
    --------
    >>> best = kit_of_parts([0.3, 0.22], holding=[5.0, 1.5], return_cost=20.0)
    >>> best.quantity.tolist(), round(best.cost, 3)
    ([1, 1], 6.5)
    """
    chance = _row(probability, "probability", top=1.0)
    hold = _row(holding, "holding", size=chance.size)
    loss = _money(return_cost, "return_cost")
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = -np.log1p(-chance)
        ratio = np.where(hold > 0, weight / hold, np.where(chance > 0, np.inf, -np.inf))
    # among infinite ratios: free parts, then those every job needs by holding
    order = np.lexsort((hold, -ratio))
    spent = np.concatenate([[0.0], np.cumsum(hold[order])])
    met = np.concatenate([np.cumprod((1 - chance[order])[::-1])[::-1], [1.0]])
    cost = spent + loss * (1 - met)
    best = int(np.flatnonzero(cost <= cost.min() + TIE * max(cost.min(), 1.0))[0])
    quantity = np.zeros(chance.size, dtype=np.int64)
    quantity[order[:best]] = 1
    return _kit(quantity, float(cost[best]), spent[best], met[best])


def kit_of_several(demand: Sequence[ArrayLike], *, holding: ArrayLike, return_cost: float) -> Kit:
    """The cheapest kit when a job may need several of a part.

    Parameters
    ----------
    demand : one row per part: the chances that a job needs 0, 1, 2, ... of it; each sums to 1.
    holding : (parts,) money per job for each unit carried.
    return_cost : money for a job that lacks a part.

    Returns
    -------
    The optimum, exact; among equals the one found first, by holding.

    Notes
    -----
    The same argument as for :func:`kit_of_parts`: the optimum lies on the hull of each part's
    ln P(need <= s) against s. All prefixes of the hull's steps, by gain per money, are tried.

    Examples
    --------
    >>> best = kit_of_several([[0.7, 0.24, 0.06], [0.78, 0.18, 0.04]], holding=[5, 1.5],
    ...                       return_cost=40.0)
    >>> best.quantity.tolist(), round(best.cost, 2)
    ([1, 2], 10.4)
    """
    hold = _row(holding, "holding", size=len(demand))
    loss = _money(return_cost, "return_cost")
    levels = []
    for part, chances in enumerate(demand):
        row = _row(chances, f"demand of part {part}", top=1.0)
        if row.size == 0 or abs(row.sum() - 1) > 1e-9:
            raise InputError(
                f"the chances of part {part} must sum to 1, but sum to {row.sum():.6g}.",
                do="complete the row.",
            )
        levels.append(np.minimum(np.cumsum(row), 1.0))
    start = np.array([int(np.argmax(level > 0)) for level in levels], dtype=np.int64)
    steps = []  # (gain in ln completion per money, part, units added)
    for part, level in enumerate(levels):
        at = int(start[part])
        while at < level.size - 1:
            gain = np.log(level[at + 1 :] / level[at]) / np.arange(1, level.size - at)
            jump = level.size - at - 1 - int(np.argmax(gain[::-1]))  # longest of equal slopes
            if gain[jump - 1] <= 0:
                break
            slope = gain[jump - 1] / hold[part] if hold[part] > 0 else np.inf
            steps.append((slope, part, jump))
            at += jump
    steps.sort(key=lambda step: -step[0])

    def met(quantity: NDArray[np.int64]) -> float:
        pairs = zip(quantity, levels, strict=True)
        return float(np.prod([level[min(int(units), level.size - 1)] for units, level in pairs]))

    tried = [np.zeros(len(levels), dtype=np.int64), start]
    for _, part, jump in steps:
        tried.append(tried[-1] + jump * (np.arange(len(levels)) == part))
    spent = [float(quantity @ hold) for quantity in tried]
    cost = np.array(
        [money + loss * (1 - met(kit)) for money, kit in zip(spent, tried, strict=True)]
    )
    best = int(np.flatnonzero(cost <= cost.min() + TIE * max(cost.min(), 1.0))[0])
    return _kit(tried[best], float(cost[best]), spent[best], met(tried[best]))


def kit_for_service(probability: ArrayLike, *, holding: ArrayLike, completion: float) -> Kit:
    """The kit that finishes a wanted share of jobs for the least holding, parts independent.

    Parameters
    ----------
    probability, holding : (parts,), as in :func:`kit_of_parts`.
    completion : the least share of jobs to finish on the first visit.

    Returns
    -------
    The optimum, exact: a 0-1 knapsack, not the prefix of any order.

    Examples
    --------
    >>> kit_for_service([0.3, 0.22, 0.1], holding=[5, 3, 4], completion=0.7).quantity.tolist()
    [1, 0, 0]
    """
    chance = _row(probability, "probability", top=1.0)
    hold = _row(holding, "holding", size=chance.size)
    _wanted(completion)
    if chance.size > ENUMERATED:
        with np.errstate(divide="ignore"):
            weight = np.minimum(-np.log1p(-chance), 1e6)
        room = -np.log(completion) if completion > 0 else np.inf
        result = milp(
            hold,
            constraints=LinearConstraint(weight[None, :], weight.sum() - room, np.inf),
            bounds=Bounds(0, 1),
            integrality=np.ones(chance.size),
            options={"mip_rel_gap": 0.0},
        )
        quantity = np.rint(result.x).astype(np.int64)
        met = float(np.prod(np.where(quantity > 0, 1.0, 1 - chance)))
        if met < completion - 1e-6:
            raise PlanError(
                f"the kit found finishes {met:.4%}, not the {completion:.4%} asked for.",
                do="ask for a slightly lower share.",
            )
        return _kit(quantity, None, quantity @ hold, met)
    kits = _subsets(np.ones(chance.size, dtype=np.int64))
    met = np.prod(np.where(kits > 0, 1.0, 1 - chance), axis=1)
    spent = np.where(met >= completion - TIE, kits @ hold, np.inf)
    best = int(np.lexsort((-met, spent))[0])
    return _kit(kits[best], None, spent[best], met[best])


def kit_for_job_types(
    need: ArrayLike,
    *,
    probability: ArrayLike,
    holding: ArrayLike,
    return_cost: float | None = None,
    completion: float | None = None,
    enumerate_up_to: int = LEVELS,
) -> Kit:
    """The best kit when the parts of a job come together: a coil with a cutout, say.

    Parameters
    ----------
    need : (types, items) whole quantities that a job of the type needs.
    probability : (types,) chance of each type. What is missing to 1 are jobs no kit can finish.
    holding : (items,) money per job for each unit carried.
    return_cost : money for a job that lacks a part: the least cost is sought.
    completion : share of jobs to finish: the least holding is sought. Give one of the two.
    enumerate_up_to : kits tried one by one; above, an exact mixed-integer program.

    Raises
    ------
    PlanError : the share asked for is out of reach of any kit.

    Notes
    -----
    Margins mislead: parts that fail together are worth more together than their single chances say.

    Examples
    --------
    >>> both = kit_for_job_types([[0, 0], [1, 1], [0, 1]], probability=[0.3, 0.5, 0.2],
    ...                          holding=[5, 1], return_cost=20.0)
    >>> both.quantity.tolist(), round(both.cost, 6), round(both.completion, 6)
    ([1, 1], 6.0, 1.0)
    """
    needs = np.array(need, dtype=np.int64)
    if needs.ndim != 2 or (needs < 0).any():
        raise InputError("need must be a table of quantities of at least 0.", do="correct need.")
    chance = _row(probability, "probability", size=needs.shape[0], top=1.0)
    hold = _row(holding, "holding", size=needs.shape[1])
    if chance.sum() > 1 + 1e-9:
        raise InputError(
            f"the chances of the job types must sum to at most 1, but sum to {chance.sum():.6g}.",
            do="correct probability.",
        )
    if (return_cost is None) == (completion is None):
        raise InputError("give either return_cost or completion, not both.", do="drop one of them.")
    loss = None if return_cost is None else _money(return_cost, "return_cost")
    if completion is not None:
        _wanted(completion)
        if completion > chance.sum() + TIE:
            raise PlanError(
                f"{completion:.1%} of jobs cannot be finished by any kit; the best reachable is "
                f"{chance.sum():.1%}.",
                do="lower the share asked for.",
            )
    most = needs.max(axis=0, initial=0)
    if np.prod(most + 1.0) > enumerate_up_to:
        return _types_by_program(needs, chance, hold, loss, completion)
    kits = _subsets(most)
    met = np.zeros(len(kits))
    for row, share in zip(needs, chance, strict=True):
        met += share * (kits >= row).all(axis=1)
    spent = kits @ hold
    if loss is None:
        assert completion is not None
        spent_or_none = np.where(met >= completion - TIE, spent, np.inf)
        best = int(np.lexsort((kits.sum(axis=1), -met, spent_or_none))[0])
        return _kit(kits[best], None, spent[best], met[best])
    cost = spent + loss * (1 - met)
    close = np.flatnonzero(cost <= cost.min() + TIE * max(cost.min(), 1.0))
    best = int(close[np.argmin(kits[close].sum(axis=1))])
    return _kit(kits[best], float(cost[best]), spent[best], met[best])


def _types_by_program(
    needs: NDArray[np.int64],
    chance: NDArray[np.float64],
    hold: NDArray[np.float64],
    loss: float | None,
    completion: float | None,
) -> Kit:
    types, items = needs.shape
    used = np.argwhere(needs > 0)
    rows = np.zeros((len(used), items + types))
    rows[np.arange(len(used)), used[:, 1]] = 1.0
    rows[np.arange(len(used)), items + used[:, 0]] = -needs[used[:, 0], used[:, 1]]
    constraints = [LinearConstraint(rows, 0.0, np.inf)]
    gain = np.zeros(types) if loss is None else loss * chance
    if completion is not None:
        share = np.concatenate([np.zeros(items), chance])
        constraints.append(LinearConstraint(share[None, :], completion, np.inf))
    result = milp(
        np.concatenate([hold, -gain]),
        constraints=constraints,
        bounds=Bounds(0, np.concatenate([needs.max(axis=0, initial=0), np.ones(types)])),
        integrality=np.ones(items + types),
        options={"mip_rel_gap": 0.0},
    )
    if result.x is None:
        raise PlanError(
            "no kit was found by the mixed-integer program.", do="lower the share asked for."
        )
    quantity = np.rint(result.x[:items]).astype(np.int64)
    met = float(chance[(needs <= quantity).all(axis=1)].sum())
    cost = None if loss is None else float(quantity @ hold + loss * (1 - met))
    return _kit(quantity, cost, quantity @ hold, met)


def _wanted(completion: float) -> None:
    if not 0 <= completion <= 1:
        raise InputError(
            f"completion must be a share between 0 and 1, but is {completion}.",
            do="give 0.9 for 90 %.",
        )


def _subsets(most: NDArray[np.int64]) -> NDArray[np.int64]:
    """(kits, items) every combination of quantities up to ``most``."""
    combinations = list(product(*(range(int(top) + 1) for top in most)))
    return np.array(combinations, dtype=np.int64).reshape(len(combinations), most.size)
