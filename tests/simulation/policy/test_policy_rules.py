"""Is the recommended rule truly cheap, and is "unclear" kept for real doubt? 200 known companies.

policy.csv is written by run_policy.py with its seed; the slow test simulates a few again.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pandas as pd
import pytest

HERE = Path(__file__).resolve().parent
REGRET = 0.02  # of cost: what the recommended rule may truly cost too much
HELD = 0.95  # in so many of the companies that got a rule
MOST_UNCLEAR = 1 / 3  # of the companies with many jobs
MANY_JOBS = 300
#: Of the savings' 95 % intervals; two standard errors of the share below .95 with 100 companies.
COVERED = 0.90


@pytest.fixture(scope="module")
def table() -> pd.DataFrame:
    return pd.read_csv(HERE / "policy.csv")


def test_it_holds_what_was_asked_for(table: pd.DataFrame) -> None:
    assert len(table) == 200
    assert table["seed"].nunique() == 1
    assert set(table["kind"]) == {"linked", "unlinked", "frailty"}
    assert set(table["partner"]) == {"cheap", "dear"}
    # every rule is the cheapest somewhere, or nothing is put to the test
    assert {"keep", "test_hot"} <= set(table["truly_least"].dropna())
    assert set(table["truly_least"].dropna()) & {"always", "if_older"}


def test_the_recommended_rule_is_truly_cheap(table: pd.DataFrame) -> None:
    said = table[~table["said"].isin(["unclear", "refused"])]
    assert (said["true_regret_share"] <= REGRET).mean() >= HELD
    linked = said[said["kind"] == "linked"]  # where there is something to lose
    assert (linked["true_regret_share"] <= REGRET).mean() >= HELD - 0.05


def test_unclear_is_kept_for_real_doubt(table: pd.DataFrame) -> None:
    many = table[table["cutout_jobs"] >= MANY_JOBS]
    assert len(many) >= 40
    assert many["said"].isin(["unclear", "refused"]).mean() <= MOST_UNCLEAR


def test_savings_lie_in_their_intervals(table: pd.DataFrame) -> None:
    rows = table[(table["kind"] == "linked") & table["saving_low"].notna()]
    rows = rows[rows["least"] != "keep"]
    inside = rows["saving_true"].between(rows["saving_low"], rows["saving_high"])
    assert inside.mean() >= COVERED - 0.05


@pytest.mark.slow
def test_a_few_again() -> None:
    sys.path.insert(0, str(HERE))
    from run_policy import one

    rows = [one(number, 77) for number in range(24)]
    shares = [row["true_regret_share"] for row in rows if row["said"] not in ("unclear", "refused")]
    assert sum(share <= REGRET for share in shares) >= 0.85 * len(shares)  # 24 companies
