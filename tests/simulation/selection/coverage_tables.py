"""The committed coverage tables, blocks of several seeds taken together."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

__all__ = ["KINDS", "pooled"]

HERE = Path(__file__).resolve().parent
#: Scenario -> what its companies suffer from, and the model that answers.
KINDS = {
    "renewal_births": "joined late: births by renewal",
    "renewal_births_call_out": "known by a call: births by renewal",
    "silent_loss": "left without a word: silent loss",
    "hidden_state": "failed unseen: hidden state",
    "units_differ": "units differ: frailty, a new unit",
    "late_and_silent": "two at once: joined late, left without a word",
    "silent_and_hidden": "two at once: left without a word, failed unseen",
    "hidden_state_frailty": "two at once: failed unseen, units differ",
    "renewal_births_frailty": "broken: units differ",
    "silent_loss_after_repair": "broken: repairs drive customers away",
    "hidden_state_tests_by_state": "broken: bad parts are tested more",
}


def pooled(scenario: str) -> pd.DataFrame:
    """One row per quantity: truth, the median answers (weighted by companies), what was held.

    Columns truth, naive, ours, low, high (of the bracket), held, fitted, companies, bracket
    (least share of companies whose bracket held the truth, or that were refused), width.
    """
    table = pd.read_csv(HERE / f"{scenario}.csv")
    fitted = table["companies"] - table["refused"]
    table = table.assign(fitted=fitted, held=(table["coverage"] * fitted).round())
    names = {
        "naive_median": "naive", "ours_median": "ours", "bracket_low_median": "low",
        "bracket_high_median": "high", "width_against_first_of_bracket": "width",
    }  # fmt: skip
    rows = {}
    for quantity, block in table.groupby("quantity", sort=False):
        weight = block["companies"] / block["companies"].sum()
        rows[quantity] = {
            "truth": block["truth"].iloc[0],
            **{new: float((block[old] * weight).sum(skipna=False)) for old, new in names.items()},
            "held": int(block["held"].sum()),
            "fitted": int(block["fitted"].sum()),
            "companies": int(block["companies"].sum()),
            "bracket": float(block["bracket_or_refused"].min()),
        }
    return pd.DataFrame.from_dict(rows, orient="index")
