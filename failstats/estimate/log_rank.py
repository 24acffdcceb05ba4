"""Do these groups of parts fail alike? The log-rank test, plain and stratified."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import chdtrc

from failstats.counts.columns import distinct_ages
from failstats.counts.risk_table import RiskTable
from failstats.errors import FitError, InputError
from failstats.estimate.stretch import read_only

__all__ = ["LogRank", "log_rank"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LogRank:
    """Failures seen and expected in each group if all failed alike.

    groups : names, length k.
    observed, expected : shape (k,); weighted when ``weight_power`` is not 0.
    covariance : shape (k, k), of observed - expected.
    statistic, degrees, p_value : the chi-square test.
    """

    groups: tuple[Hashable, ...]
    observed: np.ndarray
    expected: np.ndarray
    covariance: np.ndarray
    statistic: float
    degrees: int
    p_value: float
    strata: int
    weight_power: float

    def __str__(self) -> str:
        lines = [
            f"{name}: {seen:,.1f} failed, {due:,.1f} expected if all failed alike"
            for name, seen, due in zip(self.groups, self.observed, self.expected, strict=True)
        ]
        shown = f"p = {self.p_value:.3g}"
        return "\n".join([*lines, f"chi-square {self.statistic:.2f} on {self.degrees}, {shown}"])


def log_rank(
    tables: Mapping[Any, RiskTable] | Sequence[RiskTable],
    *,
    groups: Sequence[Hashable] | None = None,
    strata: Sequence[Hashable] | None = None,
    cause: str | None = None,
    weight_power: float = 0.0,
) -> LogRank:
    """Test whether groups of parts fail at the same rate at every age.

    Parameters
    ----------
    tables : one table per group, or per group and stratum.
    groups : the group of each table; its key or position when absent.
    strata : the stratum of each table; groups are then compared within strata only.
    cause : failures of this cause only.
    weight_power : failures count with the pooled survival just before them to this power;
        0 is the log-rank test, 1 weighs early failures more (Peto and Peto).

    Raises
    ------
    InputError
        With fewer than two groups, or labels that do not match the tables.
    FitError
        When nothing can be compared: no failure while two groups were at risk.

    Notes
    -----
    Ties have the hypergeometric variance. Late entry is counted as in the risk table.

    Examples
    --------
    >>> old = RiskTable.from_lives(0, [2, 3, 5, 8], [True, True, True, False])
    >>> new = RiskTable.from_lives(0, [4, 7, 9, 9], [True, False, True, False])
    >>> result = log_rank({"old": old, "new": new})
    >>> round(result.statistic, 4), round(result.p_value, 4)
    (1.8707, 0.1714)
    """
    held = list(tables.values()) if isinstance(tables, Mapping) else list(tables)
    default = list(tables) if isinstance(tables, Mapping) else list(range(len(held)))
    labels = default if groups is None else list(groups)
    layers: list[Hashable] = [0] * len(held) if strata is None else list(strata)
    if not len(labels) == len(layers) == len(held):
        raise InputError("groups and strata must hold one label for each table.")
    names = list(dict.fromkeys(labels))
    if len(names) < 2:
        raise InputError(f"a comparison needs two groups or more, but {len(names)} was given.")
    if len({table.unit for table in held}) != 1:
        raise InputError("tables must share one unit of age.")
    if cause is not None:
        held = [table.only(cause) if cause in table.failed else _without(table) for table in held]
    if not np.isfinite(weight_power):
        raise InputError(f"weight_power must be a number, but is {weight_power}.")
    k = len(names)
    observed, expected, covariance = np.zeros(k), np.zeros(k), np.zeros((k, k))
    distinct = list(dict.fromkeys(layers))
    for layer in distinct:
        mine = [i for i, one in enumerate(layers) if one == layer]
        events = [np.flatnonzero(held[i].failed_total) for i in mine]
        age, place = distinct_ages(
            np.concatenate([held[i].age[here] for i, here in zip(mine, events, strict=True)])
        )
        places = np.split(place, np.cumsum([here.size for here in events])[:-1])
        at_risk, died = np.zeros((k, age.size)), np.zeros((k, age.size))
        for i, here, at in zip(mine, events, places, strict=True):
            row, table = names.index(labels[i]), held[i]
            at_risk[row] += table.at_risk_at(age)
            died[row, at] += table.failed_total[here]
        n, d = at_risk.sum(axis=0), died.sum(axis=0)
        working = np.cumprod(1 - d / n)
        weight = np.concatenate([[1.0], working[:-1]])[: age.size] ** weight_power
        share = at_risk / n
        observed += died @ weight
        expected += share @ (weight * d)
        with np.errstate(divide="ignore", invalid="ignore"):
            spread = np.where(n > 1, d * (n - d) / (n - 1), 0.0) * weight**2
        covariance += np.diag(share @ spread) - (share * spread) @ share.T
    held_groups = np.flatnonzero(expected > 0)
    if held_groups.size < 2 or not np.trace(covariance) > 0:
        raise FitError(
            "nothing can be compared: no part failed while two groups, and more than one life, "
            "were at risk.",
            do="compare groups whose ages overlap.",
        )
    # One group is redundant: the differences add up to 0.
    free = held_groups[:-1]
    gap = (observed - expected)[free]
    block = covariance[np.ix_(free, free)]
    rank = int(np.linalg.matrix_rank(block, tol=1e-10 * np.abs(block).max()))
    statistic = float(gap @ np.linalg.pinv(block, rcond=1e-10) @ gap)
    return LogRank(
        groups=tuple(names),
        observed=read_only(observed),
        expected=read_only(expected),
        covariance=read_only(covariance),
        statistic=statistic,
        degrees=rank,
        p_value=float(chdtrc(rank, statistic)),
        strata=len(distinct),
        weight_power=float(weight_power),
    )


def _without(table: RiskTable) -> RiskTable:
    """The same lives, none of which failed by the cause asked for."""
    left = table.left + table.failed_total
    return RiskTable(table.age, table.entered, {}, left, table.unit, table.dropped, table.zero_age)
