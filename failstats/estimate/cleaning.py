"""How often to clean a vent: the interval that costs least, and the interval to advise.

The two are kept apart. Money alone may say "rarely" or "never"; fire safety is not priced here, so
the advice is never longer than a year or the maker's own interval.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from failstats.errors import InputError

__all__ = ["LONGEST_ADVICE_DAYS", "CleaningInterval", "cleaning_interval", "linear_interval"]

ROUNDING = 1e-12  # a flat burden, summed day by day, is no gain
LONGEST_ADVICE_DAYS = 365.0  # common practice, no source: full vent cleaning at least yearly


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CleaningInterval:
    """The interval between full cleanings.

    Attributes
    ----------
    money_days : days between cleanings at the least cost; None when cleaning never pays in money.
    cost_per_day : money per day at that interval (the limit without cleaning, when None).
    advice_days : what to advise: ``money_days``, but at most a year or the maker's interval.
    advice_cost_per_day : money per day when cleaning at ``advice_days``.
    break_even_cost : price of a cleaning below which some interval costs less than never cleaning;
        0 where none does at any price.
    """

    money_days: float | None
    cost_per_day: float
    advice_days: float
    advice_cost_per_day: float
    break_even_cost: float


def linear_interval(hazard_rise: float, *, cleaning_cost: float, failure_cost: float) -> float:
    """The cheapest time between cleanings when the failure rate climbs in a straight line.

    Parameters
    ----------
    hazard_rise : failures per unit of time, gained per unit of time since the last cleaning.
    cleaning_cost, failure_cost : money for a cleaning, and for a failure.

    Returns
    -------
    sqrt(2 cleaning_cost / (failure_cost hazard_rise)), in the unit of time; infinite when nothing
    climbs or failures are free. Not advice: see :class:`CleaningInterval`.

    Examples
    --------
    >>> round(linear_interval(0.1, cleaning_cost=120.0, failure_cost=250.0), 6)
    3.098387
    """
    values = {
        "hazard_rise": hazard_rise,
        "cleaning_cost": cleaning_cost,
        "failure_cost": failure_cost,
    }
    for name, value in values.items():
        _amount(value, name)
    burden = failure_cost * hazard_rise
    return float(np.sqrt(2 * cleaning_cost / burden)) if burden > 0 else float("inf")


def cleaning_interval(
    multiplier: ArrayLike,
    *,
    starts_days: ArrayLike,
    rate_per_day: ArrayLike,
    failure_cost: ArrayLike,
    cleaning_cost: float,
    maker_days: float | None = None,
) -> CleaningInterval:
    """The cheapest time between cleanings, all parts of the dryer together.

    Parameters
    ----------
    multiplier : (parts, spans) how much the failure rate of each part is raised in each span of
        time since the last cleaning.
    starts_days : (spans,) first day of each span; the first is 0, the last span is open.
    rate_per_day : (parts,) failures per day at multiplier 1.
    failure_cost : (parts,) money for a failure: part, visit and the share of second visits.
    cleaning_cost : money for a full cleaning.
    maker_days : the maker's own interval, where known.

    Returns
    -------
    A :class:`CleaningInterval`. Within a span the cost per day only falls or only climbs, so the
    starts of the spans, and never, are all the candidates: the optimum over them is exact.

    Examples
    --------
    >>> best = cleaning_interval([[1.0, 1.0, 3.0]], starts_days=[0, 365, 730],
    ...     rate_per_day=[0.0005], failure_cost=[300.0], cleaning_cost=100.0)
    >>> best.money_days, best.advice_days
    (730.0, 365.0)
    """
    table = np.array(multiplier, dtype=np.float64)
    start = np.array(starts_days, dtype=np.float64)
    if table.ndim != 2 or start.shape != table.shape[1:]:
        raise InputError(
            f"multiplier must be parts by {start.size} spans, but has shape {table.shape}.",
            do="give one column per span.",
        )
    rate = np.array(rate_per_day, dtype=np.float64)
    money = np.array(failure_cost, dtype=np.float64)
    if rate.shape != table.shape[:1] or money.shape != rate.shape:
        raise InputError(
            f"rate_per_day and failure_cost must have one entry for each of {table.shape[0]} "
            "parts.",
            do="correct them.",
        )
    if not (start.size and start[0] == 0 and (np.diff(start) > 0).all()):
        raise InputError("starts_days must rise from 0.", do="sort the spans.")
    for name, values in (("multiplier", table), ("rate_per_day", rate), ("failure_cost", money)):
        if not (np.isfinite(values) & (values >= 0)).all():
            raise InputError(f"{name} must hold numbers of at least 0.", do=f"correct {name}.")
    price = _amount(cleaning_cost, "cleaning_cost")
    burden = (rate * money) @ table  # money per day in each span
    sums = np.concatenate([[0.0], np.cumsum(np.diff(start) * burden[:-1])])

    def cost(days: float) -> float:
        span = int(np.searchsorted(start, days, side="right")) - 1
        return float((price + sums[span] + (days - start[span]) * burden[span]) / days)

    candidates, until = start[1:], sums[1:]
    rates = (price + until) / candidates
    never = float(burden[-1])
    money_days, least = None, never
    if rates.size and rates.min() < never * (1 - ROUNDING):
        money_days, least = float(candidates[np.argmin(rates)]), float(rates.min())
    spared = never * candidates - until  # by one cleaning, against never
    longest = LONGEST_ADVICE_DAYS
    if maker_days is not None:
        if not (np.isfinite(maker_days) and maker_days > 0):
            raise InputError(
                f"maker_days must be above 0, but is {maker_days}.", do="leave it out if unknown."
            )
        longest = min(longest, float(maker_days))
    advice = longest if money_days is None else min(money_days, longest)
    return CleaningInterval(
        money_days=money_days,
        cost_per_day=least,
        advice_days=advice,
        advice_cost_per_day=cost(advice),
        break_even_cost=max(0.0, float(spared.max(initial=0.0))),
    )


def _amount(value: float, name: str) -> float:
    if not (np.isfinite(value) and value >= 0):
        raise InputError(f"{name} must be at least 0, but is {value}.", do=f"correct {name}.")
    return float(value)
