"""Pictures of what follows a job and of what is behind a complaint."""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from failstats.show.frames import inline, needed, spread_labels, titled, top_rows
from failstats.show.text import share_text
from failstats.show.theme import themed

__all__ = ["follow_on_curves", "pareto", "reading_strips"]

WIDTH = 460
MOST_ROWS = 30
LEAST_OHM = 0.01  # a meter's last digit; a logarithm has no 0


def follow_on_curves(frame: pd.DataFrame, *, title: str) -> Any:
    """Which share is back by each day after a job, one curve per way to do the job.

    Parameters
    ----------
    frame : columns series (the way), days (since the job), share, low, high.
    title : what the units are back with.

    Returns
    -------
    Step curves with bands, the name at the end of each.

    Raises
    ------
    NothingToDraw : the table has no rows.
    """
    data = needed(frame, ("series", "days", "share", "low", "high"), chart="follow-on curves")
    data = data[data["share"].notna()]
    needed(data, ("share",), chart="follow-on curves")
    names = list(dict.fromkeys(data["series"].astype(str)))
    start = pd.DataFrame({"series": names, "days": 0, "share": 0.0, "low": 0.0, "high": 0.0})
    columns = ["series", "days", "share", "low", "high"]
    data = pd.concat([start, data[columns]], ignore_index=True)
    top = float(data[["share", "high"]].max().max()) or 1.0
    colour = alt.Color("series:N", scale=alt.Scale(domain=names), legend=None)
    days = alt.X("days:Q", title="days since the job", axis=alt.Axis(tickCount=6))
    scale = alt.Scale(domain=[0, top])
    height = alt.Y("share:Q", title="share back", scale=scale, axis=alt.Axis(format=".0%"))
    base = alt.Chart(inline(data))
    tip = [alt.Tooltip("series:N"), alt.Tooltip("days:Q")] + [
        alt.Tooltip(f"{x}:Q", format=".1%") for x in ("share", "low", "high")
    ]
    last = data[data["days"] == data.groupby("series")["days"].transform("max")]
    ends = last.assign(share=spread_labels(last["share"], gap=0.07 * top, top=top))
    layers = [
        base.mark_area(interpolate="step-after", style="band").encode(
            x=days, y=alt.Y("low:Q", title="share back", scale=scale), y2="high:Q", color=colour
        ),
        base.mark_line(interpolate="step-after").encode(
            x=days, y=height, color=colour, tooltip=tip
        ),
        alt.Chart(inline(ends))
        .mark_text(style="name")
        .encode(x=days, y=height, text="series:N", color=colour),
    ]
    text = f"{title}. " + "; ".join(
        f"{row.series}: {row.share:.1%} by day {row.days}" for row in last.itertuples()
    )
    return themed(
        alt.layer(*layers).properties(
            width=WIDTH, height=240, title=titled(title), description=text + "."
        )
    )


def pareto(frame: pd.DataFrame, *, label: str, title: str) -> Any:
    """The few things behind most of it: the most frequent first, and their running share.

    Parameters
    ----------
    frame : columns label, count, share, low, high; one row per bar.
    label : what the rows are: the title of the vertical axis.
    title : what is shared out.

    Returns
    -------
    Bars with intervals, longest on top, and a line of the share of all counts so far.

    Raises
    ------
    NothingToDraw : the table has no rows.
    """
    data = needed(frame, ("label", "count", "share", "low", "high"), chart="a Pareto chart")
    data = data[data["share"].notna()]
    needed(data, ("label",), chart="a Pareto chart")
    data, cut = top_rows(data, by="count", limit=MOST_ROWS)
    data = data.sort_values("count", ascending=False, kind="stable")
    data["so_far"] = data["count"].cumsum() / float(frame["count"].sum())
    data["words"] = [share_text(x) for x in data["share"]]
    data["end"] = data[["share", "high"]].max(axis=1)
    data["line"] = [f"{share_text(x)} so far" for x in data["so_far"]]
    order = list(dict.fromkeys(data["label"].astype(str)))
    columns = ["label", "count", "share", "low", "high", "words", "end", "so_far", "line"]
    base = alt.Chart(inline(data[columns]))
    rows = alt.Y("label:N", sort=order, title=label)
    across = [
        "share of the faults",
        "(dashed line: of all findings so far;",
        "a fault may have several)",
    ]
    scale = alt.Scale(domain=[0, 1.12])
    axis = alt.X(
        "share:Q",
        title=across,
        scale=scale,
        axis=alt.Axis(format=".0%", values=[0, 0.2, 0.4, 0.6, 0.8, 1]),
    )
    tip = [alt.Tooltip("label:N", title=label), alt.Tooltip("count:Q", format=",d")] + [
        alt.Tooltip(f"{x}:Q", format=".1%") for x in ("share", "low", "high", "so_far")
    ]
    far = alt.X("so_far:Q", title=across, scale=scale)
    layers = [
        base.mark_bar(opacity=0.35, height={"band": 0.62}).encode(x=axis, y=rows, tooltip=tip),
        base.mark_rule().encode(x=alt.X("low:Q", title=across, scale=scale), x2="high:Q", y=rows),
        base.mark_text(style="name").encode(
            x=alt.X("end:Q", title=across, scale=scale), y=rows, text="words:N"
        ),
        base.mark_line(style="fitted").encode(x=far, y=rows, order="so_far:Q"),
        base.mark_point(size=40).encode(x=far, y=rows, tooltip=tip),
    ]
    text = f"{title}. Most frequent first, with the share of all so far: " + "; ".join(
        f"{row.label} {row.words} ({row.line})" for row in data.head(6).itertuples()
    )
    return themed(
        alt.layer(*layers).properties(
            width=WIDTH, height={"step": 28}, title=titled(title, cut), description=text + "."
        )
    )


def reading_strips(frame: pd.DataFrame, *, title: str) -> Any:
    """What parts measure, by what was found: the middle and the outer readings of each.

    Parameters
    ----------
    frame : columns label, p05, median, p95 (ohm), readings; one row per part and finding.
    title : what was measured.

    Returns
    -------
    A line from the 5 % to the 95 % reading with the median on it, on a logarithmic axis; readings
    of 0 stand at its left end.

    Raises
    ------
    NothingToDraw : the table has no rows.
    """
    data = needed(frame, ("label", "p05", "median", "p95", "readings"), chart="readings")
    data = data[data["median"].notna()].copy()
    needed(data, ("median",), chart="readings")
    for name in ("p05", "median", "p95"):
        data[name] = data[name].clip(lower=LEAST_OHM)
    data["words"] = [f"{x:.3g} Ω" for x in data["median"]]
    order = list(dict.fromkeys(data["label"].astype(str)))
    base = alt.Chart(inline(data))
    rows = alt.Y("label:N", sort=order, title=None)
    scale = alt.Scale(type="log")
    axis = alt.Axis(values=[0.01, 0.1, 1, 10, 100, 1000, 10000], format="~g", grid=True)
    at = alt.X("median:Q", title="ohm", scale=scale, axis=axis)
    tip = [alt.Tooltip("label:N"), alt.Tooltip("readings:Q", format=",d")] + [
        alt.Tooltip(f"{x}:Q", format=".3g") for x in ("p05", "median", "p95")
    ]
    layers = [
        base.mark_rule().encode(x=alt.X("p05:Q", title="ohm", scale=scale), x2="p95:Q", y=rows),
        base.mark_point(size=50).encode(x=at, y=rows, tooltip=tip),
        base.mark_text(style="value", dy=-10).encode(x=at, y=rows, text="words:N"),
    ]
    text = f"{title}. Median and the middle 90 %: " + "; ".join(
        f"{row.label} {row.words}" for row in data.head(8).itertuples()
    )
    return themed(
        alt.layer(*layers).properties(
            width=WIDTH, height={"step": 34}, title=titled(title), description=text + "."
        )
    )
