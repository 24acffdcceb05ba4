"""A pair of parts played through, unit by unit: the check on the renewal equations, and the past
years once more under another rule.

Two rules are played with the same luck: the n-th part fitted in a place is as strong under one as
under the other, so that what differs between them is the rule.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from failstats.errors import InputError
from failstats.estimate.pair_law import PairAction, PairLaw, PairMoney

__all__ = ["PairUnits", "PlayedPairs", "play_pairs"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
#: Failures of one unit at most; a law that gives more is refused.
MOST_FAILURES = 400


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PairUnits:
    """Units to be played, (units,) each.

    first_days, second_days : ages of the two parts. bad : whether B is bad.
    until_days : how long each is watched. law : row of the law each follows.
    first_failed : whether A fails at time 0 (the job at which the rule is followed first).
    """

    first_days: FloatArray
    second_days: FloatArray
    bad: BoolArray
    until_days: FloatArray
    law: NDArray[np.int64]
    first_failed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlayedPairs:
    """What happened, (units,) each: money, visits, unpaid, first_parts, second_parts, hot_tests,
    and first_failures (visits at which A had failed, the one at time 0 included)."""

    money: FloatArray
    visits: FloatArray
    unpaid: FloatArray
    first_parts: FloatArray
    second_parts: FloatArray
    hot_tests: FloatArray
    first_failures: FloatArray


class _Luck:
    """Exponential strengths and uniform choices: the n-th of each kind of each unit."""

    def __init__(self, units: int, seed: int) -> None:
        self.units, self.seed = units, seed
        self.held: dict[tuple[int, int], FloatArray] = {}

    def __call__(self, kind: int, number: NDArray[np.int64], who: NDArray[np.int64]) -> FloatArray:
        out = np.empty(who.size)
        for n in np.unique(number):
            key = (kind, int(n))
            if key not in self.held:
                rng = np.random.Generator(np.random.PCG64([self.seed, *key]))
                self.held[key] = rng.random(self.units)
            mine = number == n
            out[mine] = self.held[key][who[mine]]
        return out


_OWN, _SILENT, _OPEN, _TEST, _HOT, _TAKE, _CHECK, _SHOWN = range(8)


def _lasts(law: FloatArray | None, at: NDArray[np.int64], luck: FloatArray,
           age: FloatArray | None = None) -> FloatArray:  # fmt: skip
    """Age at failure, given survival to an age; for ever without a law."""
    if law is None:
        return np.full(at.size, np.inf)
    shape, scale = law[at, 0], law[at, 1]
    past = 0.0 if age is None else (age / scale) ** shape
    return np.asarray(scale * (past - np.log1p(-luck)) ** (1 / shape))


def play_pairs(
    law: PairLaw,
    *,
    units: PairUnits,
    action: PairAction,
    money: PairMoney,
    seed: int = 0,
    in_warranty: ArrayLike | None = None,
) -> PlayedPairs:
    """Play a pair of parts through under one rule.

    Parameters
    ----------
    law : how the parts fail. units : where they stand, and for how long they are watched.
    action, money : the rule, and prices.
    seed : of the luck; the same for every rule that is to be compared.
    in_warranty : (units,) whether the parts in place at the start are recent enough for their
        warranty to count; they are not when absent.

    Returns
    -------
    What happened in each unit.
    """
    size = units.first_days.size
    at = np.asarray(units.law, dtype=np.int64)
    if at.size and not (at.min() >= 0 and at.max() < law.draws):
        raise InputError("units must name rows of the law.")
    luck, everyone = _Luck(size, seed), np.arange(size)
    count = {kind: np.zeros(size, dtype=np.int64) for kind in range(8)}
    a_born, b_born = -units.first_days.astype(float), -units.second_days.astype(float)
    fitted_here = np.zeros((2, size), dtype=bool)
    if in_warranty is not None:
        fitted_here[:] = np.asarray(in_warranty, dtype=bool)
    old = units.second_days.astype(float)
    spend = np.zeros(size)  # hazard that A can still take
    turns = np.where(
        units.bad,
        -np.inf,
        b_born + _lasts(law.silent, at, luck(_SILENT, count[_SILENT], everyone), old),
    )
    opens = b_born + _lasts(law.visible, at, luck(_OPEN, count[_OPEN], everyone), old)
    spend = -np.log1p(-luck(_OWN, count[_OWN], everyone))
    now = np.zeros(size)
    sums = np.zeros((7, size))  # money, visits, unpaid, firsts, seconds, tests, failures of A
    kappa, sens = law.multiplier, law.sensitivity
    assert kappa is not None
    assert sens is not None

    def first_fails(who: NDArray[np.int64]) -> FloatArray:
        """Date of A's failure, if nothing else happens."""
        shape, scale = law.own[at[who], 0], law.own[at[who], 1]
        born, t0 = a_born[who], now[who]
        turn = np.maximum(np.where(opens[who] <= turns[who], np.inf, turns[who]), t0)
        before = ((t0 - born) / scale) ** shape
        with np.errstate(over="ignore", invalid="ignore"):
            until = np.where(np.isinf(turn), np.inf, ((turn - born) / scale) ** shape)
            early = before + spend[who] <= until
            reached = np.where(
                early, before + spend[who], until + (spend[who] - (until - before)) / kappa[at[who]]
            )
        return np.asarray(born + scale * reached ** (1 / shape))

    def taken_by_first(who: NDArray[np.int64], day: FloatArray) -> FloatArray:
        """Hazard that A takes from now to a day on which it has not failed."""
        shape, scale = law.own[at[who], 0], law.own[at[who], 1]
        turn = np.where(opens[who] <= turns[who], np.inf, turns[who])
        turn = np.clip(turn, now[who], day)
        begin, middle, end = (
            ((when - a_born[who]) / scale) ** shape for when in (now[who], turn, day)
        )
        return np.asarray(middle - begin + kappa[at[who]] * (end - middle))

    def renew_first(who: NDArray[np.int64]) -> None:
        a_born[who] = now[who]
        count[_OWN][who] += 1
        spend[who] = -np.log1p(-luck(_OWN, count[_OWN][who], who))
        fitted_here[0, who] = True
        sums[3, who] += 1
        sums[0, who] += money.first_price

    def renew_second(who: NDArray[np.int64]) -> None:
        b_born[who] = now[who]
        for kind in (_SILENT, _OPEN):
            count[kind][who] += 1
        turns[who] = now[who] + _lasts(law.silent, at[who], luck(_SILENT, count[_SILENT][who], who))
        opens[who] = now[who] + _lasts(law.visible, at[who], luck(_OPEN, count[_OPEN][who], who))
        fitted_here[1, who] = True
        sums[4, who] += 1
        sums[0, who] += money.second_price

    def visit(who: NDArray[np.int64], born: FloatArray, part: int) -> None:
        within = fitted_here[part, who] & (now[who] - born[who] <= money.warranty_days)
        sums[1, who] += 1
        sums[2, who] += within
        sums[0, who] += np.where(within, money.unpaid, money.visit)

    def at_first(who: NDArray[np.int64]) -> None:
        """A has failed: replace it, follow the rule."""
        sums[6, who] += 1
        renew_first(who)
        older = now[who] - b_born[who] >= action.older_than_days
        taken = older & (luck(_TAKE, count[_TAKE][who], who) < action.replaced)
        count[_TAKE][who] += 1
        tested = ~taken & (luck(_HOT, count[_HOT][who], who) < action.hot)
        count[_HOT][who] += 1
        sums[5, who] += tested
        sums[0, who] += tested * money.hot_test
        is_bad = (turns[who] <= now[who]) & (turns[who] < opens[who])
        shown = tested & is_bad & (luck(_TEST, count[_TEST][who], who) < sens[at[who]])
        count[_TEST][who] += 1
        new = who[taken | shown]
        renew_second(new)
        sums[0, new] += money.fitting

    if units.first_failed:
        sums[1] += 1
        sums[0] += money.visit
        at_first(everyone)
    going = everyone
    checks = np.full(size, np.inf)

    def next_check(who: NDArray[np.int64]) -> None:
        gap = -np.log1p(-luck(_CHECK, count[_CHECK][who], who)) / action.checks_per_day
        count[_CHECK][who] += 1
        checks[who] = now[who] + gap

    if action.checks_per_day > 0:
        next_check(everyone)
    for _ in range(MOST_FAILURES):
        a_day = first_fails(going)
        # what has turned bad no longer fails openly
        b_day = np.where(turns[going] <= opens[going], np.inf, opens[going])
        day = np.minimum(np.minimum(a_day, b_day), checks[going])
        inside = day <= units.until_days[going]
        who, day, is_a = going[inside], day[inside], (a_day == day)[inside]
        is_check = (checks[who] == day) & ~is_a
        if not who.size:
            return PlayedPairs(
                money=sums[0], visits=sums[1], unpaid=sums[2], first_parts=sums[3],
                second_parts=sums[4], hot_tests=sums[5], first_failures=sums[6],
            )  # fmt: skip
        other, looked = who[~is_a & ~is_check], who[is_check]
        lives_on, on_day = who[~is_a], day[~is_a]
        spend[lives_on] -= taken_by_first(lives_on, on_day)
        now[who] = day
        if looked.size:
            next_check(looked)
            is_bad = (turns[looked] <= now[looked]) & (turns[looked] < opens[looked])
            shown = luck(_SHOWN, count[_SHOWN][looked], looked) < sens[at[looked]]
            count[_SHOWN][looked] += 1
            new = looked[is_bad & shown]
            renew_second(new)
            sums[0, new] += money.fitting
        first = who[is_a]
        visit(first, a_born, 0)
        at_first(first)
        visit(other, b_born, 1)
        renew_second(other)
        if action.first_older_than_days is not None:
            both = other[now[other] - a_born[other] >= action.first_older_than_days]
            renew_first(both)
            sums[0, both] += money.fitting
        going = who
    raise InputError(
        f"a unit must fail at most {MOST_FAILURES} times, but one fails more often.",
        do="shorten the time, or correct the lives.",
    )
