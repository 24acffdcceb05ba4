"""Rows of estimates: bars, points and intervals, one thing per row."""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from failstats.show.frames import inline, needed, titled, top_rows
from failstats.show.text import money, share_text
from failstats.show.theme import themed

__all__ = ["POSITION", "cost_bars", "differences", "forest", "rows_bar", "shares"]

WIDTH = 460
LONGEST_LABEL = 320  # pixels of a row's name before it is cut
MOST_ROWS = 30  # rows in one chart; more cannot be taken in
MOST_PANELS = 12
#: Counts on an axis: 0, 500, 20k.
COUNTS = "datum.value < 1000 ? format(datum.value, ',') : format(datum.value / 1000, ',') + 'k'"
#: Parameter of a chart that shows one of several positions.
POSITION = "what_if_at"


def _interval_layers(
    source: alt.InlineData, *, title: str, axis: alt.X, rows: alt.Y, tip: list[Any]
) -> list[Any]:
    """A point on its interval, the way every estimate of this package is drawn."""
    base = alt.Chart(source)
    return [
        base.mark_rule().encode(x=alt.X("low:Q", title=title), x2="high:Q", y=rows),
        base.mark_point().encode(x=axis, y=rows, tooltip=tip),
    ]


def shares(frame: pd.DataFrame, *, label: str, title: str) -> Any:
    """How often each thing happens, the most frequent first.

    Parameters
    ----------
    frame : columns label, share, low, high; one row per bar.
    label : what the rows are ("part", "mode"): the title of the vertical axis.
    title : what is shared out.

    Returns
    -------
    Bars with intervals, longest on top; at most thirty.

    Raises
    ------
    NothingToDraw : the table has no rows.
    """
    name = "label" if "label" in frame.columns else label
    data = needed(frame, (name, "share", "low", "high"), chart="a chart of shares")
    data = data[data["share"].notna()].rename(columns={name: "label"})
    needed(data, ("label",), chart="a chart of shares")
    data["label"] = data["label"].astype(str)
    data, cut = top_rows(data, by="share", limit=MOST_ROWS)
    data["words"] = [share_text(x) for x in data["share"]]
    data["end"] = data[["share", "high"]].max(axis=1)
    order = list(dict.fromkeys(data["label"]))
    source = inline(data[["label", "share", "low", "high", "words", "end"]])
    rows = alt.Y("label:N", sort=order, title=label)
    axis = alt.X("share:Q", title="share", axis=alt.Axis(format=".0%", tickCount=5))
    tip = [alt.Tooltip("label:N", title=label)] + [
        alt.Tooltip(f"{x}:Q", title=x, format=".1%") for x in ("share", "low", "high")
    ]
    base = alt.Chart(source)
    layers = [
        base.mark_bar(opacity=0.35, height={"band": 0.62}).encode(x=axis, y=rows, tooltip=tip),
        base.mark_rule().encode(x=alt.X("low:Q", title="share"), x2="high:Q", y=rows),
        base.mark_point(size=50).encode(x=axis, y=rows, tooltip=tip),
        base.mark_text(style="name").encode(
            x=alt.X("end:Q", title="share"), y=rows, text="words:N"
        ),
    ]
    text = f"{title}. Shares with intervals: " + "; ".join(
        f"{row.label} {row.words}" for row in data.head(6).itertuples()
    )
    return themed(
        alt.layer(*layers).properties(
            width=WIDTH,
            height={"step": 26},
            title=titled(title, cut),
            description=text + ".",
        )
    )


def forest(
    frame: pd.DataFrame, *, title: str = "Failure rate against the reference", note: str = ""
) -> Any:
    """How much faster each part fails under a condition, with parts that should not care.

    Parameters
    ----------
    frame : columns label, role ("outcome" or "negative_control"), ratio, low, high.
    title : what is compared with what. note : said below it.

    Returns
    -------
    Points with intervals on a log axis with a line at 1; controls are hollow squares.

    Raises
    ------
    NothingToDraw : no row has a positive ratio.
    """
    data = needed(frame, ("label", "role", "ratio", "low", "high"), chart="a ratio chart")
    data = data[data["ratio"].notna() & (data["ratio"] > 0)]
    needed(data, ("ratio",), chart="a ratio chart")
    control = data["role"].astype(str).str.contains("control")
    data["kind"] = control.map({True: "control: should stay at 1", False: "part in question"})
    data = data.sort_values(by="kind", ascending=False, kind="stable").head(MOST_ROWS)
    data["label"] = data["label"].astype(str)
    data["words"] = [
        f"{row.ratio:.2f} ({row.low:.2f} to {row.high:.2f})" for row in data.itertuples()
    ]
    for end in ("low", "high"):  # an interval down to nothing has no end on a log axis
        data[end] = data[end].where(data[end] > 0).fillna(data["ratio"])
    source = inline(data[["label", "kind", "ratio", "low", "high", "words"]])
    low, high = min(0.5, data["low"].min()), max(2.0, data["high"].max())
    scale = alt.Scale(type="log", domain=[float(low) / 1.1, float(high) * 1.1], nice=False)
    marks = [x for x in (0.1, 0.2, 0.33, 0.5, 0.7, 1, 1.5, 2, 3, 5, 10, 20, 50) if low <= x <= high]
    if len(marks) > 7:
        marks = [x for x in marks if x not in (0.33, 0.7, 1.5, 3)]
    across = "ratio of failure rates (log scale)"
    axis = alt.X(
        "ratio:Q",
        title=across,
        scale=scale,
        axis=alt.Axis(values=marks, format="~g"),
    )
    order = list(dict.fromkeys(data["label"]))
    rows = alt.Y("label:N", sort=order, title=None, axis=alt.Axis(labelLimit=LONGEST_LABEL))
    tip = [
        alt.Tooltip("label:N"),
        alt.Tooltip("kind:N"),
        alt.Tooltip("words:N", title="ratio (interval)"),
    ]
    kinds = ["part in question", "control: should stay at 1"]
    legend = alt.Legend(title=None) if control.any() else None
    colour = alt.Color("kind:N", scale=alt.Scale(domain=kinds), legend=legend)
    shape = alt.Shape(
        "kind:N", scale=alt.Scale(domain=kinds, range=["circle", "square"]), legend=legend
    )
    base = alt.Chart(source)
    layers = [
        alt.Chart(alt.InlineData(values=[{"one": 1}]))
        .mark_rule(style="guide")
        .encode(x=alt.X("one:Q", scale=scale, title=across)),
        base.mark_rule().encode(
            x=alt.X("low:Q", scale=scale, title=across), x2="high:Q", y=rows, color=colour
        ),
        base.mark_point(size=80).encode(x=axis, y=rows, color=colour, shape=shape, tooltip=tip),
        base.mark_text(style="value", dy=-11).encode(x=axis, y=rows, text="words:N"),
    ]
    text = f"{title}. Ratios with intervals: " + "; ".join(
        f"{row.label} {row.words}" for row in data.itertuples()
    )
    return themed(
        alt.layer(*layers).properties(
            width=WIDTH,
            height={"step": 38},
            title=titled(title, f"Right of 1: fails sooner. {note}".strip()),
            description=text + ".",
        )
    )


def _cost_panel(data: pd.DataFrame, when: str, *, across: str, currency: str, extent: int) -> Any:
    """The actions of one situation, cheapest on top; names take the same room in all panels."""
    columns = ["action", "cost", "low", "high", "cheapest", "words", "end"]
    order = ["cost"]
    if "at" in data.columns:
        columns, order = [*columns, "at"], ["at", "cost"]
    base = alt.Chart(inline(data.sort_values(order, kind="stable")[columns]))
    if "at" in data.columns:
        base = base.transform_filter(f"datum.at === {POSITION}")
    rows = alt.Y(
        "action:N", sort=None, title=None, axis=alt.Axis(minExtent=extent, maxExtent=extent)
    )
    tip = [
        alt.Tooltip("action:N"),
        alt.Tooltip("words:N", title="cost"),
        alt.Tooltip("low:Q", format=",.2f"),
        alt.Tooltip("high:Q", format=",.2f"),
    ]
    return alt.layer(
        base.mark_bar(height={"band": 0.6}).encode(
            x=alt.X("cost:Q", title=across, axis=alt.Axis(tickCount=6)),
            y=rows,
            tooltip=tip,
            opacity=alt.condition("datum.cheapest", alt.value(0.6), alt.value(0.22)),
        ),
        base.mark_rule().encode(x=alt.X("low:Q", title=across), x2="high:Q", y=rows),
        base.mark_text(style="name").encode(x=alt.X("end:Q", title=across), y=rows, text="words:N"),
    ).properties(
        width=WIDTH,
        height={"step": 24},
        title=alt.TitleParams(
            when, fontSize=12, fontWeight=600, offset=4, anchor="start", frame="bounds"
        ),
    )


def cost_bars(
    frame: pd.DataFrame,
    *,
    currency: str = "USD",
    per: str = "",
    title: str = "What each choice costs",
    at: int | None = None,
) -> Any:
    """What each way of acting costs, situation by situation.

    Parameters
    ----------
    frame : columns when (the situation), action, cost, low, high (money); with ``at`` also at, the
        number of the position at which a row holds.
    currency : the code of the money.
    per : what the money is per, for the axis: "per job", "per unit and year".
    title : what is compared.
    at : the position that is shown, and that the words describe; the parameter ``POSITION`` of
        the chart shows another. None where there is one alone.

    Returns
    -------
    A panel per situation with its own scale, cheapest action on top and darker.

    Raises
    ------
    NothingToDraw : the table has no rows.
    """
    data = needed(frame, ("when", "action", "cost", "low", "high"), chart="a cost chart")
    data = data[data["cost"].notna()]
    needed(data, ("cost",), chart="a cost chart")
    whens, note = list(dict.fromkeys(data["when"].astype(str))), ""
    data["when"] = data["when"].astype(str)
    if len(whens) > MOST_PANELS:
        note = f"The first {MOST_PANELS} of {len(whens)} situations; the table has them all."
        whens = whens[:MOST_PANELS]
        data = data[data["when"].isin(whens)]
    group = ["when"] if at is None else ["when", "at"]
    data["cheapest"] = data["cost"] == data.groupby(group)["cost"].transform("min")
    data["words"] = [money(x, currency) for x in data["cost"]]
    data["end"] = data[["cost", "high"]].max(axis=1)
    across = f"cost {per} ({currency})" if per else f"cost ({currency})"
    longest = max(len(str(action)) for action in data["action"])
    extent = min(190, max(40, round(longest * 6.6)))
    panels = [
        _cost_panel(
            data[data["when"] == when], when, across=across, currency=currency, extent=extent
        )
        for when in whens
    ]
    tail = f" {per}" if per else ""
    first = data["cheapest"] if at is None else data["cheapest"] & (data["at"] == at)
    text = f"{title}. {'' if at is None else 'At the prices and costs of today, '}" + "; ".join(
        f"{row.when}: cheapest is {row.action} at {row.words}{tail}"
        for row in data[first].itertuples()
    )
    chart = alt.vconcat(*panels, spacing=14).resolve_scale(x="independent", y="independent")
    if at is not None:
        chart = chart.add_params(alt.param(name=POSITION, value=at))
    return themed(chart.properties(title=titled(title, note), description=text + "."))


def differences(
    frame: pd.DataFrame,
    *,
    title: str = "Return visits: first part replaced alone, against both",
) -> Any:
    """How much more often a unit comes back when one part was replaced alone.

    Parameters
    ----------
    frame : columns pair, window_days, difference (of shares, alone minus both), low, high.
    title : what is subtracted from what.

    Returns
    -------
    A panel per pair, a row per window, a line at no difference.

    Raises
    ------
    NothingToDraw : the table has no rows.
    """
    data = needed(
        frame, ("pair", "window_days", "difference", "low", "high"), chart="a difference chart"
    )
    data = data[data["difference"].notna()]
    needed(data, ("difference",), chart="a difference chart")
    data["pair"] = data["pair"].astype(str)
    pairs, note = list(dict.fromkeys(data["pair"])), ""
    if len(pairs) > MOST_PANELS:
        note = f"The first {MOST_PANELS} of {len(pairs)} pairs; the table has them all."
        pairs = pairs[:MOST_PANELS]
        data = data[data["pair"].isin(pairs)]
    data["window"] = [f"{int(x)} days" for x in data["window_days"]]
    windows = list(dict.fromkeys(data.sort_values("window_days", kind="stable")["window"]))
    data["words"] = [f"{100 * x:+.1f} points" for x in data["difference"]]
    data["zero"] = 0
    columns = ["pair", "window", "difference", "low", "high", "words", "zero"]
    source = inline(data[columns])
    rows = alt.Y("window:N", sort=windows, title=None)
    across = "difference of shares (alone minus both)"
    axis = alt.X(
        "difference:Q",
        title=across,
        axis=alt.Axis(format="+.0%", tickCount=5),
    )
    tip = [alt.Tooltip("pair:N"), alt.Tooltip("window:N")] + [
        alt.Tooltip(f"{x}:Q", format="+.1%") for x in ("difference", "low", "high")
    ]
    layers = [
        alt.Chart(source).mark_rule(style="guide").encode(x=alt.X("zero:Q", title=across)),
        *_interval_layers(source, title=across, axis=axis, rows=rows, tip=tip),
        alt.Chart(source).mark_text(style="value", dy=-10).encode(x=axis, y=rows, text="words:N"),
    ]
    panels = (
        alt.layer(*layers, data=source)
        .properties(width=WIDTH, height={"step": 34})
        .facet(row=alt.Row("pair:N", sort=pairs), spacing=10)
    )
    text = f"{title}. " + "; ".join(
        f"{row.pair} within {row.window}: {row.words}" for row in data.head(8).itertuples()
    )
    return themed(
        panels.properties(
            title=titled(title, "Right of 0: comes back more often when replaced alone.", note),
            description=text + ".",
        )
    )


def rows_bar(frame: pd.DataFrame, *, title: str = "Rows loaded and rows set aside") -> Any:
    """How many rows of each table were good, and how many were set aside as unreadable.

    Parameters
    ----------
    frame : columns table, good, quarantined (counts of rows).
    title : what is counted.

    Returns
    -------
    Stacked bars with both counts written beside them.

    Raises
    ------
    NothingToDraw : the table has no rows.
    """
    data = needed(frame, ("table", "good", "quarantined"), chart="a chart of rows")
    data = data.groupby("table", sort=False)[["good", "quarantined"]].sum().reset_index()
    data["total"] = data["good"] + data["quarantined"]
    data["words"] = [
        f"{row.good:,} good, {row.quarantined:,} set aside" for row in data.itertuples()
    ]
    order = [str(x) for x in data["table"]]
    source = inline(data)
    rows = alt.Y("table:N", sort=order, title=None)
    room = alt.Scale(domain=[0, float(data["total"].max()) * 1.02 or 1.0])
    axis = alt.X("good:Q", title="rows", scale=room, axis=alt.Axis(labelExpr=COUNTS, tickCount=5))
    base = alt.Chart(source)
    tip = ["table:N", alt.Tooltip("good:Q", format=","), alt.Tooltip("quarantined:Q", format=",")]
    layers = [
        base.mark_bar(opacity=0.4, height={"band": 0.42}).encode(x=axis, y=rows, tooltip=tip),
        base.mark_bar(height={"band": 0.42}, style="warning_bar").encode(
            x=alt.X("good:Q", scale=room, title="rows"), x2="total:Q", y=rows, tooltip=tip
        ),
        base.mark_text(align="left", dy=-14, fontSize=11).encode(
            x=alt.value(0), y=rows, text="words:N"
        ),
    ]
    text = f"{title}. " + "; ".join(f"{row.table}: {row.words}" for row in data.itertuples())
    return themed(
        alt.layer(*layers).properties(
            width=WIDTH, height={"step": 40}, title=titled(title), description=text + "."
        )
    )
