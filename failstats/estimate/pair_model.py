"""What a rule about a partner costs: two parts of one unit, followed by their renewals.

A part (A) that has failed is always replaced. Its partner (B) may fail unseen, and then makes A
fail faster, or openly, on a visit of its own. A rule says what is done about B when A fails. The
renewal equations are solved on a grid of time: at each point the expected failures since the last
ones, by the dates on which the two parts in place were fitted, are shared out anew.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gamma

from failstats.errors import InputError
from failstats.estimate.pair_law import PairAction, PairCost, PairLaw, PairMoney, PairStart

__all__ = ["expected_pair_costs", "pair_cost_rate"]

FloatArray = NDArray[np.float64]
#: Steps over the horizon; the error falls with the square of a step (tested against twice as many).
STEPS = 60
#: Steps over the whole life of a unit, and when no unit is ever taken out of service.
LIFE_STEPS = 96
#: Of a unit's life, what is left out: the share of units still in service where the grid ends.
REST_IN_SERVICE = 1e-3
#: Without retirement, the rate is read off between these many longest mean lives from the start.
SETTLED = (4.0, 8.0)


def _hazard(law: FloatArray | None, age: FloatArray) -> FloatArray:
    """(draws, ages) cumulative hazard; 0 without a law."""
    if law is None:
        return np.zeros((1, age.size))
    return np.asarray((np.maximum(age, 0.0) / law[:, 1:]) ** law[:, :1])


class _Steps:
    """Hazard gained in each step of time by a part, by the date it was fitted.

    Events lie at 0, d, 2d, ...; the step around n d reaches from (n - 1/2) d to (n + 1/2) d. A part
    fitted at an event is half a step old when the next step begins; what it could fail of in that
    half step is added to its first step.
    """

    def __init__(self, law: FloatArray | None, ages: FloatArray, steps: int, width: float) -> None:
        edges = np.asarray(width * (np.arange(steps + 1) + 0.5), dtype=np.float64)
        edges[0] = 0.0
        self.fresh = np.diff(_hazard(law, edges), axis=1)  # (draws, steps): step 1, 2, ...
        aged = [np.diff(_hazard(law, np.asarray(age + edges, float)), axis=1) for age in ages]
        self.aged = np.stack(aged, axis=1) if aged else np.zeros((1, 0, steps))
        if law is not None and ages.size:
            self.aged = np.maximum(self.aged, 0.0)

    def at(self, n: int) -> FloatArray:
        """(draws, cells + n) of step n (1, 2, ...): the parts there from the start, then those
        fitted at 0, 1, ..., n - 1."""
        fresh = self.fresh[:, n - 1 :: -1] if n else self.fresh[:, :0]
        old = np.broadcast_to(self.aged[:, :, n - 1], (fresh.shape[0], self.aged.shape[1]))
        return np.concatenate([old, fresh], axis=1)


def expected_pair_costs(
    law: PairLaw,
    *,
    start: PairStart,
    action: PairAction,
    money: PairMoney,
    horizon_days: float,
    steps: int = STEPS,
    in_service: ArrayLike | None = None,
) -> PairCost:
    """What one rule about a partner costs from now on, by draw of the parameters.

    Parameters
    ----------
    law : how the parts fail.
    start : where the units stand.
    action : the rule, followed now and at every later failure.
    money : prices.
    horizon_days : how far ahead costs are counted.
    steps : of the grid.
    in_service : (steps + 1,) share of the units still in service at 0, 1, ..., steps steps of time;
        all of them when absent.

    Returns
    -------
    Expected figures per unit; a failure in the last half step counts half.

    Notes
    -----
    Order steps squared cells per draw. In one step a unit has at most one failure, except that A
    may fail in the half step left after B turned bad.

    Examples
    --------
    >>> law = PairLaw(own=[[1.0, 1000.0]])
    >>> money = PairMoney(visit=100, unpaid=100, warranty_days=0, first_price=20, second_price=10,
    ...                   fitting=0, hot_test=0)
    >>> found = expected_pair_costs(law, start=PairStart.new(), action=PairAction(name="keep"),
    ...                             money=money, horizon_days=1000)
    >>> round(float(found.money[0]), 1)
    120.0
    """
    if not (np.isfinite(horizon_days) and horizon_days > 0 and steps >= 2):
        raise InputError("horizon_days must be above 0, with at least 2 steps.")
    width = horizon_days / steps
    weight = np.ones(steps + 1) if in_service is None else np.array(in_service, dtype=float)
    if weight.shape != (steps + 1,):
        raise InputError(f"in_service must have {steps + 1} values, but has {weight.shape}.")
    service = width * float(weight[0] / 2 + weight[1:-1].sum() + weight[-1] / 2)
    weight[-1] /= 2
    run = _Run(law, start, action, money, steps, width)
    total = np.zeros((6, law.draws))
    total += weight[0] * run.begin()
    for n in range(1, steps + 1):
        total += weight[n] * run.step(n)
    visits, unpaid, firsts, seconds, tests, fitted = total
    spent = (
        (visits - unpaid) * money.visit
        + unpaid * money.unpaid
        + firsts * money.first_price
        + seconds * money.second_price
        + fitted * money.fitting
        + tests * money.hot_test
    )
    return PairCost(
        money=spent,
        visits=visits,
        unpaid=unpaid,
        first_parts=firsts,
        second_parts=seconds,
        hot_tests=tests,
        service_days=service,
    )


class _Run:
    """Units by the dates on which their two parts were fitted, step by step."""

    def __init__(
        self,
        law: PairLaw,
        start: PairStart,
        action: PairAction,
        money: PairMoney,
        steps: int,
        width: float,
    ) -> None:
        self.law, self.start, self.action = law, start, action
        self.width, self.draws = width, law.draws
        first = np.asarray(start.first_days, dtype=float)
        second = np.asarray(start.second_days, dtype=float)
        # A that has failed is new; only its partner keeps an age, and the other way round
        self.a_old = first if start.failed != "first" else np.zeros(0)
        self.b_old = second if start.failed != "second" else np.zeros(0)
        self.ka, self.kb = self.a_old.size, self.b_old.size
        self.own = _Steps(law.own, self.a_old, steps, width)
        self.silent = _Steps(law.silent, self.b_old, steps, width)
        self.open = _Steps(law.visible, self.b_old, steps, width)
        shape = (self.draws, self.ka + steps + 1, self.kb + steps + 1)
        self.good = np.zeros(shape)
        self.bad = np.zeros(shape) if law.silent is not None else None
        self.warranty = money.warranty_days
        self.unseen = np.exp(-action.checks_per_day * law.sensitivity * width)  # type: ignore[operator]

    def _unpaid(self, n: int, old: FloatArray, law: FloatArray | None) -> FloatArray:
        """(cells + n,) share of the failures of step n that fall within the warranty, by part."""
        shape = 1.0 if law is None else float(np.median(law[:, 0]))
        age = (np.arange(n, 0, -1)) * self.width
        inside = np.clip((self.warranty - age) / self.width + 0.5, 0.0, 1.0)
        # the first step after fitting reaches from 0 to one and a half steps
        inside[-1:] = np.clip(self.warranty / (1.5 * self.width), 0.0, 1.0) ** shape
        return np.concatenate([np.zeros(old.size), inside])

    def begin(self) -> FloatArray:
        """Figures of the failure with which counting starts, if there is one."""
        good = np.broadcast_to(np.asarray(self.start.good, float), (self.draws, self._cells()))
        bad = np.broadcast_to(np.asarray(self.start.bad, float), (self.draws, self._cells()))
        nothing = np.zeros(self.draws)
        if self.start.failed == "first":
            return self._first_failed(0, good, bad, nothing)
        if self.start.failed == "second":
            return self._second_failed(0, good + bad, nothing)
        at = np.arange(self._cells())
        self.good[:, at, at] = good
        if self.bad is not None:
            self.bad[:, at, at] = bad
        return np.zeros((6, self.draws))

    def _cells(self) -> int:
        return int(np.asarray(self.start.first_days).size)

    def step(self, n: int) -> FloatArray:
        """Figures of the failures around n steps."""
        qa, rb = self.ka + n, self.kb + n
        good = self.good[:, :qa, :rb]
        h_a, h_s, h_v = self.own.at(n), self.silent.at(n), self.open.at(n)
        s_a, s_b = np.exp(-h_a), np.exp(-(h_s + h_v))
        s_b = np.broadcast_to(s_b, (self.draws, rb))
        with np.errstate(invalid="ignore", divide="ignore"):
            openly = np.where(h_s + h_v > 0, h_v / (h_s + h_v), 0.0)
        late_a, late_b = (1 - s_a), (1 - s_b)
        near_a, near_b = (1 + s_a) / 2, (1 + s_b) / 2
        paid = self._unpaid(n, self.a_old, self.law.own)
        rows = np.stack([late_a, late_a * paid], axis=1)  # (draws, 2, qa)
        failed = np.matmul(rows, good) * near_b[:, None, :]  # A's failures by B's date
        failed_bad, checked = np.zeros((self.draws, 2, rb)), np.zeros((6, self.draws))
        b_paid = self._unpaid(n, self.b_old, self.law.visible)
        columns = np.stack([late_b * openly, late_b * openly * b_paid], axis=2)
        opened = np.matmul(good, columns) * near_a[:, :, None]  # B's open failures by A's date
        if self.bad is not None:
            bad = self.bad[:, :qa, :rb]
            h_bad = h_a * self.law.multiplier[:, None]  # type: ignore[index]
            s_bad, s_half = np.exp(-h_bad), np.exp(-h_bad / 2)
            turned = good * near_a[:, :, None]
            turned *= (late_b * (1 - openly))[:, None, :]
            half, whole = np.sqrt(self.unseen), self.unseen  # not found on another visit
            rows = np.stack([1 - s_bad, (1 - s_bad) * paid], axis=1)
            failed_bad += np.matmul(rows, bad) * ((1 + whole) / 2)[:, None, None]
            rows = np.stack([1 - s_half, (1 - s_half) * paid], axis=1)
            failed_bad += np.matmul(rows, turned) * ((1 + half) / 2)[:, None, None]
            if self.action.checks_per_day > 0:
                found = bad.sum(axis=2) * ((1 - whole)[:, None] * (1 + s_bad) / 2)
                found += turned.sum(axis=2) * ((1 - half)[:, None] * (1 + s_half) / 2)
                checked = self._checked(n, found)
            bad *= (s_bad * whole[:, None])[:, :, None]
            turned *= (s_half * half[:, None])[:, :, None]
            bad += turned
        good *= s_a[:, :, None]
        good *= s_b[:, None, :]
        # of B's beside an A that failed, some fail in the rest of the step, and the other way round
        after_b, after_a = late_b / 2 / near_b, late_a / 2 / near_a
        figures = self._first_failed(
            n,
            failed[:, 0],
            failed_bad[:, 0],
            failed[:, 1].sum(1) + failed_bad[:, 1].sum(1),
            turns=after_b * (1 - openly),
            opens=after_b * openly,
        )
        figures += self._second_failed(n, opened[:, :, 0], opened[:, :, 1].sum(1), fails=after_a)
        return figures + checked

    def _checked(self, n: int, found: FloatArray) -> FloatArray:
        """Bad B's found on visits for something else, by the date of A, are replaced at step n."""
        self.good[:, : found.shape[1], self.kb + n] += found
        parts, nothing = found.sum(axis=1), np.zeros(self.draws)
        return np.stack([nothing, nothing, nothing, parts, nothing, parts])

    def _older(self, n: int, age: FloatArray, limit: float) -> FloatArray:
        """Share of a step's failures at which a part of that age in the middle is old enough."""
        if limit <= 0:
            return np.ones(age.size)
        if n == 0:  # nothing is spread around the start
            return (age >= limit).astype(float)
        return np.clip((age - limit) / self.width + 0.5, 0.0, 1.0)

    def _first_failed(
        self,
        n: int,
        good: FloatArray,
        bad: FloatArray,
        unpaid: FloatArray,
        *,
        turns: FloatArray | None = None,
        opens: FloatArray | None = None,
    ) -> FloatArray:
        """A is replaced at step n in units given by the date of B; the rule is followed.

        turns, opens : share of the good B's kept that turn bad, or fail openly, before the next
        step begins.
        """
        do, cells = self.action, good.shape[1]
        age = np.concatenate([self.b_old + n * self.width, self.width * np.arange(n, 0, -1)])
        taken = do.replaced * self._older(n, age[:cells], do.older_than_days)
        found = do.hot * self.law.sensitivity[:, None]  # type: ignore[index]
        new_good, new_bad = good * taken, bad * (taken + (1 - taken) * found)
        replaced = (new_good + new_bad).sum(axis=1)
        q, r = self.ka + n, self.kb + n
        kept, still_bad = good - new_good, bad - new_bad
        late, checked = np.zeros(self.draws), np.zeros(self.draws)
        if opens is not None and turns is not None:
            late = (kept * opens).sum(axis=1)
            seen = ((1 - self.unseen) / (1 + self.unseen))[:, None] * still_bad
            still_bad = still_bad - seen + kept * turns
            kept = kept * (1 - opens - turns)
            checked = seen.sum(axis=1)
        self.good[:, q, :cells] += kept
        if self.bad is not None:
            self.bad[:, q, :cells] += still_bad
        self.good[:, q, r] += replaced + late + checked
        visits = (good + bad).sum(axis=1)
        tests = do.hot * ((good + bad) * (1 - taken)).sum(axis=1)
        second = replaced + late + checked
        return np.stack([visits + late, unpaid, visits, second, tests, replaced + checked])

    def _second_failed(
        self, n: int, failed: FloatArray, unpaid: FloatArray, *, fails: FloatArray | None = None
    ) -> FloatArray:
        """B, failed openly, is replaced at step n in units given by the date of A.

        fails : share of the A's kept that fail before the next step begins, beside a new B.
        """
        cells, limit = failed.shape[1], self.action.first_older_than_days
        age = np.concatenate([self.a_old + n * self.width, self.width * np.arange(n, 0, -1)])
        taken = np.zeros(cells) if limit is None else self._older(n, age[:cells], limit)
        both = (failed * taken).sum(axis=1)
        kept, late = failed * (1 - taken), np.zeros(self.draws)
        if fails is not None:
            late = (kept * fails).sum(axis=1)
            kept = kept * (1 - fails)
        self.good[:, :cells, self.kb + n] += kept
        self.good[:, self.ka + n, self.kb + n] += both + late
        visits = failed.sum(axis=1)
        again = late * (self.action.replaced if self.action.older_than_days <= 0 else 0.0)
        tests = late * self.action.hot * (1 - (again > 0))
        return np.stack([visits + late, unpaid, both + late, visits + again, tests, both + again])


def pair_cost_rate(
    law: PairLaw,
    *,
    action: PairAction,
    money: PairMoney,
    unit_life: tuple[float, float] | None = None,
    steps: int = LIFE_STEPS,
) -> FloatArray:
    """Money per unit and day in the long run under one rule.

    Parameters
    ----------
    law, action, money : as in `expected_pair_costs`.
    unit_life : Weibull shape and scale in days of a unit's time in service; a unit taken out of
        service is followed by a new one. None: units stay for ever.
    steps : of the grid.

    Returns
    -------
    (draws,) by the renewal-reward theorem, the money of a unit's life over its mean length;
    without a unit life, the slope of the costs once they have settled.
    """
    fine, coarse = (
        _rate(law, action=action, money=money, unit_life=unit_life, steps=number)
        for number in (steps, steps // 2)
    )
    return np.asarray(fine + (fine - coarse) / 3)  # the error falls with the square of a step


def _rate(
    law: PairLaw,
    *,
    action: PairAction,
    money: PairMoney,
    unit_life: tuple[float, float] | None,
    steps: int,
) -> FloatArray:
    start = PairStart.new()
    if unit_life is not None:
        shape, scale = unit_life
        end = scale * (-np.log(REST_IN_SERVICE)) ** (1 / shape)
        alive = np.exp(-((np.linspace(0, end, steps + 1) / scale) ** shape))
        found = expected_pair_costs(
            law, start=start, action=action, money=money, horizon_days=float(end), steps=steps,
            in_service=alive,
        )  # fmt: skip
        return found.money / found.service_days
    laws = [held for held in (law.own, law.silent, law.visible) if held is not None]
    longest = max(float(np.median(held[:, 1] * gamma(1 + 1 / held[:, 0]))) for held in laws)
    middle = int(2 * steps * SETTLED[0] / SETTLED[1])
    early = np.zeros(2 * steps + 1)
    early[:middle], early[middle] = 1.0, 0.5  # the step in the middle belongs half to each side
    how = {"start": start, "action": action, "money": money, "steps": 2 * steps,
           "horizon_days": SETTLED[1] * longest}  # fmt: skip
    whole = expected_pair_costs(law, **how)  # type: ignore[arg-type]
    before = expected_pair_costs(law, **how, in_service=early)  # type: ignore[arg-type]
    days = SETTLED[1] * longest * (1 - middle / (2 * steps))
    return (whole.money - before.money) / days
