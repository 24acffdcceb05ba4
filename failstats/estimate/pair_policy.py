"""What to do about the partner when a part has failed: every rule weighed under every draw."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from failstats.errors import InputError
from failstats.estimate.pair_law import PairAction, PairCost, PairLaw, PairMoney, PairStart
from failstats.estimate.pair_model import STEPS, expected_pair_costs
from failstats.estimate.regret import Decision, decide

__all__ = [
    "AGES",
    "Needed",
    "WeighedPair",
    "break_even",
    "jobs_that_settle",
    "resolved",
    "weigh_pair",
]

FloatArray = NDArray[np.float64]
#: Ages tried for "replace if older", in years of 365.25 days.
AGES = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 15.0)
YEAR_DAYS = 365.25
AMOUNTS = ("visits", "unpaid", "first_parts", "second_parts", "hot_tests")
#: An age rule must part the jobs: at least this share of them on each side.
LEAST_SIDE = 0.05
#: Searched on both sides of the present figure.
FLIP_FACTORS = (20.0, 0.02)
BISECTIONS = 30


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WeighedPair:
    """The rules for one pair, with their costs per job.

    Attributes
    ----------
    actions : the rules, "keep" first. estimate : (actions,) cost on the estimates.
    amounts : visits, unpaid, first_parts, second_parts, hot_tests -> (1 + draws, actions) per
        job, the estimate first.
    costs : (draws, actions). decision : what they say. threshold_days : of "if_older".
    """

    actions: tuple[PairAction, ...]
    estimate: FloatArray
    amounts: Mapping[str, FloatArray]
    costs: FloatArray
    decision: Decision
    threshold_days: float | None

    @property
    def least(self) -> int:
        """Column of the rule of least expected cost."""
        return self.at(self.decision.least)

    @property
    def names(self) -> list[str]:
        """Of the rules."""
        return [action.name for action in self.actions]

    def at(self, name: str) -> int:
        """Column of one rule."""
        return self.names.index(name)

    def repriced(self, **changes: float) -> WeighedPair:
        """The same rules when something costs more or less.

        Parameters
        ----------
        changes : one of the amounts, and by how much its price changes. Costs are straight lines
            in a price; the age of "if_older" stays.
        """
        table = np.vstack([self.estimate, self.costs])
        for name, change in changes.items():
            table = table + change * self.amounts[name]
        table = np.maximum(table, 0.0)
        decision = decide(table[1:], names=self.names)
        return replace(self, estimate=table[0], costs=table[1:], decision=decision)

    def interval(self, name: str, confidence_level: float = 0.95) -> tuple[float, float]:
        """(low, high) of the cost of one rule."""
        return _limits(self.costs[:, self.at(name)], confidence_level)

    def saving(
        self, confidence_level: float = 0.95, *, against: str = "keep"
    ) -> tuple[float, float, float]:
        """Saved per job by the rule of least expected cost against another; low; high."""
        least, other = self.at(self.decision.least), self.at(against)
        low, high = _limits(self.costs[:, other] - self.costs[:, least], confidence_level)
        return float(self.estimate[other] - self.estimate[least]), low, high


def _limits(draws: FloatArray, level: float) -> tuple[float, float]:
    tail = (1 - level) / 2
    low, high = np.quantile(draws, [tail, 1 - tail])
    return float(low), float(high)


def _rules(
    law: PairLaw, start: PairStart, base: PairAction, ages: Sequence[float]
) -> tuple[list[PairAction], list[PairAction]]:
    """Rules without an age, and one for each age that parts the jobs."""
    if start.failed == "second":
        plain = [
            replace(base, name="keep"),
            replace(base, name="always", first_older_than_days=0.0),
        ]
        aged = [replace(base, name="if_older", first_older_than_days=age) for age in ages]
        partner = np.asarray(start.first_days)
    else:
        plain = [replace(base, name="keep")]
        if law.silent is not None:
            plain.append(replace(base, name="test_hot", hot=1.0))
        plain.append(replace(base, name="always", replaced=1.0))
        aged = [replace(base, name="if_older", replaced=1.0, older_than_days=age) for age in ages]
        partner = np.asarray(start.second_days)
    jobs = np.atleast_2d(np.asarray(start.good) + np.asarray(start.bad))[0]
    share = [float(jobs[partner >= age].sum() / jobs.sum()) for age in ages]
    return plain, [
        rule
        for rule, older in zip(aged, share, strict=True)
        if LEAST_SIDE <= older <= 1 - LEAST_SIDE
    ]


def weigh_pair(
    law: PairLaw,
    *,
    start: PairStart,
    money: PairMoney,
    horizon_days: float,
    base: PairAction | None = None,
    in_service: ArrayLike | None = None,
    steps: int = STEPS,
    ages_days: Sequence[float] | None = None,
    available: float = 1.0,
) -> WeighedPair:
    """What each rule about a partner costs per job, and which to follow.

    Parameters
    ----------
    law : the estimate in its first row, draws of the parameters in the others.
    start : the jobs, by the same rows.
    money, horizon_days, in_service, steps : as in `expected_pair_costs`.
    base : what goes on under every rule.
    ages_days : tried for "if_older"; the one that is cheapest on the estimate is weighed.
    available : share of the jobs on which a partner is on the van; on the others no rule can be
        followed, and B stays in.
    """
    if law.draws < 3:
        raise InputError("law must hold the estimate and at least two draws.")
    tried = [age * YEAR_DAYS for age in AGES] if ages_days is None else list(ages_days)
    if not 0 <= available <= 1:
        raise InputError(f"available must be a share between 0 and 1, but is {available}.")
    plain, aged = _rules(law, start, base or PairAction(name="keep"), tried)
    plain, aged = (
        [
            replace(rule, hot=rule.hot * available, replaced=rule.replaced * available)
            if rule.name != "keep"
            else rule
            for rule in rules
        ]
        for rules in (plain, aged)
    )

    def costs(rule: PairAction, rows: NDArray[np.int64]) -> PairCost:
        return expected_pair_costs(
            law.only(rows), start=start.only(rows), action=rule, money=money,
            horizon_days=horizon_days, steps=steps, in_service=in_service,
        )  # fmt: skip

    first = np.zeros(1, dtype=np.int64)
    if aged:
        priced = [float(costs(rule, first).money[0]) for rule in aged]
        plain.insert(len(plain) - 1, aged[int(np.argmin(priced))])
    found = [costs(rule, np.arange(law.draws)) for rule in plain]
    table = np.stack([cost.money for cost in found], axis=1)
    threshold = None
    for rule in plain:
        if rule.name == "if_older":
            threshold = rule.first_older_than_days or rule.older_than_days
    return WeighedPair(
        actions=tuple(plain),
        estimate=table[0],
        amounts={
            name: np.stack([getattr(cost, name) for cost in found], axis=1) for name in AMOUNTS
        },
        costs=table[1:],
        decision=decide(table[1:], names=[rule.name for rule in plain]),
        threshold_days=threshold,
    )


def break_even(weighed: WeighedPair, *, amounts: FloatArray, present: float) -> float | None:
    """The price at which another rule becomes the cheapest, nearest to the present one.

    Parameters
    ----------
    weighed : the rules at the present price.
    amounts : (actions,) how many of the priced thing each rule takes per job, on the estimates;
        costs are straight lines in a price.
    present : the price now.

    Returns
    -------
    The price, between a fiftieth and twenty times of the present one; None where no rule takes
    over within. Ratio scale: the nearest is the smallest change in proportion.
    """
    least = weighed.at(weighed.decision.least)
    gap = weighed.estimate - weighed.estimate[least]
    slope = np.asarray(amounts, dtype=float) - float(amounts[least])
    with np.errstate(divide="ignore", invalid="ignore"):
        change = np.where(slope != 0, -gap / slope, np.nan)
    price = present + change
    most, fewest = FLIP_FACTORS
    unit = max(present, 1.0)
    inside = np.isfinite(price) & (price <= most * unit) & (price >= fewest * unit)
    inside[least] = False
    if not inside.any():
        return None
    found = price[inside]
    return float(found[np.argmin(np.abs(np.log(found / unit)))])


@dataclass(frozen=True, slots=True, kw_only=True)
class Needed:
    """An experiment: jobs in both arms together, and days each is followed."""

    jobs: int
    follow_days: int


#: z(0.975) + z(0.80): a difference so many standard errors from 0 is found in four of five trials.
POWER = 2.80
#: A rule may cost this share more before it is regretted.
TOLERATED = 0.05


def jobs_that_settle(
    *,
    spread: tuple[float, float],
    difference: float,
    whole_difference: float,
    cost: float,
    follow_days: int,
) -> Needed | None:
    """How many jobs, half with and half without, tell whether one rule is 5 % cheaper.

    Parameters
    ----------
    spread : standard deviations of the money that follows a job within ``follow_days``, by rule.
    difference : expected difference between the rules within ``follow_days``;
        whole_difference : and over the horizon; what the trial shows is read in that proportion.
    cost : per job over the horizon, of the rule of least expected cost.

    Returns
    -------
    The number with which 5 % of the cost is found in four of five trials at the 5 % level; None
    where the rules do not differ within ``follow_days``.
    """
    if whole_difference == 0 or difference == 0 or cost <= 0:
        return None
    wanted = TOLERATED * cost * abs(difference / whole_difference)
    arm = (POWER / wanted) ** 2 * (spread[0] ** 2 + spread[1] ** 2)
    return Needed(jobs=int(2 * np.ceil(arm)), follow_days=follow_days)


def resolved(weighed: WeighedPair, parameters: FloatArray) -> float:
    """How much regret per job would go if some parameters were known for sure.

    Parameters
    ----------
    weighed : the rules under the draws. parameters : (draws, k) those of the draws.

    Returns
    -------
    Money per job, at most the expected regret. Expected costs given the parameters are fitted as
    quadratic functions of them over the draws.

    References
    ----------
    Strong, Oakley and Brennan (2014) Medical Decision Making 34:311 (regression on draws).
    """
    x = (parameters - parameters.mean(axis=0)) / np.maximum(parameters.std(axis=0), 1e-12)
    k = x.shape[1]
    crosses = [x[:, i] * x[:, j] for i in range(k) for j in range(i, k)]
    design = np.column_stack([np.ones(len(x)), x, *crosses])
    fitted = design @ np.linalg.lstsq(design, weighed.costs, rcond=None)[0]
    least = weighed.at(weighed.decision.least)
    cut = float((fitted[:, least] - fitted.min(axis=1)).mean())
    return min(max(cut, 0.0), weighed.decision.expected_regret)
