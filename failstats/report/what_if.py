"""Sliders of the page: every position was computed beforehand, the page only looks it up."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import product
from typing import Any

import markupsafe

from failstats.report.bundle import script_json
from failstats.show.interval_rows import POSITION
from failstats.show.text import clean, duration_text, interval_text, money, share_text

__all__ = [
    "MARK",
    "NOW",
    "TARGET_MARK",
    "page_panels",
    "pair_panel",
    "spend_panel",
    "target_panel",
    "with_mark",
    "with_positions",
]

#: Parameters of a chart that sliders move: the upright line of money, the level one of jobs.
MARK, TARGET_MARK = "what_if", "what_if_target"
STEPS = 40  # positions of a budget slider
TARGETS = tuple(round(0.5 + 0.01 * step, 2) for step in range(50))  # shares of jobs finished
NOW = "At today's prices and costs."
DOES = {
    "keep": "leave it in",
    "test_hot": "test it hot, replace if bad",
    "if_older": "replace it when older",
    "always": "replace it too",
    "unclear": "unclear",
}

Panel = dict[str, Any]


def _curves(stock_rows: Iterable[Mapping[str, Any]]) -> dict[str, list[tuple[float, float]]]:
    return {
        str(row["van"]): [(float(p["spend"]), float(p["completion"])) for p in row["spend_curve"]]
        for row in stock_rows
        if row.get("spend_curve")
    }


def most_for(curve: Sequence[tuple[float, float]], budget: float) -> tuple[float, float] | None:
    """What a budget buys: (spend, share of jobs finished) of the best list within it.

    >>> most_for([(0.0, 0.1), (90.0, 0.5), (200.0, 0.8)], 120.0)
    (90.0, 0.5)
    """
    within = [point for point in curve if point[0] <= budget]
    return max(within, key=lambda point: (point[1], -point[0]), default=None)


def least_for(curve: Sequence[tuple[float, float]], target: float) -> tuple[float, float] | None:
    """The cheapest list that finishes this share of jobs; None where none does.

    >>> least_for([(0.0, 0.1), (90.0, 0.5), (200.0, 0.8)], 0.6)
    (200.0, 0.8)
    """
    enough = [point for point in curve if point[1] >= target]
    return min(enough, key=lambda point: (point[0], -point[1]), default=None)


def _van_cells(point: tuple[float, float] | None, currency: str) -> list[str]:
    if point is None:
        return ["no such list", ""]
    return [money(point[0], currency, decimals=0), share_text(point[1])]


def spend_panel(stock_rows: Sequence[Mapping[str, Any]], *, currency: str) -> Panel | None:
    """Budget per van: what it buys on each.

    Parameters
    ----------
    stock_rows : the results of `stock` as the JSON of the contract has them.
    currency : code of the money.

    Returns
    -------
    A panel for the page; None where no van has a curve. ``cells[k]`` holds, for position k of
    the slider, one list of texts per row.
    """
    curves = _curves(stock_rows)
    if not curves:
        return None
    most = max(curve[-1][0] for curve in curves.values())
    step = max(1.0, round(most / STEPS / 5) * 5 or 5.0)
    budgets = [step * k for k in range(int(most // step) + 2)]
    chosen = max((float(row.get("budget") or row["spend"])) for row in stock_rows)
    return {
        "name": "budget",
        "sliders": [
            {
                "name": "budget", "label": f"Budget for each van ({currency})",
                "texts": [money(value, currency, decimals=0) for value in budgets],
                "start": min(range(len(budgets)), key=lambda k: abs(budgets[k] - chosen)),
            }
        ],
        "heads": ["Van", "Spent", "Jobs finished on the first visit"],
        "right": [1, 2],
        "rows": list(map(clean, curves)),
        "cells": [
            [_van_cells(most_for(curve, value), currency) for curve in curves.values()]
            for value in budgets
        ],
        "mark": {"chart": "spec-stock", "name": MARK, "values": budgets},
        "note": "The upright dashed line of the chart. Along the lists of the answer above, item "
        "by item; other lists for the same money may differ a little.",
    }  # fmt: skip


def target_panel(stock_rows: Sequence[Mapping[str, Any]], *, currency: str) -> Panel | None:
    """Share of jobs to finish on the first visit: the least spend for it on each van.

    Parameters and what comes back are those of :func:`spend_panel`.
    """
    curves = _curves(stock_rows)
    if not curves:
        return None
    return {
        "name": "target",
        "sliders": [
            {
                "name": "target", "label": "Jobs to finish on the first visit",
                "texts": [share_text(value) for value in TARGETS],
                "start": TARGETS.index(0.9),
            }
        ],
        "heads": ["Van", "Least spend", "Jobs finished on the first visit"],
        "right": [1, 2],
        "rows": list(map(clean, curves)),
        "cells": [
            [_van_cells(least_for(curve, value), currency) for curve in curves.values()]
            for value in TARGETS
        ],
        "mark": {"chart": "spec-stock", "name": TARGET_MARK, "values": list(TARGETS)},
        "note": "The level dashed line of the chart.",
    }  # fmt: skip


def pair_panel(
    choices: Sequence[Mapping[str, Any]], *, currency: str, prices: Mapping[str, float]
) -> Panel | None:
    """Price of the partner and cost of a return visit: what to do with each pair then.

    Parameters
    ----------
    choices : one row per pair and position: when, also, price_times (of the partner, against
        today's price), return_cost, recommend, threshold_days, saving_per_100_jobs, saving_ci.
    currency : code of the money.
    prices : today's price by part.

    Returns
    -------
    A panel for the page, its positions the price's slowest; None where there is no choice.
    """
    if not choices:
        return None
    times = sorted({float(row["price_times"]) for row in choices})
    returns = sorted({float(row["return_cost"]) for row in choices})
    pairs = list(dict.fromkeys((str(row["when"]), str(row["also"])) for row in choices))
    known = {
        (str(r["when"]), str(r["also"]), float(r["price_times"]), float(r["return_cost"])): r
        for r in choices
    }

    def cells(when: str, also: str, factor: float, visit: float) -> list[str]:
        row = known[when, also, factor, visit]
        own = money(factor * prices[also], currency, decimals=0)
        saved = interval_text(
            row["saving_per_100_jobs"], *row["saving_ci"], kind="money", currency=currency,
            decimals=0,
        )  # fmt: skip
        do = DOES[str(row["recommend"])]
        if row["recommend"] == "if_older" and row.get("threshold_days") is not None:
            do += f" than {duration_text(row['threshold_days'])}"
        return [own, do, saved]

    today = {
        name: next((float(row[name]) for row in choices if row.get("today")), fallback[0])
        for name, fallback in (("price_times", times), ("return_cost", returns))
    }
    places = list(product(times, returns))
    return {
        "name": "pairs",
        "sliders": [
            {
                "name": "price", "label": "Price of the other part, against today's",
                "texts": [f"{factor:g} times" for factor in times],
                "start": times.index(today["price_times"]),
            },
            {
                "name": "return", "label": f"Cost of a return visit ({currency})",
                "texts": [money(value, currency, decimals=0) for value in returns],
                "start": returns.index(today["return_cost"]),
            },
        ],
        "heads": ["When, and the other part", "Its price", "Do", "Saved per 100 jobs"],
        "right": [1, 3],
        "rows": [f"{clean(a)} replaced: the {clean(b)}".replace("_", " ") for a, b in pairs],
        "cells": [
            [cells(when, also, factor, visit) for when, also in pairs]
            for factor, visit in places
        ],
        "mark": {"chart": "spec-policy", "name": POSITION, "values": list(range(len(places)))},
        "said": [
            NOW if (factor, visit) == (today["price_times"], today["return_cost"]) else
            f"Not today's costs: the other part at {factor:g} times its price, a return visit at "
            f"{money(visit, currency, decimals=0)}."
            for factor, visit in places
        ],
        "note": "Saved against leaving it in. A safety part is never left in beyond the maker's "
        "instruction, whatever it costs.",
    }  # fmt: skip


def with_mark(spec: Mapping[str, Any]) -> dict[str, Any]:
    """A layered chart with the lines that sliders move: upright along money, level along jobs.

    A chart without layers comes back as it is.
    """
    if "layer" not in spec:
        return dict(spec)
    mark = {"type": "rule", "strokeDash": [4, 3], "strokeWidth": 1.5, "clip": True, "aria": False}
    lines = [
        {
            "mark": mark,
            "data": {"values": [{}]},
            "encoding": {channel: {"datum": {"expr": name}, "type": "quantitative"}},
        }
        for channel, name in (("y", TARGET_MARK), ("x", MARK))
    ]
    params = [*spec.get("params", []), *({"name": n, "value": 0} for n in (MARK, TARGET_MARK))]
    return {**spec, "params": params, "layer": [*spec["layer"], *lines]}


def with_positions(spec: dict[str, Any], answer: Any) -> dict[str, Any]:
    """The chart of an answer as the sliders of the page move it.

    Parameters
    ----------
    spec : of the chart as it is. answer : one that has sliders.
    """
    if hasattr(answer, "chart_of_positions"):
        moving = answer.chart_of_positions()
        return spec if moving is None else dict(moving.to_dict())
    return with_mark(spec)


def page_panels(answer: Any) -> list[dict[str, Any]]:
    """The sliders that go with an answer, ready for the template: none for most."""
    found: list[Panel | None] = []
    if answer.command == "stock":
        rows, currency = answer.to_dict()["results"], answer.settings.get("currency", "USD")
        found = [spend_panel(rows, currency=currency), target_panel(rows, currency=currency)]
    if answer.command == "policy" and answer.summary.get("what_if"):
        asked = answer.summary["what_if"]
        found = [pair_panel(asked["choices"], currency=asked["currency"], prices=asked["prices"])]
    return [_ready(panel) for panel in found if panel is not None]


def _ready(panel: Panel) -> dict[str, Any]:
    at = 0
    for slider in panel["sliders"]:
        at = at * len(slider["texts"]) + slider["start"]
    return {
        **panel, "first": panel["cells"][at], "data": markupsafe.Markup(script_json(panel)),
    }  # fmt: skip
