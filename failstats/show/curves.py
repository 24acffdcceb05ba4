"""Curves over age or money: step-after lines with bands and names at their ends."""

from __future__ import annotations

import math
from typing import Any

import altair as alt
import pandas as pd

from failstats.show.frames import DAYS_PER_YEAR, inline, needed, spread_labels, thin_steps, titled
from failstats.show.text import money, share_text
from failstats.show.theme import SERIES_COLOURS, themed

__all__ = ["frontier", "in_clock", "incidence_curve", "life_curve"]

WIDTH = 460
MOST_PANELS = 12
RISK_TICKS = 5
NARROWEST = 116  # pixels in which the counts below a curve do not touch
RISK_ROW = 32  # pixels for a name and its counts
EXTENT = 46  # pixels for the labels left of a life curve
SOUND_COUNT = 10  # lives; fewer make the tail of a curve jump about
LABEL_GAP = 0.056  # of the height of a curve chart: one line of text


def _by_name(names: list[str]) -> alt.Color:
    """One colour per series in the order given; the name stands beside the line."""
    return alt.Color("series:N", scale=alt.Scale(domain=names), legend=None)


def in_clock(clock: str) -> tuple[float, str]:
    """How many days (or loads) the axis counts as one, and what the axis is called.

    >>> in_clock("loads")
    (1.0, 'age (loads dried)')
    """
    return (1.0, "age (loads dried)") if clock == "loads" else (DAYS_PER_YEAR, "age (years)")


def _curves(
    frame: pd.DataFrame,
    *,
    value: str,
    chart: str,
    fitted: pd.DataFrame | None,
    clock: str = "days",
) -> tuple[Any, pd.DataFrame, list[str], list[str]]:
    """Step-after lines with bands, over age in years; shared by both kinds of curve."""
    data = needed(frame, ("series", "age_days", value, "low", "high"), chart=chart)
    data["series"] = data["series"].astype(str)
    one, named = in_clock(clock)
    data["age_years"] = data["age_days"] / one
    data = data[data[value].notna()]
    needed(data, (value,), chart=chart)
    names = list(dict.fromkeys(data["series"]))
    notes: list[str] = []
    if len(names) > MOST_PANELS:
        notes.append(f"The first {MOST_PANELS} of {len(names)} series; the table has them all.")
        names = names[:MOST_PANELS]
        data = data[data["series"].isin(names)]
    drawn, thinned = thin_steps(_from_birth(data, value=value), by="series", along="age_years")
    notes.append(thinned)
    several = len(names) > SERIES_COLOURS
    source = inline(drawn)
    age = alt.X("age_years:Q", title=named, axis=alt.Axis(tickCount=6, tickMinStep=1))
    top = float(max(data[value].max(), data["high"].max() if data["high"].notna().any() else 0))
    scale = alt.Scale(domain=[0, 1]) if value == "survival" else alt.Scale(domain=[0, top or 1])
    what = "share still working" if value == "survival" else "share ended by this cause"
    height = alt.Y(f"{value}:Q", title=what, scale=scale, axis=alt.Axis(format=".0%"))
    colour: Any = alt.value(None) if several else _by_name(names)
    base = alt.Chart(source)
    tip = [
        alt.Tooltip("series:N", title="series"),
        alt.Tooltip("age_years:Q", title=named, format=",.1f"),
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
        smooth["age_years"] = smooth["age_days"] / one
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
    span = float(scale.to_dict()["domain"][1])
    layers.append(
        alt.Chart(inline(_ends(data, value=value, along="age_years", top=span, span=span)))
        .mark_text(style="name")
        .encode(x=age, y=height, text="series:N", **shade)
    )
    return alt.layer(*layers).properties(width=WIDTH, height=260), data, names, notes


def _from_birth(data: pd.DataFrame, *, value: str) -> pd.DataFrame:
    """The curves begun at age 0, where every part works and none has failed yet."""
    start = 1.0 if value == "survival" else 0.0
    ages = data.groupby("series", sort=False)["age_years"].min()
    missing = [name for name, age in ages.items() if age > 0]
    born = pd.DataFrame({"series": missing})
    for column, fill in (("age_years", 0.0), (value, start), ("low", start), ("high", start)):
        born[column] = fill
    columns = ["series", "age_years", value, "low", "high"]
    if "at_risk" in data.columns:
        columns.append("at_risk")
        born["at_risk"] = None
    return (
        pd.concat([born[columns], data[columns]], ignore_index=True) if missing else data[columns]
    )


def _ends(data: pd.DataFrame, *, value: str, along: str, top: float, span: float) -> pd.DataFrame:
    """Where the names stand: right of the longest curve, at the height each curve has there.

    A curve of lives is taken at its last step that still rests on ten of them, where there is one.
    """
    ordered = data.sort_values(along, kind="stable")
    if "at_risk" in ordered.columns:
        sound = ordered[ordered["at_risk"] >= SOUND_COUNT]
        alone = ~ordered["series"].isin(sound["series"])
        ordered = pd.concat([sound, ordered[alone]])
    ends = ordered.groupby("series", sort=False).tail(1)[["series", along, value]].copy()
    ends[along] = float(data[along].max())
    ends[value] = spread_labels(ends[value], gap=LABEL_GAP * span, top=top)
    return ends


def _risk_rows(data: pd.DataFrame, names: list[str]) -> pd.DataFrame:
    """How many are at risk at a few round ages: the count at the last row up to each age."""
    longest = float(data["age_years"].max())
    step = max(1, math.ceil(longest / RISK_TICKS)) if longest >= 1 else longest / 2 or 1.0
    marks = [step * i for i in range(int(longest / step + 1e-9) + 1)]
    rows = []
    for name in names:
        part = data[data["series"] == name].sort_values("age_years", kind="stable")
        ages, counts = part["age_years"].to_numpy(), part["at_risk"].to_numpy()
        for mark in marks:
            place = int(ages.searchsorted(mark + 1e-9, side="right")) - 1
            if place >= 0 and mark <= ages[-1] + 1e-9:  # earlier, the table has no count
                count = int(counts[place])
                rows.append({"series": name, "age_years": mark, "at_risk": count})
    return pd.DataFrame(rows)


def life_curve(
    frame: pd.DataFrame,
    *,
    title: str,
    fitted: pd.DataFrame | None = None,
    clock: str = "days",
) -> Any:
    """How many parts are still working at each age, with how many that rests on below.

    Parameters
    ----------
    frame : columns series, age_days, survival, low, high (shares), at_risk (count), one row per
        step of each curve.
    title : what the curves are of.
    fitted : columns series, age_days, survival of a smooth fitted life, drawn dashed.
    clock : "days": drawn in years of 365.25 days; "loads": age_days holds loads dried.

    Returns
    -------
    A chart; more than six series become panels.

    Raises
    ------
    NothingToDraw : the table has no rows.
    """
    data = needed(frame, ("at_risk",), chart="a life curve")
    curves, data, names, notes = _curves(
        data, value="survival", chart="a life curve", fitted=fitted, clock=clock
    )
    text = (
        f"{title}. Step curves of the share still working by {in_clock(clock)[1]}, for "
        f"{', '.join(names)}, with bands and the number at risk."
    )
    if len(names) > SERIES_COLOURS:
        panels = curves.properties(title=titled(title, *notes), description=text)
        return themed(panels)
    risk = _risk_rows(data, names)
    x_domain = alt.Scale(domain=[0, float(data["age_years"].max())])
    for layer in curves.layer:
        layer.encoding.x.scale = x_domain
        axis = layer.encoding.y.to_dict().get("axis") or {}
        layer.encoding.y.axis = alt.Axis(**{**axis, "minExtent": EXTENT, "maxExtent": EXTENT})
    rows = alt.Y("series:N", title=None, sort=names, axis=None)
    counts = (
        alt.layer(
            alt.Chart(inline(pd.DataFrame({"series": names})))
            .mark_text(style="name", dx=0, dy=-8, fontSize=11)
            .encode(x=alt.value(0), y=rows, text="series:N"),
            alt.Chart(inline(risk))
            .mark_text(style="value", dy=7)
            .encode(
                x=alt.X("age_years:Q", axis=None, scale=x_domain),
                y=rows,
                text=alt.Text("at_risk:Q", format=",d"),
            ),
        )
        .resolve_axis(x="independent")
        .properties(
            width=WIDTH,
            height=RISK_ROW * len(names),
            title=alt.TitleParams(
                "at risk (at the last step up to each age)",
                fontSize=11,
                fontWeight=400,
                offset=4,
                frame="group",
                anchor="start",
            ),
        )
    )
    both = alt.vconcat(curves, counts, spacing=6).resolve_scale(x="independent", color="shared")
    return themed(
        both.properties(
            title=titled(title, *notes), description=text, usermeta={"narrowest": NARROWEST}
        )
    )


def incidence_curve(
    frame: pd.DataFrame, *, title: str = "Failures by cause and age", clock: str = "days"
) -> Any:
    """Which share has failed from each cause by each age, other causes competing.

    Parameters
    ----------
    frame : columns series (the cause), age_days, share, low, high.
    title : what the curves are of.
    clock : as for `life_curve`.

    Returns
    -------
    A chart, one curve per cause.

    Raises
    ------
    NothingToDraw : the table has no rows.
    """
    curves, _, names, notes = _curves(
        frame, value="share", chart="an incidence curve", fitted=None, clock=clock
    )
    text = (
        f"{title}. Step curves of the share ended by {in_clock(clock)[1]}, one per cause: "
        f"{', '.join(names)}."
    )
    return themed(curves.properties(title=titled(title, *notes), description=text))


def frontier(
    frame: pd.DataFrame,
    *,
    currency: str = "USD",
    title: str = "What more money on the van buys",
) -> Any:
    """Which share of jobs each van would finish on the first visit, for each sum spent on stock.

    Parameters
    ----------
    frame : columns van, spend (money), completion (share); optional chosen (true for the plan:
        drawn as a dot, the line goes through the other rows).
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
    flags = data["chosen"] if "chosen" in data.columns else pd.Series(False, index=data.index)
    flags = flags.eq(True)
    picked = data[flags]
    if not flags.all():
        data = data[~flags]
    data, thinned = thin_steps(data, by="series", along="spend")
    several = len(names) > SERIES_COLOURS
    spend = alt.X(
        "spend:Q", title=f"spend on stock ({currency})", axis=alt.Axis(format=",.0f", tickCount=6)
    )
    low = float(data["completion"].min())
    height = alt.Y(
        "completion:Q",
        title="jobs finished on the first visit",
        scale=alt.Scale(domain=[max(0.0, low - 0.05), 1]),
        axis=alt.Axis(format=".0%"),
    )
    shade = {} if several else {"color": _by_name(names)}
    ends = _ends(data, value="completion", along="spend", top=1.0, span=1.05 - low)
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
        alt.Chart(inline(ends))
        .mark_text(style="name")
        .encode(x=spend, y=height, text="series:N", **shade),
    ]
    if len(picked):
        layers.append(
            alt.Chart(inline(picked[["series", "spend", "completion"]]))
            .mark_point(size=90)
            .encode(x=spend, y=height, tooltip=tip, **shade)
        )
        thinned = " ".join(x for x in ("The dot is the plan.", thinned) if x)
    text = f"{title}. " + "; ".join(
        f"{row.van}: up to {share_text(row.completion)} for {money(row.spend, currency)}"
        for row in data.sort_values("spend", kind="stable")
        .groupby("series", sort=False)
        .tail(1)
        .itertuples()
    )
    return themed(
        alt.layer(*layers).properties(
            width=WIDTH, height=260, title=titled(title, thinned), description=text + "."
        )
    )
