"""How often to clean the vent: what money alone says, and what is advised."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from failstats.answers import wording as text
from failstats.answers.costs import CLEANING, MAKER_DAYS, Costs
from failstats.answers.policy_laws import SEED, YEAR_DAYS
from failstats.answers.policy_rows import ActionCost, Advice, Flip
from failstats.answers.vents import Vents
from failstats.estimate.cleaning import LONGEST_ADVICE_DAYS, CleaningInterval, cleaning_interval
from failstats.estimate.neglect_curve import MONTH_DAYS, NeglectCurve
from failstats.show.cautions import cautions

__all__ = ["DRAWS", "SHORTEST_DAYS", "Judged", "cleaning_advice", "judged_parts", "weigh_cleaning"]

DRAWS = 400
# The curve is fitted on bins of two months: within the first of them the records tell nothing.
SHORTEST_DAYS = round(2 * MONTH_DAYS)
_NO_EFFECT = ("no_effect_larger_than", "lengthens")
_WHY = {
    "not_enough_data": "too few failures",
    "cannot_be_trusted": "what was found cannot be trusted",
}
_FIRE = "lint burns, and fire safety is not priced here"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Judged:
    """What the vents answer says of each part, for the money of a cleaning.

    shortened : part -> its failure rate by time since a cleaning, of parts that fail sooner behind
    a neglected vent. money : part -> what its failures cost on one dryer, each times how many of
    the part a dryer has. unmoved : parts without such an effect. untold : part -> why the records
    cannot tell.
    """

    shortened: Mapping[str, NeglectCurve]
    money: Mapping[str, float]
    unmoved: Sequence[str]
    untold: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weighed:
    """The optimum by the estimate, and by each draw of all coefficients together.

    money_days : (draws,) each draw's own; infinite where cleaning never pays. break_even_cost :
    (draws,) price of a cleaning below which some interval pays. yearly_money, yearly_advised :
    (draws,) money per year at the estimate's optimum, and at its advice.
    watched_days : the longest neglect with a failure.
    """

    best: CleaningInterval
    money_days: np.ndarray
    break_even_cost: np.ndarray
    yearly_money: np.ndarray
    yearly_advised: np.ndarray
    watched_days: float


def judged_parts(found: Vents, costs: Costs, prices: Mapping[str, float]) -> Judged:
    """Which parts the money of a cleaning rests on, and why the others do not count."""
    curves, fitted = found.summary["rate_by_neglect"], found.summary["sockets_per_unit"]
    worst = f"{found.summary['longest_neglect']}_vs_"
    shortened, money, unmoved, untold = {}, {}, [], {}
    for row in found.results:
        if row.role != "outcome" or not row.contrast.startswith(worst):
            continue
        if row.verdict in _NO_EFFECT:
            unmoved.append(row.part)
        elif row.verdict != "shortens":
            untold[row.part] = _WHY[row.verdict]
        elif row.part not in prices:
            untold[row.part] = "no price of an item that can be fitted on a visit"
        elif row.part not in curves or row.part not in fitted:
            untold[row.part] = "no failure rate by time since a cleaning"
        else:
            shortened[row.part] = NeglectCurve.of(curves[row.part])
            money[row.part] = fitted[row.part] * (prices[row.part] + costs["visit.visit_cost"])
    return Judged(shortened=shortened, money=money, unmoved=unmoved, untold=untold)


def weigh_cleaning(
    curves: Mapping[str, NeglectCurve],
    *,
    money: Mapping[str, float],
    cleaning_cost: float,
    maker_days: float | None = None,
    draws: int = DRAWS,
    seed: int = SEED,
) -> Weighed:
    """The cheapest interval on the curves, day by day, and the doubt of it.

    Parameters
    ----------
    curves : part -> failures per day by time since a cleaning. money : part -> what a failure of
        it costs on one dryer. cleaning_cost : of the full run. maker_days : the maker's interval.
    draws, seed : of all coefficients of a part and its rate together; parts apart from each other,
        prices as they are.

    Notes
    -----
    Intervals from two months to the longest neglect with a failure, in whole days; beyond that no
    rate was watched, and the last one is taken to go on.
    """
    watched = int(max(c.watched_months for c in curves.values()) * MONTH_DAYS)
    last = max(watched, int(LONGEST_ADVICE_DAYS))
    settled: dict[str, Any] = {
        "starts_days": np.concatenate([[0], np.arange(SHORTEST_DAYS, last + 1)]),
        "rate_per_day": np.ones(len(curves)),
        "failure_cost": [money[part] for part in curves],
        "cleaning_cost": cleaning_cost,
        "maker_days": maker_days,
    }
    days = np.arange(last + 1) + 0.5  # the middle of every day; the last one goes on
    best = cleaning_interval(_spans(np.array([c.rates(days) for c in curves.values()])), **settled)
    seeds = np.random.SeedSequence(seed).spawn(len(curves))
    drawn = np.array(
        [
            curve.rates(days, theta=curve.draws(draws, seed=own))
            for curve, own in zip(curves.values(), seeds, strict=True)
        ]
    )
    each = [cleaning_interval(one, **settled) for one in _spans(drawn.swapaxes(0, 1))]
    burden = np.einsum("p,pdn->dn", settled["failure_cost"], drawn)
    so_far = np.concatenate([np.zeros((draws, 1)), np.cumsum(burden, axis=1)], axis=1)

    def yearly(interval: float | None) -> np.ndarray:
        if interval is None:
            return burden[:, -1] * YEAR_DAYS
        whole = int(interval)
        spent = so_far[:, whole] + (interval - whole) * burden[:, whole]
        return (cleaning_cost + spent) / interval * YEAR_DAYS

    return Weighed(
        best=best,
        money_days=np.array([np.inf if e.money_days is None else e.money_days for e in each]),
        break_even_cost=np.array([e.break_even_cost for e in each]),
        yearly_money=yearly(best.money_days),
        yearly_advised=yearly(best.advice_days),
        watched_days=float(watched),
    )


def _spans(rates: np.ndarray) -> np.ndarray:
    """(..., spans) from (..., days): the days before the shortest interval are one span."""
    first = rates[..., :SHORTEST_DAYS].mean(axis=-1, keepdims=True)
    return np.concatenate([first, rates[..., SHORTEST_DAYS:]], axis=-1)


def cleaning_advice(found: Vents, costs: Costs, prices: Mapping[str, float]) -> Advice:
    """The cleaning row: at most a year or the maker's interval, because fire is not priced.

    Parameters
    ----------
    found : the vents answer. costs, prices : money.

    Returns
    -------
    The row; without a money optimum, and with the reason in words, where the records cannot tell
    or no part is shown to fail sooner behind a neglected vent.
    """
    judged = judged_parts(found, costs, prices)
    maker = costs.known(MAKER_DAYS)
    level = float(found.settings.get("confidence_level", 0.95))
    limit = min(LONGEST_ADVICE_DAYS, LONGEST_ADVICE_DAYS if maker is None else maker)
    if not judged.shortened or not costs[CLEANING] > 0:
        return _row(limit, f"{_order(limit, None, maker)} {_no_optimum(judged, costs)}")
    weighed = weigh_cleaning(
        judged.shortened,
        money=judged.money,
        cleaning_cost=costs[CLEANING],
        maker_days=maker,
    )
    best = weighed.best
    tail = (1 - level) / 2
    ends = np.quantile(weighed.money_days, [tail, 1 - tail], method="nearest")
    ci = tuple(float(end) if np.isfinite(end) else None for end in ends)
    actions = [
        (best.advice_days, best.advice_cost_per_day, weighed.yearly_advised),
        (best.money_days, best.cost_per_day, weighed.yearly_money),
    ]
    said = _money_alone(judged, weighed, ci, tail, costs.currency)
    return _row(
        best.advice_days,
        f"{_order(best.advice_days, best.money_days, maker)} {said}",
        money_optimum_days=best.money_days,
        money_optimum_ci=ci,
        costs=[
            ActionCost(
                action="never" if days is None else f"every_{days:.0f}_days",
                per_unit_year=rate * YEAR_DAYS,
                ci=_pair(np.quantile(yearly, [tail, 1 - tail])),
            )
            for days, rate, yearly in actions
        ],
        flips_if=[]
        if best.money_days is not None
        else [Flip(what=CLEANING, value=best.break_even_cost)],
    )


def _row(advice_days: float, said: str, **more: Any) -> Advice:
    """The cleaning row of the policy."""
    nothing: dict[str, Any] = {"money_optimum_days": None, "costs": [], "flips_if": []}
    return Advice(
        kind="cleaning",
        when="vent",
        also=None,
        recommend="always",
        threshold_days=advice_days,
        saving_per_100_jobs=None,
        saving_ci=None,
        expected_regret=None,
        regret_share_over_5_percent=None,
        runner_up=None,
        experiment=None,
        advice_text=said,
        caution=next(line for line in cautions() if line.startswith("Lint")),
        least=None,
        **{**nothing, **more},
    )


def _order(advice_days: float, money_days: float | None, maker: float | None) -> str:
    """What is advised, and why that and not another interval."""
    every = f"Clean the vent over its full run every {advice_days:.0f} days at the latest"
    if money_days is not None and advice_days == money_days:
        known = "the maker's interval" if maker is None else f"the maker's {maker:.0f} days"
        return (
            f"{every}: that costs least by the parts it spares. Never later than a year or "
            f"{known}, whatever the money says: {_FIRE}."
        )
    if maker is not None and advice_days == maker:
        return f"{every}, the maker's interval: {_FIRE}."
    if maker is not None:
        return f"{every} (the maker allows {maker:.0f}): {_FIRE}."
    return f"{every}, or at the maker's interval if that is shorter: {_FIRE}."


def _names(parts: Sequence[str] | Mapping[str, Any]) -> str:
    return ", ".join(text.words(part) for part in parts)


def _without(judged: Judged) -> str:
    """Parts of which the records cannot tell, by reason: "coil (too few failures)"."""
    by_reason: dict[str, list[str]] = {}
    for part, why in judged.untold.items():
        by_reason.setdefault(why, []).append(part)
    return ", ".join(f"{_names(parts)} ({why})" for why, parts in by_reason.items())


def _no_optimum(judged: Judged, costs: Costs) -> str:
    """Why there is no cheapest interval."""
    if judged.shortened:
        return f"Money alone says nothing: {CLEANING} is 0, and what costs nothing has no optimum."
    if judged.unmoved and not judged.untold:
        return (
            f"By itself it never pays: {_names(judged.unmoved)} "
            f"{'is' if len(judged.unmoved) == 1 else 'are'} not shown to fail sooner behind a "
            "neglected vent. Clean anyway, for fire safety."
        )
    why = _without(judged) or "no part that the vent could reach is in the records"
    said = f"Whether it also pays by the parts it spares, the records cannot tell: {why}."
    if judged.unmoved:
        said += f" Not shown to fail sooner behind a neglected vent: {_names(judged.unmoved)}."
    return said


def _money_alone(
    judged: Judged, weighed: Weighed, ci: tuple[float | None, ...], tail: float, currency: str
) -> str:
    """The money optimum with its interval, or that there is none and what would make one."""
    best, pays = weighed.best, float(np.isfinite(weighed.money_days).mean())
    said = f"In money alone, by the parts it spares ({_names(judged.shortened)}), "
    if best.money_days is not None:
        said += f"every {text.years(best.money_days)} costs least{_span(ci, pays)}."
    else:
        said += (
            f"no interval up to {text.years(weighed.watched_days)}, as long as vents were watched, "
            "pays for itself"
        )
        said += f" (in {text.share(pays)} of the draws one does)" if pays else ""
        if best.break_even_cost > 0:
            cost = text.money(best.break_even_cost, currency)
            ends = np.quantile(weighed.break_even_cost, [tail, 1 - tail])
            span = text.between([float(e) for e in ends], lambda v: text.money(v, currency))
            said += f"; one would below {cost} a cleaning{span}"
        said += "."
    left_out = _without(judged)
    return said + (f" Not counted: {left_out}." if left_out else "")


def _span(ci: tuple[float | None, ...], pays: float) -> str:
    """The interval of the optimum, whose ends may be "never"."""
    if ci[0] is None:
        return f" (but in {text.share(1 - pays)} of the draws it never pays)"
    if ci[1] is None:
        return f" ({text.years(ci[0])} to never)"
    return text.between(ci, text.years)


def _pair(values: np.ndarray) -> tuple[float | None, float | None]:
    """Nothing is said of the doubt of a cost that the draws do not touch."""
    low, high = float(values[0]), float(values[1])
    return (None, None) if low == high else (low, high)
