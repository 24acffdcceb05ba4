"""Eight repairs of a cutout, written down as records, and what follows them in fractions.

Four jobs keep the thermostat: back after 60 days (cutout) and 300 days (thermostat, open), its
silent failure turned up on a coil call after 100 days (no return visit), quiet for years.
Four replace both: gone after 200 days, back after 250, two quiet for years.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import pandas as pd
import pytest

from failstats.answers.pairs_follow import index_jobs
from failstats.answers.pairs_together import failed_together, joint_failure
from failstats.estimate.follow_on import cumulative_incidence, follow_on
from failstats.records import Records

EXACT = 1e-12
UNITS = "unit_id,family,installed_on,enrolled_on,left_on,left_because\n" + "\n".join(
    f"u{k},E1,2016-01-01,2016-01-01,{'2018-07-20,moved' if k == 5 else ','}" for k in range(1, 9)
)
JOBS = """job_id,unit_id,visited_on,complaint
    i1,u1,2018-01-01,no_heat
    i2,u2,2018-01-01,no_heat
    i3,u3,2018-01-01,no_heat
    i4,u4,2018-01-01,no_heat
    i5,u5,2018-01-01,no_heat
    i6,u6,2018-01-01,no_heat
    i7,u7,2018-01-01,no_heat
    i8,u8,2018-01-01,no_heat
    n1,u1,2018-03-02,no_heat
    n2,u2,2018-04-11,no_heat
    n4,u4,2018-10-28,no_heat
    n6,u6,2018-09-08,no_heat"""
LINES = """job_id,part,finding,action,test,mode
    i1,cutout,failed,replaced,,open_circuit
    i2,cutout,failed,replaced,,open_circuit
    i3,cutout,failed,replaced,,open_circuit
    i4,cutout,failed,replaced,,open_circuit
    i5,cutout,failed,replaced,,open_circuit
    i6,cutout,failed,replaced,,open_circuit
    i7,cutout,failed,replaced,,open_circuit
    i8,cutout,failed,replaced,,open_circuit
    i5,thermostat,working,replaced,,
    i6,thermostat,working,replaced,,
    i7,thermostat,untested,replaced,,
    i8,thermostat,untested,replaced,,
    n1,cutout,failed,replaced,,open_circuit
    n1,thermostat,failed,replaced,hot_cycle,stuck_closed
    n2,coil,failed,replaced,,open_circuit
    n2,thermostat,failed,replaced,hot_cycle,stuck_closed
    n4,thermostat,failed,replaced,,stuck_open
    n6,cutout,failed,kept,,open_circuit"""


@pytest.fixture
def eight(company: Callable[..., Records]) -> Records:
    return company(units=UNITS, jobs=JOBS, lines=LINES)


@pytest.fixture
def jobs(eight: Records) -> pd.DataFrame:
    return index_jobs(eight._session, "cutout", "thermostat").sort_values("unit_id")


def test_the_eight_jobs(jobs: pd.DataFrame) -> None:
    """The job that found the thermostat bad (n1) is no index job; n6 replaced nothing."""
    assert jobs["unit_id"].tolist() == [f"u{k}" for k in range(1, 9)]
    assert jobs["both_replaced"].tolist() == [False] * 4 + [True] * 4
    assert jobs["event"].tolist() == [1, 2, 0, 1, 0, 1, 0, 0]
    assert jobs["followed_days"].tolist()[:2] == [60, 100]
    assert jobs["followed_days"].tolist()[3:6] == [300, 200, 250]


def test_shares_within_a_year_in_fractions(jobs: pd.DataFrame) -> None:
    kept, new = jobs[~jobs["both_replaced"]], jobs[jobs["both_replaced"]]

    def share(arm: pd.DataFrame) -> float:
        days, event = arm["followed_days"], arm["event"]
        return float(cumulative_incidence(days, event=event, windows=[365])[0])

    # 4 watched: 1/4 back on day 60; 3/4 left, a third of them ends otherwise on day 100, half of
    # all is left, and half of that is back on day 300
    by_hand = Fraction(1, 4) + Fraction(3, 4) * Fraction(2, 3) * Fraction(1, 2)
    assert by_hand == Fraction(1, 2)
    assert share(kept) == pytest.approx(float(by_hand), rel=EXACT)
    # one of 4 is gone before day 250: 1 of the 3 still watched is back
    assert share(new) == pytest.approx(1 / 3, rel=EXACT)
    found = follow_on(
        jobs["followed_days"], event=jobs["event"], both=jobs["both_replaced"],
        cluster=jobs["cluster_id"], windows=[365], replicates=50,
    )  # fmt: skip
    assert found.difference()[0] == pytest.approx(float(Fraction(1, 2) - Fraction(1, 3)), rel=EXACT)
    assert found.events.ravel().tolist() == [2, 1]
    assert found.known.ravel().tolist() == [4, 3]  # nobody knows what u5 did by day 365


def test_failed_together_in_fractions(eight: Records) -> None:
    """Ten cutout failures, the thermostat bad on one of them; on the only other hot test (the coil
    call) it was bad too."""
    counts = eight.query("pairs_failed")
    pair = counts[(counts["first"] == "cutout") & (counts["second"] == "thermostat")]
    row = pair.iloc[0]
    assert (row["first_failed"], row["both_failed"]) == (10, 1)
    assert (row["looked"], row["looked_first"], row["looked_second"], row["looked_both"]) == (
        2, 1, 2, 1,
    )  # fmt: skip
    joint = joint_failure(pair, test=None, level=0.95)
    assert joint is not None
    assert joint.share == pytest.approx(1 / 10, rel=EXACT)
    # nothing vouches for the thermostat on the nine others: none was tested hot
    assert joint.bounds == pytest.approx((1 / 10, 1.0), rel=EXACT)
    # of one thermostat tested hot one was bad; with sensitivity .8 and specificity .9 that is
    # (1 + .9 - 1) / (.8 + .9 - 1), cut to 1
    put_right = joint_failure(pair, test=(0.8, 0.9), level=0.95)
    assert put_right is not None
    assert put_right.corrected == 1.0
    # every thermostat looked at was bad: there is nothing to compare
    table = failed_together(counts, 0.95).set_index(["first", "second"])
    assert pd.isna(table.loc[("cutout", "thermostat"), "failed_p_value"])
