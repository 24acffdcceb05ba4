"""Draws the committed tables: truth, naive, ours and bracket for each kind of selection.

    python tests/simulation/selection/run_picture.py

Every answer is divided by the truth, so that 1 is right; the bar is the bracket;
"held" is the share of companies whose interval held the truth.
"""

from __future__ import annotations

from pathlib import Path

import altair as alt
import pandas as pd

HERE = Path(__file__).resolve().parent
KINDS = {
    "renewal_births": "joined late: births by renewal",
    "renewal_births_call_out": "known by a call: births by renewal",
    "silent_loss": "left without a word: silent loss",
    "hidden_state": "failed unseen: hidden state",
    "hidden_state_frailty": "failed unseen, units differ: both models at once",
    "renewal_births_frailty": "broken: units differ",
    "silent_loss_after_repair": "broken: repairs drive customers away",
    "hidden_state_tests_by_state": "broken: bad parts are tested more",
}
WORDS = {"naive": "naive", "ours": "ours"}


def tidy() -> pd.DataFrame:
    """One row per scenario, quantity and kind of answer, relative to the truth."""
    rows = []
    for name, title in KINDS.items():
        table = pd.read_csv(HERE / f"{name}.csv").drop_duplicates("quantity", keep="last")
        for row in table.itertuples():
            what = row.quantity.removesuffix("_years").replace("_", " ")
            if row.quantity.endswith("by_5_years"):
                what += " years"
            what += f" (held {row.coverage:.0%})"
            shared = {
                "kind": title,
                "quantity": what,
                "low": row.bracket_low_median / row.truth,
                "high": row.bracket_high_median / row.truth,
            }
            for answer in WORDS:
                value = getattr(row, f"{answer}_median") / row.truth
                rows.append(shared | {"answer": WORDS[answer], "value": value})
    return pd.DataFrame(rows)


def picture(frame: pd.DataFrame) -> alt.VConcatChart:
    """Panels under each other, one per kind of selection, on one axis."""
    x = alt.X(
        "value:Q",
        scale=alt.Scale(type="log", domain=[0.2, 4.0]),
        title="answer divided by truth (median over companies)",
        axis=alt.Axis(values=[0.25, 0.5, 1, 2, 4], format="~g"),
    )
    y = alt.Y("quantity:N", title=None)
    panels = []
    for kind in KINDS.values():
        data = frame[frame["kind"] == kind]
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
