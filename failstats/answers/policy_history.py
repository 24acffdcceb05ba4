"""The last two years once more: what each pair rule would have made of them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from failstats.answers.lives_selected import hidden_pair
from failstats.answers.policy_laws import SEED, PairCase, practice
from failstats.answers.policy_rows import PlayedRule
from failstats.estimate.pair_law import PairAction, PairMoney
from failstats.estimate.pair_simulation import PairUnits, play_pairs
from failstats.warehouse.session import Session

__all__ = ["PLAYED_DAYS", "play_history"]

PLAYED_DAYS = 730
PLAYS = 60  # each from another draw of the fit
FEWEST_UNITS = 100


def play_history(
    session: Session, case: PairCase, actions: Sequence[PairAction], money: PairMoney, level: float
) -> list[PlayedRule]:
    """Each rule over the last two years, from the units as they stood when these began.

    Parameters
    ----------
    case : a pair whose partner fails unseen. actions : the rules; what is done today comes first.

    Notes
    -----
    Every play takes another draw of the fit; within a play all rules meet the same luck. The
    interval holds what the fit does not know and what chance does.
    """
    begin = session.as_of - dt.timedelta(days=PLAYED_DAYS)
    frame = session.run(
        "policy_history",
        first=case.first,
        second=case.second,
        start=begin,
        warranty_days=money.warranty_days,
    )
    fit = hidden_pair(session, case.first, case.second).fit
    if len(frame) < FEWEST_UNITS or fit is None:
        return []
    first, second = (frame[c].to_numpy(float) for c in ("first_days", "second_days"))
    bad = fit.chance_bad(second, a_age=first, a_failed=False)
    done = practice(session, case.first, case.second)
    rules = [done.action(), *actions]
    rng = np.random.Generator(np.random.PCG64(SEED))
    rows = rng.integers(1, case.law.draws, size=PLAYS)
    sums = np.zeros((len(rules), PLAYS, 4))
    for play, row in enumerate(rows):
        units = PairUnits(
            first_days=first,
            second_days=second,
            bad=rng.random(first.size) < bad,
            until_days=frame["until_days"].to_numpy(float),
            law=np.full(first.size, row),
        )
        for k, rule in enumerate(rules):
            found = play_pairs(
                case.law, units=units, action=rule, money=money, seed=SEED + play,
                in_warranty=np.ones(first.size, dtype=bool),
            )  # fmt: skip
            sums[k, play] = (
                found.first_failures.sum(), found.unpaid.sum(), found.second_parts.sum(),
                found.money.sum(),
            )  # fmt: skip
    tail = (1 - level) / 2
    out = []
    for k, rule in enumerate(rules):
        mean = sums[k].mean(axis=0)
        low, high = np.quantile(sums[k], [tail, 1 - tail], axis=0)
        spans = [(float(a), float(b)) for a, b in zip(low, high, strict=True)]
        row = PlayedRule(
            first=case.first,
            second=case.second,
            action=rule.name,
            units=len(frame),
            failures=float(mean[0]),
            failures_ci=spans[0],
            returns=float(mean[1]),
            returns_ci=spans[1],
            second_parts=float(mean[2]),
            second_parts_ci=spans[2],
            money=float(mean[3]),
            money_ci=spans[3],
        )
        out.append(row)
    return [_with_seen(out[0], frame, money), *out[1:]]


def _with_seen(row: PlayedRule, frame: pd.DataFrame, money: PairMoney) -> PlayedRule:
    """What the records hold of the same units, priced alike."""
    seen = frame.drop(columns="unit_id").sum()
    returns = int(seen["first_returns"] + seen["second_returns"])
    visits = int(seen["first_failures"] + seen["second_failures"])
    with_the_first = max(int(seen["second_replaced"] - seen["second_failures"]), 0)
    spent = (
        (visits - returns) * money.visit
        + returns * money.unpaid
        + seen["first_failures"] * money.first_price
        + seen["second_replaced"] * money.second_price
        + with_the_first * money.fitting
        + seen["hot_tests"] * money.hot_test
    )
    return replace(
        row,
        failures_seen=int(seen["first_failures"]),
        returns_seen=returns,
        second_parts_seen=int(seen["second_replaced"]),
        money_seen=float(spent),
    )
