"""Ratios along a scale and across two: a smooth curve with its band, a map of cells, a stack."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from failstats.show.frames import inline, needed, spread_labels, titled
from failstats.show.theme import SERIES_COLOURS, themed

__all__ = ["dose_response", "ratio_map", "stacked"]

WIDTH = 460
NARROWEST_PANEL = 300  # pixels that the words inside cells need; narrow screens scroll
NARROWEST_CELL = 100  # of them
HEIGHT = 260
LABEL_GAP = 0.06  # of the height of the chart: one line of text
TICKS = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20)
LOWEST, HIGHEST = 0.2, 8.0  # a band wider than this says nothing, and is cut


def dose_response(
    frame: pd.DataFrame, *, title: str, along: str = "months", against: str = ""
) -> Any:
    """How a failure rate rises with something that grows, on a scale of ratios.

    Parameters
    ----------
    frame : columns series, the column named by ``along``, ratio, low, high.
    title : what the curves are of. along : the scale: its name is the title of the axis.
    against : what the ratios are against, for the subtitle.

    Returns
    -------
    One smooth line with a band per series, its name at the end, a line at no difference.

    Raises
    ------
    NothingToDraw : the table has no rows.
    """
    data = needed(frame, ("series", along, "ratio", "low", "high"), chart="a dose-response chart")
    data = data[data["ratio"].notna()]
    needed(data, ("ratio",), chart="a dose-response chart")
    data["series"] = data["series"].astype(str)
    names, note = list(dict.fromkeys(data["series"])), ""
    if len(names) > SERIES_COLOURS:
        note = f"The first {SERIES_COLOURS} of {len(names)} series; the table has them all."
        names = names[:SERIES_COLOURS]
        data = data[data["series"].isin(names)]
    wide = bool((data["high"] > HIGHEST).any() or (data["low"] < LOWEST).any())
    cut = f"Bands are cut at {LOWEST:g} and {HIGHEST:g}." if wide else ""
    for column in ("ratio", "low", "high"):
        data[column] = data[column].clip(LOWEST, HIGHEST)
    floor, top = float(min(data["low"].min(), 0.8)), float(max(data["high"].max(), 1.25))
    scale = alt.Scale(type="log", domain=[floor, top], nice=False)
    ticks = [tick for tick in TICKS if floor <= tick <= top]
    across = alt.X(f"{along}:Q", title=f"{along} since the last full cleaning")
    height = alt.Y(
        "ratio:Q",
        title="failure rate (ratio)",
        scale=scale,
        axis=alt.Axis(values=ticks, format="~g"),
    )
    colour = alt.Color("series:N", scale=alt.Scale(domain=names), legend=None)
    source = inline(data[["series", along, "ratio", "low", "high"]])
    base = alt.Chart(source)
    tip = [
        alt.Tooltip("series:N"),
        alt.Tooltip(f"{along}:Q", format=".0f"),
        *(alt.Tooltip(f"{x}:Q", format=".2f") for x in ("ratio", "low", "high")),
    ]
    ends = data.sort_values(along, kind="stable").groupby("series", sort=False).tail(1).copy()
    logs = np.log(ends["ratio"].to_numpy(float))
    gap = LABEL_GAP * (np.log(top) - np.log(floor))
    ends["ratio"] = np.exp(spread_labels(logs, gap=gap, top=float(np.log(top))))
    ends[along] = float(data[along].max())
    layers = [
        alt.Chart(alt.InlineData(values=[{"one": 1}]))
        .mark_rule(style="guide")
        .encode(y=alt.Y("one:Q", scale=scale, title="failure rate (ratio)")),
        base.mark_area(style="band").encode(
            x=across, y=alt.Y("low:Q", scale=scale), y2="high:Q", color=colour
        ),
        base.mark_line().encode(x=across, y=height, color=colour, tooltip=tip),
        alt.Chart(inline(ends[["series", along, "ratio"]]))
        .mark_text(style="name")
        .encode(x=across, y=height, text="series:N", color=colour),
    ]
    than = f" than {against}" if against else ""
    last = data.groupby("series", sort=False).tail(1)
    text = f"{title}. Ratios with bands by {along}: " + "; ".join(
        f"{row.series} {row.ratio:.2f} ({row.low:.2f} to {row.high:.2f}) at the end"
        for row in last.itertuples()
    )
    return themed(
        alt.layer(*layers).properties(
            width=WIDTH,
            height=HEIGHT,
            title=titled(title, f"Above 1: fails sooner{than}.", note, cut),
            description=text + ".",
        )
    )


def ratio_map(frame: pd.DataFrame, *, title: str) -> Any:
    """How much more often something fails in every combination of two conditions.

    Parameters
    ----------
    frame : columns row, column, ratio, low, high, failures; a ratio that is unknown stays empty.
    title : what the cells mean.

    Returns
    -------
    Cells darker with the ratio, ratio and interval written in each, failures below.

    Raises
    ------
    NothingToDraw : the table has no rows.
    """
    data = needed(
        frame, ("row", "column", "ratio", "low", "high", "failures"), chart="a map of ratios"
    )
    rows, columns = list(dict.fromkeys(data["row"])), list(dict.fromkeys(data["column"]))
    data["words"] = ["too few" if pd.isna(r) else f"{r:.2f}" for r in data["ratio"]]
    data["doubt"] = [
        "" if pd.isna(low) else f"{low:.2f} to {high:.2f}"
        for low, high in zip(data["low"], data["high"], strict=True)
    ]
    data["seen"] = [f"{n:,} failure{'' if n == 1 else 's'}" for n in data["failures"]]
    top = float(max(data["ratio"].max(), 1.25)) if data["ratio"].notna().any() else 1.25
    data["strong"] = data["ratio"] > 1 + 0.5 * (top - 1)
    source = inline(data[["row", "column", "ratio", "words", "doubt", "seen", "strong"]])
    base = alt.Chart(source).encode(
        x=alt.X("column:N", sort=columns, title="last cleaned", axis=alt.Axis(labelAngle=0)),
        y=alt.Y("row:N", sort=rows, title=None),
    )
    heat = alt.Color(
        "ratio:Q", legend=None, scale=alt.Scale(domain=[min(1.0, top), top], clamp=True)
    )
    layers = [base.mark_rect().encode(color=heat)]
    for style, test in (("on_low", "!datum.strong"), ("on_high", "datum.strong")):
        part = base.transform_filter(test)
        layers += [
            part.mark_text(style=style, dy=-15, fontWeight=600).encode(text="words:N"),
            part.mark_text(style=style, dy=1, fontSize=10).encode(text="doubt:N"),
            part.mark_text(style=style, dy=15, fontSize=10).encode(text="seen:N"),
        ]
    text = f"{title}. " + "; ".join(
        f"{row.row}, {row.column}: {row.words} ({row.doubt}{'; ' if row.doubt else ''}{row.seen})"
        for row in data.itertuples()
    )
    return themed(
        alt.layer(*layers).properties(
            width=WIDTH,
            height={"step": 60},
            title=titled(title, "Ratio of failure rates against the first cell."),
            description=text + ".",
            usermeta={"narrowest": max(NARROWEST_CELL * len(columns), NARROWEST_PANEL)},
        )
    )


def stacked(panels: Sequence[Any], *, title: str) -> Any:
    """Several finished charts as one, below each other; a single one stays as it is.

    Parameters
    ----------
    panels : at least one chart. title : of the whole.

    Notes
    -----
    What each panel says of its own width stands in ``usermeta["panels"]``: a page may draw them
    apart.
    """
    if len(panels) == 1:
        return panels[0]
    bare, widths = [], []
    for panel in panels:
        part = panel.copy(deep=True)
        widths.append({} if part.usermeta is alt.Undefined else dict(part.usermeta))
        part.config, part.usermeta = alt.Undefined, alt.Undefined
        bare.append(part)
    whole = alt.vconcat(*bare, spacing=30).resolve_scale(
        color="independent", shape="independent", x="independent", y="independent"
    )
    text = " ".join(str(panel.description) for panel in panels)
    return themed(
        whole.properties(
            title=titled(title),
            description=text,
            usermeta={"narrowest": NARROWEST_PANEL, "panels": widths},
        )
    )
