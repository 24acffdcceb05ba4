"""The pair rules at other prices of the partner and of a return visit, computed beforehand."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from failstats.answers.policy_laws import PairCase
from failstats.answers.policy_rows import Advice
from failstats.estimate.pair_law import PairMoney
from failstats.estimate.pair_policy import WeighedPair

__all__ = ["PRICE_TIMES", "RETURN_TIMES", "shown_pairs", "what_if_rows"]

#: Of today's price, and of today's cost of a return visit.
PRICE_TIMES = (0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0)
RETURN_TIMES = (0.5, 1.0, 1.5, 2.0, 3.0)


def what_if_rows(
    case: PairCase, weighed: WeighedPair, money: PairMoney, level: float
) -> list[dict[str, Any]]:
    """What to do at each position of price and cost, what it saves, and what each choice costs.

    Parameters
    ----------
    case, weighed, money : the pair, its rules and its prices today. level : of the intervals.
    """
    reverse = case.start.failed == "second"
    part = "first_parts" if reverse else "second_parts"
    price = money.first_price if reverse else money.second_price
    rows = []
    for times in PRICE_TIMES:
        for factor in RETURN_TIMES:
            found = weighed.repriced(
                **{part: (times - 1) * price}, unpaid=(factor - 1) * money.unpaid
            )
            saving, low, high = found.saving(level)
            rows.append(
                {
                    "when": case.first,
                    "also": case.second,
                    "price_times": times,
                    "return_cost": round(factor * money.unpaid, 2),
                    "recommend": found.decision.recommend,
                    "threshold_days": found.threshold_days,
                    "saving_per_100_jobs": 100 * saving,
                    "saving_ci": (100 * low, 100 * high),
                    "today": times == 1.0 and factor == 1.0,
                    "costs": [
                        {
                            "action": name,
                            "per_job": float(found.estimate[k]),
                            "per_job_ci": found.interval(name, level),
                        }
                        for k, name in enumerate(found.names)
                    ],
                }
            )
    return rows


def shown_pairs(rows: Sequence[Advice], choices: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Of all positions those of pairs with a rule, or whose partner fails unseen."""
    wanted = {
        (row.when, row.also) for row in rows if row.recommend != "keep" or row.followed is not None
    }
    return [row for row in choices if (row["when"], row["also"]) in wanted]
