"""Pictures from tables: each function takes one tidy table and returns one finished chart.

No chart knows which question it answers. Each has a title, a unit on every axis, a text for
people who cannot see it (``description``), names beside the marks instead of a legend where there
is room, and no more points than a screen can show (said in the subtitle when some were left out).
"""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from failstats.show.ages import failure_rates, repeats_curve, straight_line
from failstats.show.curves import frontier, incidence_curve, life_curve
from failstats.show.frames import NothingToDraw, inline, needed, titled
from failstats.show.interval_rows import cost_bars, differences, forest, rows_bar, shares
from failstats.show.pairs_causes import follow_on_curves, pareto, reading_strips
from failstats.show.ratios import dose_response, ratio_map, stacked
from failstats.show.text import share_text
from failstats.show.theme import themed

__all__ = [
    "NothingToDraw",
    "cost_bars",
    "differences",
    "dose_response",
    "failure_rates",
    "follow_on_curves",
    "forest",
    "frontier",
    "incidence_curve",
    "life_curve",
    "pair_heat_map",
    "pareto",
    "ratio_map",
    "reading_strips",
    "repeats_curve",
    "rows_bar",
    "shares",
    "stacked",
    "straight_line",
]

WIDTH = 460
NARROWEST_CELL = 44  # pixels that the words of a cell need
TIGHTEST_CELL = 28  # in the small type of a telephone
MOST_PARTS = 12


def _cell_text(words: str) -> str:
    """A share in words without its sign: "3.5 %" is 3.5, "under 0.1 %" is <0.1."""
    return words.replace("under ", "<").replace("over ", ">").replace(" %", "")


def pair_heat_map(
    frame: pd.DataFrame,
    *,
    title: str = "When the first part failed, the second had too",
    of: str = "failures",
    axes: tuple[str, str] = ("first part", "second part"),
) -> Any:
    """How often a second part is found failed when a first one is.

    Parameters
    ----------
    frame : columns first, second, share (of the first's episodes), episodes (that it rests on).
    title : what the cells mean. of : what of the first part is counted, in a word. axes : names of
        the vertical and the horizontal axis.

    Returns
    -------
    A square of cells with the share written in each in per cent, without the sign: a cell on a
    telephone holds three characters. Unknown shares stay empty.

    Raises
    ------
    NothingToDraw : the table has no rows.
    """
    data = needed(frame, ("first", "second", "share", "episodes"), chart="a pair map")
    data = data[data["share"].notna()]
    needed(data, ("share",), chart="a pair map")
    by_use = data.groupby("first")["episodes"].max().sort_values(ascending=False, kind="stable")
    others = [x for x in dict.fromkeys(data["second"]) if x not in by_use.index]
    order, note = [*map(str, by_use.index), *map(str, others)], "In %."
    down = across = order
    if not set(data["first"]) & set(data["second"]):  # two kinds of things: each in its own order
        down, across = [*map(str, by_use.index)], list(map(str, others))
    if max(len(down), len(across)) > MOST_PARTS:
        note += f" The {MOST_PARTS} parts with most {of} of {max(len(down), len(across))}."
        down, across = down[:MOST_PARTS], across[:MOST_PARTS]
    data = data[data["first"].isin(down) & data["second"].isin(across)].copy()
    top = float(data["share"].max()) or 1.0
    data["words"] = [share_text(x) for x in data["share"]]
    data["cell"] = [_cell_text(words) for words in data["words"]]
    data["strong"] = data["share"] > 0.5 * top
    source = inline(data[["first", "second", "share", "episodes", "cell", "strong"]])
    base = alt.Chart(source).encode(
        x=alt.X(
            "second:N",
            sort=across,
            title=axes[1],
            axis=alt.Axis(labelAngle=-40, labelOverlap=False),
        ),
        y=alt.Y("first:N", sort=down, title=axes[0]),
    )
    tip = [
        alt.Tooltip("first:N"),
        alt.Tooltip("second:N"),
        alt.Tooltip("share:Q", format=".1%"),
        alt.Tooltip("episodes:Q", format=",d"),
    ]
    cells = base.mark_rect().encode(
        color=alt.Color("share:Q", legend=None, scale=alt.Scale(domain=[0, top])), tooltip=tip
    )
    weak = base.transform_filter("!datum.strong").mark_text(style="on_low")
    strong = base.transform_filter("datum.strong").mark_text(style="on_high")
    best = data.sort_values("share", ascending=False).head(3)
    text = f"{title}. Largest: " + "; ".join(
        f"{row.second} in {row.words} of {row.episodes:,} {of} of the {row.first}"
        for row in best.itertuples()
    )
    return themed(
        alt.layer(cells, weak.encode(text="cell:N"), strong.encode(text="cell:N")).properties(
            width=max(260, min(WIDTH, 58 * len(across))),
            height={"step": 34},
            title=titled(title, note),
            description=text + ".",
            usermeta={
                "widest": WIDTH,
                "narrowest": NARROWEST_CELL * len(across),
                "tightest": TIGHTEST_CELL * len(across),
            },
        )
    )
