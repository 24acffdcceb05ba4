"""Draws the committed tables: truth, naive, ours and bracket for each kind of selection.

    python tests/simulation/selection/run_picture.py

Every answer is divided by the truth, so that 1 is right; the bar is the bracket;
"held" is the share of companies whose interval held the truth.
"""

from __future__ import annotations

from pathlib import Path

import altair as alt
import pandas as pd
from coverage_tables import KINDS, pooled

HERE = Path(__file__).resolve().parent
WORDS = {"naive": "naive", "ours": "ours"}


def tidy() -> pd.DataFrame:
    """One row per scenario, quantity and kind of answer, relative to the truth."""
    rows = []
    for name, title in KINDS.items():
        if not (HERE / f"{name}.csv").exists():
            continue
        for quantity, row in pooled(name).iterrows():
            what = str(quantity).removesuffix("_years").replace("_", " ")
            if str(quantity).endswith("by_5_years"):
                what += " years"
            what += f" (held {row['held'] / row['fitted']:.0%})"
            shared = {
                "kind": title,
                "quantity": what,
                "low": row["low"] / row["truth"],
                "high": row["high"] / row["truth"],
            }
            for answer in WORDS:
                rows.append(shared | {"answer": WORDS[answer], "value": row[answer] / row["truth"]})
    return pd.DataFrame(rows)


def picture(frame: pd.DataFrame) -> alt.VConcatChart:
    """Panels under each other, one per kind of selection, on one axis."""
    y = alt.Y("quantity:N", title=None, axis=alt.Axis(labelLimit=320))
    panels = []
    kinds = [kind for kind in KINDS.values() if kind in set(frame["kind"])]
    for kind in kinds:
        data = frame[frame["kind"] == kind]
        last = kind == kinds[-1]
        x = alt.X(
            "value:Q",
            scale=alt.Scale(type="log", domain=[0.2, 4.0]),
            title="answer divided by truth (median over companies)" if last else None,
            axis=alt.Axis(values=[0.25, 0.5, 1, 2, 4], format="~g"),
        )
        base = alt.Chart(data).properties(width=460)
        layers = alt.layer(
            base.mark_bar(height=8, opacity=0.25).encode(x=alt.X("low:Q"), x2="high:Q", y=y),
            base.mark_rule(strokeDash=[4, 3]).encode(x=alt.datum(1.0)),
            base.mark_point(filled=True, size=70).encode(
                x=x,
                y=y,
                shape=alt.Shape("answer:N", title=None),
                color=alt.Color("answer:N", title=None),
            ),
        )
        panels.append(layers.properties(title=alt.TitleParams(kind, anchor="start")))
    return alt.vconcat(*panels)


if __name__ == "__main__":
    picture(tidy()).save(HERE / "selection.svg")
