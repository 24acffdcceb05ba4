"""Pictures beside a life curve: failures by age, a family as a straight line, repeated failures."""

from __future__ import annotations

from typing import Any

import altair as alt
import numpy as np
import pandas as pd
from scipy.special import ndtri

from failstats.show.curves import LABEL_GAP, WIDTH, in_clock
from failstats.show.frames import DAYS_PER_YEAR, inline, needed, spread_labels, thin_steps, titled
from failstats.show.theme import SERIES_COLOURS, themed

__all__ = ["failure_rates", "repeats_curve", "straight_line"]

PER_PARTS = 100  # failures are said per 100 parts and year
PER_LOADS = 1000  # or per 1,000 loads of one part
FEW = 5  # failures; an interval on fewer may be cut off at the top
SOUND_AT_RISK = 10  # lives; bands with fewer are left out, and said to be
#: Shares at which the straight-line paper is ruled.
RULED = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 0.9, 0.99)


def _first(frame: pd.DataFrame) -> tuple[pd.DataFrame, list[str], list[str]]:
    """Only as many series as there are colours, and a sentence when some are left out."""
    names = list(dict.fromkeys(frame["series"].astype(str)))
    if len(names) <= SERIES_COLOURS:
        return frame, names, []
    note = f"The first {SERIES_COLOURS} of {len(names)} series; the table has them all."
    names = names[:SERIES_COLOURS]
    return frame[frame["series"].astype(str).isin(names)], names, [note]


def _shade(names: list[str], *, legend: bool) -> dict[str, Any]:
    """One colour per series; a legend where names cannot stand at the ends."""
    shown = alt.Legend(title=None) if legend and len(names) > 1 else None
    return {"color": alt.Color("series:N", scale=alt.Scale(domain=names), legend=shown)}


def failure_rates(
    frame: pd.DataFrame,
    *,
    fitted: pd.DataFrame | None = None,
    title: str = "Failures by age",
    clock: str = "days",
) -> Any:
    """How often parts of each age fail: rising says wear, level says age does not matter.

    Parameters
    ----------
    frame : columns series, from_days, to_days, at_risk, failures, rate, low, high (failures per
        day, or per load), one row per band of ages.
    fitted : columns series, age_days, rate of the fitted life, drawn dashed.
    title : what is shown.
    clock : "days": drawn in years of 365.25 days; "loads": the ages are loads dried.

    Returns
    -------
    A point with its interval in the middle of each band that ten lives reached.

    Raises
    ------
    NothingToDraw : the table has no rows, or no band that ten lives reached.
    """
    data = needed(
        frame,
        ("series", "from_days", "to_days", "at_risk", "failures", "rate", "low", "high"),
        chart="a chart of failures by age",
    )
    thin = data["at_risk"] < SOUND_AT_RISK
    data, names, notes = _first(data[~thin])
    data = needed(data, ("series",), chart="a chart of failures by age")
    one, named = in_clock(clock)
    times = PER_LOADS if clock == "loads" else PER_PARTS * DAYS_PER_YEAR
    what = f"failures per {'1,000 loads' if clock == 'loads' else '100 parts and year'}"
    data["series"] = data["series"].astype(str)
    place = {name: (i - (len(names) - 1) / 2) * 0.06 for i, name in enumerate(names)}
    width = (data["to_days"] - data["from_days"]) / one
    aside = data["series"].map(place).astype(float)  # so that intervals do not cover each other
    data["age"] = data["from_days"] / one + width * (0.5 + aside)
    for column in ("rate", "low", "high"):
        data[column] = data[column] * times
    if thin.any():
        notes.append(f"Ages that fewer than {SOUND_AT_RISK} lives reached are left out.")
    # an interval that reaches far up on two failures would press all others flat
    sound = data[data["failures"] >= FEW]
    top = float(data["high"].max() if sound.empty else 1.1 * sound["high"].max())
    scale = alt.Scale(domain=[0, top], clamp=True)
    end = float((data["to_days"] / one).max())
    age = alt.X("age:Q", title=named, scale=alt.Scale(domain=[0, end]), axis=alt.Axis(tickCount=8))
    shade = _shade(names, legend=True)
    base = alt.Chart(inline(data[["series", "age", "rate", "low", "high", "at_risk"]]))
    tip = [
        alt.Tooltip("series:N"),
        alt.Tooltip("age:Q", title=named, format=",.1f"),
        alt.Tooltip("rate:Q", title=what, format=".2f"),
        alt.Tooltip("low:Q", format=".2f"),
        alt.Tooltip("high:Q", format=".2f"),
        alt.Tooltip("at_risk:Q", title="lives at the start", format=",d"),
    ]
    layers: list[Any] = [
        base.mark_rule().encode(
            x=age, y=alt.Y("low:Q", title=what, scale=scale), y2="high:Q", **shade
        ),
        base.mark_point().encode(
            x=age, y=alt.Y("rate:Q", title=what, scale=scale), tooltip=tip, **shade
        ),
    ]
    if fitted is not None and not fitted.empty:
        smooth = needed(fitted, ("series", "age_days", "rate"), chart="a chart of failures by age")
        smooth["age"], smooth["rate"] = smooth["age_days"] / one, smooth["rate"] * times
        smooth = smooth[
            smooth["series"].astype(str).isin(names)
            & smooth["rate"].between(0, top)
            & (smooth["age"] <= end)
        ]
        if len(smooth):
            notes.append("Points: counted, with intervals. Dashed: the fitted life.")
            layers.append(
                alt.Chart(inline(smooth[["series", "age", "rate"]]))
                .mark_line(style="fitted")
                .encode(x=age, y=alt.Y("rate:Q", title=what, scale=scale), **shade)
            )
    text = f"{title}: {what} by {named}, with intervals, for {', '.join(names)}."
    return themed(
        alt.layer(*layers).properties(
            width=WIDTH, height=260, title=titled(title, *notes), description=text
        )
    )


def _ruling(model: str) -> dict[float, float]:
    """Where each ruled share stands on the family's paper."""
    shares = np.array(RULED)
    up = {
        "weibull": np.log(-np.log1p(-shares)),
        "exponential": -np.log1p(-shares),
        "lognormal": ndtri(shares),
        "loglogistic": np.log(shares / (1 - shares)),
    }[model]
    return dict(zip(RULED, up.tolist(), strict=True))


def straight_line(
    frame: pd.DataFrame,
    *,
    fitted: pd.DataFrame | None = None,
    title: str = "Do lives follow the fitted law?",
    clock: str = "days",
) -> Any:
    """Share failed against age on paper on which the fitted family is a straight line.

    Parameters
    ----------
    frame : columns series, model (one family), age_days, up (the plot's vertical coordinate).
    fitted : columns series, age_days, survival of the fitted life, drawn dashed.
    title : what is shown.
    clock : as for `failure_rates`.

    Returns
    -------
    Points, one per age with failures, and the fitted line; shares are written on the axis.

    Raises
    ------
    NothingToDraw : the table has no rows.
    """
    chart = "a probability plot"
    data = needed(frame, ("series", "model", "age_days", "up"), chart=chart)
    model = str(data["model"].iloc[0])
    data, names, notes = _first(data)
    data["series"] = data["series"].astype(str)
    data, thinned = thin_steps(data, by="series", along="age_days")
    notes = [*notes, thinned, f"Straight: {model}. Curved: another law, or parts that differ."]
    one, named = in_clock(clock)
    data["age"] = data["age_days"] / one
    ruled = _ruling(model)
    low, high = float(data["up"].min()), float(data["up"].max())
    near = {share: up for share, up in ruled.items() if low - 1 <= up <= high + 1}
    words = "".join(
        f"abs(datum.value - ({up})) < 1e-6 ? '{100 * share:g} %' : " for share, up in near.items()
    )
    grows: Any = "linear" if model == "exponential" else "log"
    first, last = float(data["age"].min()), float(data["age"].max())
    across = alt.Scale(type=grows, domain=[first * 0.8, last * 1.15], nice=False)
    marks = [m for m in _round_marks(first * 0.8, last * 1.15)]
    axis = alt.Axis(values=marks, format="~g") if grows == "log" else alt.Axis(tickCount=6)
    age = alt.X("age:Q", title=f"{named}, {grows} scale", scale=across, axis=axis)
    up = alt.Y(
        "up:Q",
        title="share failed",
        scale=alt.Scale(domain=[low - 0.3, high + 0.5], nice=False, zero=False),
        axis=alt.Axis(values=list(near.values()), labelExpr=f"{words}''"),
    )
    shade = _shade(names, legend=False)
    tip = [alt.Tooltip("series:N"), alt.Tooltip("age:Q", title=named, format=",.2f")]
    layers: list[Any] = [
        alt.Chart(inline(data[["series", "age", "up"]]))
        .mark_point(size=22, opacity=0.7)
        .encode(x=age, y=up, tooltip=tip, **shade)
    ]
    if fitted is not None and not fitted.empty:
        smooth = needed(fitted, ("series", "age_days", "survival"), chart=chart)
        smooth["age"] = smooth["age_days"] / one
        working = smooth["survival"].clip(1e-12, 1 - 1e-12)
        smooth["up"] = {
            "weibull": lambda s: np.log(-np.log(s)),
            "exponential": lambda s: -np.log(s),
            "lognormal": lambda s: -ndtri(s),
            "loglogistic": lambda s: np.log1p(-s) - np.log(s),
        }[model](working)
        smooth = smooth[
            smooth["series"].astype(str).isin(names)
            & smooth["age"].between(first * 0.8, last * 1.15)
            & smooth["up"].between(low - 0.3, high + 0.5)
        ]
        if len(smooth):
            notes.append("Points: counted from the records. Dashed: the fitted life.")
            layers.append(
                alt.Chart(inline(smooth[["series", "age", "up"]]))
                .mark_line(style="fitted")
                .encode(x=age, y=up, **shade)
            )
    ends = data.groupby("series", sort=False).tail(1)[["series", "age", "up"]].copy()
    ends["age"] = last
    span = high - low + 0.8
    ends["up"] = spread_labels(ends["up"], gap=LABEL_GAP * span, top=high + 0.5)
    layers.append(
        alt.Chart(inline(ends))
        .mark_text(style="name")
        .encode(x=age, y=up, text="series:N", **shade)
    )
    text = f"{title} Share failed against {named} on {model} paper, for {', '.join(names)}."
    return themed(
        alt.layer(*layers).properties(
            width=WIDTH, height=300, title=titled(title, *notes), description=text
        )
    )


def _round_marks(low: float, high: float) -> list[float]:
    """Round ages for a log axis: 1, 2 and 5 times the powers of ten between the ends."""
    powers = range(int(np.floor(np.log10(low))), int(np.ceil(np.log10(high))) + 1)
    marks = [step * 10.0**power for power in powers for step in (1, 2, 5)]
    return [round(mark, 6) for mark in marks if low <= mark <= high]


def repeats_curve(
    frame: pd.DataFrame, *, title: str = "Failures of one unit, again and again"
) -> Any:
    """How many failures of a part one unit has had on average by each age of the unit.

    Parameters
    ----------
    frame : columns series, age_days, at_risk (units), mean_count, low, high.
    title : what is counted.

    Returns
    -------
    Step curves with bands; a curve that bends upwards says that failures come faster with age.

    Raises
    ------
    NothingToDraw : the table has no rows, or none that rests on ten units.
    """
    chart = "a curve of repeated failures"
    data = needed(
        frame, ("series", "age_days", "at_risk", "mean_count", "low", "high"), chart=chart
    )
    few = data["at_risk"] < SOUND_AT_RISK
    data, names, notes = _first(data[~few])
    data = needed(data, ("series",), chart=chart)
    data["series"] = data["series"].astype(str)
    data["age"] = data["age_days"] / DAYS_PER_YEAR
    born = pd.DataFrame({"series": names, "age": 0.0, "mean_count": 0.0, "low": 0.0, "high": 0.0})
    data = pd.concat(
        [born, data[["series", "age", "mean_count", "low", "high"]]], ignore_index=True
    )
    drawn, thinned = thin_steps(data, by="series", along="age")
    top = float(min(1.5 * data["mean_count"].max(), data["high"].max() or 1.0)) or 1.0
    scale = alt.Scale(domain=[0, top], clamp=True)
    age = alt.X("age:Q", title="age of the unit (years)", axis=alt.Axis(tickCount=8))
    what = "failures per unit so far"
    up = alt.Y("mean_count:Q", title=what, scale=scale)
    shade = _shade(names, legend=False)
    base = alt.Chart(inline(drawn))
    ends = data.groupby("series", sort=False).tail(1).copy()
    ends["age"] = float(data["age"].max())
    ends["mean_count"] = spread_labels(ends["mean_count"], gap=LABEL_GAP * top, top=top)
    tip = [
        alt.Tooltip("series:N"),
        alt.Tooltip("age:Q", title="age of the unit (years)", format=".1f"),
        alt.Tooltip("mean_count:Q", title=what, format=".3f"),
    ]
    layers = [
        base.mark_area(interpolate="step-after", style="band").encode(
            x=age, y=alt.Y("low:Q", title=what, scale=scale), y2="high:Q", **shade
        ),
        base.mark_line(interpolate="step-after").encode(x=age, y=up, tooltip=tip, **shade),
        alt.Chart(inline(ends[["series", "age", "mean_count"]]))
        .mark_text(style="name")
        .encode(x=age, y=up, text="series:N", **shade),
    ]
    if few.any():
        notes.append(f"Ages that fewer than {SOUND_AT_RISK} units reached are left out.")
    text = f"{title}: {what} by age of the unit, contract units, for {', '.join(names)}."
    return themed(
        alt.layer(*layers).properties(
            width=WIDTH,
            height=260,
            title=titled(title, "Contract units only.", *notes, thinned),
            description=text,
        )
    )
