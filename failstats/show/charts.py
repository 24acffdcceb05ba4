"""Pictures from tables: each function takes one tidy table and returns one finished chart.

No chart knows which question it answers. Each has a title, a unit on every axis, a text for
people who cannot see it (``description``), names beside the marks instead of a legend where there
is room, and no more points than a screen can show (said in the subtitle when some were left out).
"""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from failstats.show.frames import (
    DAYS_PER_YEAR,
    inline,
    needed,
    spread_labels,
    thin_steps,
    top_rows,
)
from failstats.show.text import money, share_text
from failstats.show.theme import SERIES_COLOURS, themed

__all__ = [
    "cost_bars",
    "differences",
    "forest",
    "frontier",
    "incidence_curve",
    "life_curve",
    "pair_heat_map",
    "rows_bar",
    "shares",
]

WIDTH = 460
MOST_BARS = 30  # rows in a bar or interval chart; more cannot be taken in
MOST_PANELS = 12
RISK_TICKS = 5
LABEL_GAP = 0.065  # of the height of a curve chart: one line of text


def _title(text: str, *notes: str) -> alt.TitleParams:
    lines = [note for note in notes if note]
    return alt.TitleParams(text, subtitle=lines) if lines else alt.TitleParams(text)


def _note(text: str, *, bar: bool = False) -> str:
    return f"{text} {'Lines' if bar else 'Bands'} are the intervals given in the table."


def _by_name(names: list[str]) -> alt.Color:
    """One colour per series in the order given; the name stands beside the line."""
    return alt.Color("series:N", scale=alt.Scale(domain=names), legend=None)


def _curves(
    frame: pd.DataFrame, *, value: str, chart: str, fitted: pd.DataFrame | None
) -> tuple[alt.LayerChart, pd.DataFrame, list[str], list[str]]:
    """Step-after lines with bands, over age in years; shared by both kinds of curve."""
    data = needed(frame, ("series", "age_days", value, "low", "high"), chart=chart)
    data["series"] = data["series"].astype(str)
    data["age_years"] = data["age_days"] / DAYS_PER_YEAR
    data = data[data[value].notna()]
    needed(data, (value,), chart=chart)
    names = list(dict.fromkeys(data["series"]))
    notes: list[str] = []
    if len(names) > MOST_PANELS:
        notes.append(f"The first {MOST_PANELS} of {len(names)} series; the table has them all.")
        names = names[:MOST_PANELS]
        data = data[data["series"].isin(names)]
    drawn, thinned = thin_steps(data, by="series", along="age_years")
    notes.append(thinned)
    several = len(names) > SERIES_COLOURS
    columns = ["series", "age_years", value, "low", "high"]
    source = inline(drawn[columns])
    age = alt.X("age_years:Q", title="age (years)", axis=alt.Axis(tickCount=6, tickMinStep=1))
    top = float(max(data[value].max(), data["high"].max() if data["high"].notna().any() else 0))
    scale = alt.Scale(domain=[0, 1]) if value == "survival" else alt.Scale(domain=[0, top or 1])
    what = "share still working" if value == "survival" else "share failed from this cause"
    height = alt.Y(f"{value}:Q", title=what, scale=scale, axis=alt.Axis(format=".0%"))
    colour: Any = alt.value(None) if several else _by_name(names)
    base = alt.Chart(source)
    tip = [
        alt.Tooltip("series:N", title="series"),
        alt.Tooltip("age_years:Q", title="age (years)", format=".1f"),
        alt.Tooltip(f"{value}:Q", title=what, format=".1%"),
        alt.Tooltip("low:Q", format=".1%"),
        alt.Tooltip("high:Q", format=".1%"),
    ]
    shade = {} if several else {"color": colour}
    layers: list[Any] = [
        base.mark_area(interpolate="step-after", style="band").encode(
            x=age, y=alt.Y("low:Q", title=what, scale=scale), y2="high:Q", **shade
        ),
        base.mark_line(interpolate="step-after").encode(x=age, y=height, tooltip=tip, **shade),
    ]
    if fitted is not None and not fitted.empty:
        smooth = needed(fitted, ("series", "age_days", value), chart=chart)
        smooth["series"] = smooth["series"].astype(str)
        smooth["age_years"] = smooth["age_days"] / DAYS_PER_YEAR
        smooth = smooth[smooth["series"].isin(names) & smooth[value].notna()]
        if len(smooth):
            smooth, _ = thin_steps(smooth, by="series", along="age_years")
            notes.append("Solid: counted from the records. Dashed: the fitted life.")
            layers.append(
                alt.Chart(inline(smooth[["series", "age_years", value]]))
                .mark_line(style="fitted")
                .encode(x=age, y=height, **shade)
            )
    if several:
        # one data set for all layers, so that the chart can be cut into panels
        layers = layers[:2]
        panels = alt.layer(*layers, data=source).properties(width=WIDTH // 2, height=130)
        chart_ = panels.facet(alt.Facet("series:N", sort=names), columns=2)
        return chart_, data, names, [n for n in notes if n and not n.startswith("Solid")]
    ends = data.sort_values("age_years").groupby("series", sort=False).tail(1).copy()
    span = float(scale.to_dict()["domain"][1])
    ends[value] = spread_labels(ends[value], gap=LABEL_GAP * span)
    if len(names) > 1:
        layers.append(
            alt.Chart(inline(ends[["series", "age_years", value]]))
            .mark_text(style="name")
            .encode(x=age, y=height, text="series:N", **shade)
        )
    return alt.layer(*layers).properties(width=WIDTH, height=260), data, names, notes


def _risk_rows(data: pd.DataFrame, names: list[str]) -> pd.DataFrame:
    """How many are at risk at a few round ages: the count at the last row up to each age."""
    longest = float(data["age_years"].max())
    step = max(1, round(longest / RISK_TICKS)) if longest >= 1 else longest / 2 or 1.0
    marks = [step * i for i in range(int(longest / step + 1e-9) + 1)]
    rows = []
    for name in names:
        part = data[data["series"] == name].sort_values("age_years", kind="stable")
        ages, counts = part["age_years"].to_numpy(), part["at_risk"].to_numpy()
        for mark in marks:
            place = max(int(ages.searchsorted(mark + 1e-9, side="right")) - 1, 0)
            if mark <= ages[-1] + 1e-9:
                rows.append({"series": name, "age_years": mark, "at_risk": counts[place]})
    return pd.DataFrame(rows)


def life_curve(frame: pd.DataFrame, *, title: str, fitted: pd.DataFrame | None = None) -> Any:
    """How many parts are still working at each age, with how many that rests on below.

    Parameters
    ----------
    frame : columns series, age_days, survival, low, high (shares), at_risk (count), one row per
        step of each curve.
    title : what the curves are of.
    fitted : columns series, age_days, survival of a smooth fitted life, drawn dashed.

    Returns
    -------
    A chart in years of 365.25 days; more than six series become panels.

    Raises
    ------
    NothingToDraw : the table has no rows.
    """
    data = needed(frame, ("at_risk",), chart="a life curve")
    curves, data, names, notes = _curves(
        data, value="survival", chart="a life curve", fitted=fitted
    )
    text = (
        f"{title}. Step curves of the share still working by age in years, for "
        f"{', '.join(names)}, with bands and the number at risk."
    )
    if len(names) > SERIES_COLOURS:
        panels = curves.properties(title=_title(title, _note(""), *notes), description=text)
        return themed(panels)
    longest = max(len(name) for name in names)
    extent = min(190, max(46, round(longest * 6.6) + 10))
    risk = _risk_rows(data, names)
    edge = alt.Axis(minExtent=extent, maxExtent=extent)
    for layer in curves.layer:
        axis = layer.encoding.y.to_dict().get("axis") or {}
        layer.encoding.y.axis = alt.Axis(**{**axis, "minExtent": extent, "maxExtent": extent})
    x_domain = alt.Scale(domain=[0, float(data["age_years"].max())])
    for layer in curves.layer:
        layer.encoding.x.scale = x_domain
    counts = (
        alt.Chart(inline(risk))
        .mark_text(fontSize=11)
        .encode(
            x=alt.X("age_years:Q", title=None, axis=None, scale=x_domain),
            y=alt.Y("series:N", title=None, sort=names, axis=edge),
            text=alt.Text("at_risk:Q", format=",d"),
        )
        .properties(
            width=WIDTH,
            height=18 * len(names),
            title=alt.TitleParams(
                "at risk (at the last step up to each age)", fontSize=11, fontWeight=400, offset=4
            ),
        )
    )
    both = alt.vconcat(curves, counts, spacing=6).resolve_scale(x="independent", color="shared")
    return themed(both.properties(title=_title(title, *notes), description=text))


def incidence_curve(frame: pd.DataFrame, *, title: str = "Failures by cause and age") -> Any:
    """Which share has failed from each cause by each age, other causes competing.

    Parameters
    ----------
    frame : columns series (the cause), age_days, share, low, high.
    title : what the curves are of.

    Returns
    -------
    A chart in years of 365.25 days.

    Raises
    ------
    NothingToDraw : the table has no rows.
    """
    curves, _, names, notes = _curves(frame, value="share", chart="an incidence curve", fitted=None)
    text = (
        f"{title}. Step curves of the share failed by age in years, one per cause: "
        f"{', '.join(names)}."
    )
    return themed(curves.properties(title=_title(title, *notes), description=text))


def _interval_layers(
    source: alt.Data, *, title: str, axis: alt.X, rows: alt.Y, tip: list[Any]
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
    data, cut = top_rows(data, by="share", limit=MOST_BARS)
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
            title=_title(title, cut),
            description=text + ".",
        )
    )


def pair_heat_map(
    frame: pd.DataFrame, *, title: str = "When the first part failed, the second had too"
) -> Any:
    """How often a second part is found failed when a first one is.

    Parameters
    ----------
    frame : columns first, second, share (of the first's episodes), episodes (that it rests on).
    title : what the cells mean.

    Returns
    -------
    A square of cells with the share written in each; unknown shares stay empty.

    Raises
    ------
    NothingToDraw : the table has no rows.
    """
    data = needed(frame, ("first", "second", "share", "episodes"), chart="a pair map")
    data = data[data["share"].notna()]
    needed(data, ("share",), chart="a pair map")
    by_use = data.groupby("first")["episodes"].max().sort_values(ascending=False, kind="stable")
    others = [x for x in dict.fromkeys(data["second"]) if x not in by_use.index]
    order, note = [*map(str, by_use.index), *map(str, others)], ""
    if len(order) > MOST_PANELS:
        note = f"The {MOST_PANELS} parts with most failures of {len(order)}."
        order = order[:MOST_PANELS]
    data = data[data["first"].isin(order) & data["second"].isin(order)].copy()
    top = float(data["share"].max()) or 1.0
    data["words"] = [share_text(x) for x in data["share"]]
    data["strong"] = data["share"] > 0.5 * top
    source = inline(data[["first", "second", "share", "episodes", "words", "strong"]])
    base = alt.Chart(source).encode(
        x=alt.X("second:N", sort=order, title="second part", axis=alt.Axis(labelAngle=-40)),
        y=alt.Y("first:N", sort=order, title="first part"),
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
        f"{row.second} in {row.words} of {row.episodes:,} failures of the {row.first}"
        for row in best.itertuples()
    )
    return themed(
        alt.layer(cells, weak.encode(text="words:N"), strong.encode(text="words:N")).properties(
            width=max(260, min(WIDTH, 58 * len(order))),
            height={"step": 34},
            title=_title(title, note),
            description=text + ".",
        )
    )


def forest(frame: pd.DataFrame, *, title: str = "Failure rate against the reference") -> Any:
    """How much faster each part fails under a condition, with parts that should not care.

    Parameters
    ----------
    frame : columns label, role ("outcome" or "negative_control"), ratio, low, high.
    title : what is compared with what.

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
    data = data.sort_values(by="kind", ascending=False, kind="stable").head(MOST_BARS)
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
    across = "ratio of failure rates (log scale; right of 1 fails sooner)"
    axis = alt.X(
        "ratio:Q",
        title=across,
        scale=scale,
        axis=alt.Axis(values=marks, format="~g"),
    )
    order = list(dict.fromkeys(data["label"]))
    rows = alt.Y("label:N", sort=order, title=None)
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
        alt.Chart(alt.Data(values=[{"one": 1}]))
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
            width=WIDTH, height={"step": 38}, title=_title(title), description=text + "."
        )
    )


def frontier(
    frame: pd.DataFrame,
    *,
    currency: str = "USD",
    title: str = "What more money on the van buys",
) -> Any:
    """Which share of jobs each van would finish on the first visit, for each sum spent on stock.

    Parameters
    ----------
    frame : columns van, spend (money), completion (share); optional chosen (yes for the plan).
    currency : the code of the money.
    title : what is shown.

    Returns
    -------
    One line per van with its name at the end, the chosen plan as a dot.

    Raises
    ------
    NothingToDraw : the table has no rows.
    """
    data = needed(frame, ("van", "spend", "completion"), chart="a spending chart")
    data = data[data["spend"].notna() & data["completion"].notna()]
    needed(data, ("van",), chart="a spending chart")
    data["series"] = data["van"].astype(str)
    names = list(dict.fromkeys(data["series"]))
    data, thinned = thin_steps(data, by="series", along="spend")
    several = len(names) > SERIES_COLOURS
    spend = alt.X("spend:Q", title=f"spend on stock ({currency})", axis=alt.Axis(format=",.0f"))
    low = float(data["completion"].min())
    height = alt.Y(
        "completion:Q",
        title="jobs finished on the first visit",
        scale=alt.Scale(domain=[max(0.0, low - 0.05), 1]),
        axis=alt.Axis(format=".0%"),
    )
    shade = {} if several else {"color": _by_name(names)}
    ends = data.sort_values("spend").groupby("series", sort=False).tail(1).copy()
    ends["completion"] = spread_labels(ends["completion"], gap=LABEL_GAP * (1.05 - low))
    tip = [
        alt.Tooltip("series:N", title="van"),
        alt.Tooltip("spend:Q", format=",.2f"),
        alt.Tooltip("completion:Q", format=".1%"),
    ]
    line = alt.Chart(inline(data[["series", "spend", "completion"]]))
    layers = [
        line.mark_line(interpolate="step-after").encode(
            x=spend, y=height, detail="series:N", tooltip=tip, **shade
        ),
        alt.Chart(inline(ends[["series", "spend", "completion"]]))
        .mark_text(style="name")
        .encode(x=spend, y=height, text="series:N", **shade),
    ]
    if "chosen" in data.columns and data["chosen"].fillna(False).astype(bool).any():
        picked = data[data["chosen"].fillna(False).astype(bool)]
        layers.append(
            alt.Chart(inline(picked[["series", "spend", "completion"]]))
            .mark_point(size=90)
            .encode(x=spend, y=height, tooltip=tip, **shade)
        )
        thinned = " ".join(x for x in ("The dot is the plan.", thinned) if x)
    text = f"{title}. " + "; ".join(
        f"van {row.van}: up to {share_text(row.completion)} for {money(row.spend, currency)}"
        for row in data.sort_values("spend").groupby("series", sort=False).tail(1).itertuples()
    )
    return themed(
        alt.layer(*layers).properties(
            width=WIDTH, height=260, title=_title(title, thinned), description=text + "."
        )
    )


def cost_bars(
    frame: pd.DataFrame, *, currency: str = "USD", title: str = "What each choice costs"
) -> Any:
    """What each way of acting costs per unit and year, situation by situation.

    Parameters
    ----------
    frame : columns when (the situation), action, cost, low, high (money per unit and year).
    currency : the code of the money.
    title : what is compared.

    Returns
    -------
    A panel per situation, cheapest action on top and filled.

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
    data["cheapest"] = data["cost"] == data.groupby("when")["cost"].transform("min")
    data["words"] = [money(x, currency) for x in data["cost"]]
    data["end"] = data[["cost", "high"]].max(axis=1)
    source = inline(data[["when", "action", "cost", "low", "high", "cheapest", "words", "end"]])
    rows = alt.Y("action:N", sort=alt.EncodingSortField("cost", op="min"), title=None)
    across = f"cost per unit and year ({currency})"
    axis = alt.X("cost:Q", title=across)
    tip = [
        alt.Tooltip("when:N"),
        alt.Tooltip("action:N"),
        alt.Tooltip("words:N", title="cost"),
        alt.Tooltip("low:Q", format=",.2f"),
        alt.Tooltip("high:Q", format=",.2f"),
    ]
    base = alt.Chart(source)
    layers = [
        base.mark_bar(height={"band": 0.6}).encode(
            x=axis,
            y=rows,
            tooltip=tip,
            opacity=alt.condition("datum.cheapest", alt.value(0.6), alt.value(0.22)),
        ),
        base.mark_rule().encode(x=alt.X("low:Q", title=across), x2="high:Q", y=rows),
        base.mark_text(style="name").encode(x=alt.X("end:Q", title=across), y=rows, text="words:N"),
    ]
    text = f"{title}. " + "; ".join(
        f"{row.when}: cheapest is {row.action} at {row.words} per unit and year"
        for row in data[data["cheapest"]].itertuples()
    )
    panels = (
        alt.layer(*layers, data=source)
        .properties(width=WIDTH, height={"step": 24})
        .facet(row=alt.Row("when:N", sort=whens), spacing=10)
        .resolve_scale(y="independent")
    )
    return themed(panels.properties(title=_title(title, note), description=text + "."))


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
    across = "difference in the share that comes back (right of 0: more when alone)"
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
    return themed(panels.properties(title=_title(title, note), description=text + "."))


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
    axis = alt.X("good:Q", title="rows", scale=room, axis=alt.Axis(format="~s", tickCount=5))
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
            width=WIDTH, height={"step": 40}, title=_title(title), description=text + "."
        )
    )
