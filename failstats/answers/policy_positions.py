"""The choices after a failure as a picture draws them: today, or at every price looked at."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import pandas as pd

from failstats.answers import wording as text

__all__ = ["choice_words", "cost_rows", "position_rows", "positions_of"]

COLUMNS = ("when", "action", "cost", "low", "high")


def choice_words(action: str, threshold_days: float | None) -> str:
    """A choice with the age it hangs on.

    >>> choice_words("if_older", 1461.0), choice_words("test_hot", None)
    ('if older than 4.0 years', 'test hot')
    """
    older = action == "if_older" and threshold_days is not None
    return text.words(action) + (f" than {text.years(threshold_days)}" if older else "")


def cost_rows(
    when: str, also: str, threshold_days: float | None, costs: Iterable[Mapping[str, Any]]
) -> list[dict[str, Any]]:
    """The choices of one pair: when, action, cost, low, high.

    Parameters
    ----------
    costs : action, per_job, per_job_ci of each.
    """
    rows = []
    for cost in costs:
        low, high = cost["per_job_ci"] or (None, None)
        rows.append({
            "when": f"{text.words(when)} failed: the {text.words(also)}",
            "action": choice_words(str(cost["action"]), threshold_days),
            "cost": cost["per_job"], "low": low, "high": high,
        })  # fmt: skip
    return rows


def positions_of(choices: Sequence[Mapping[str, Any]]) -> list[tuple[float, float]]:
    """(price_times, return_cost) in the order of the sliders, the price the slowest."""
    times = sorted({float(row["price_times"]) for row in choices})
    returns = sorted({float(row["return_cost"]) for row in choices})
    return [(one, other) for one in times for other in returns]


def position_rows(
    choices: Sequence[Mapping[str, Any]], pairs: Iterable[tuple[str, str]]
) -> tuple[pd.DataFrame, int]:
    """What each choice costs at each position of the sliders, and which position is today's.

    Parameters
    ----------
    choices : as `what_if_rows` gives them. pairs : those to draw.

    Returns
    -------
    Columns when, action, cost, low, high and at (the number of the position).
    """
    wanted, places = set(pairs), positions_of(choices)
    number = {place: at for at, place in enumerate(places)}
    found, today = {}, 0
    for row in choices:
        at = number[float(row["price_times"]), float(row["return_cost"])]
        today = at if row.get("today") else today
        if (row["when"], row["also"]) in wanted:  # a return visit for nothing is one position
            costs = cost_rows(row["when"], row["also"], row["threshold_days"], row["costs"])
            found[row["when"], row["also"], at] = [{**one, "at": at} for one in costs]
    rows = [one for costs in found.values() for one in costs]
    return pd.DataFrame(rows, columns=[*COLUMNS, "at"]), today
