"""Was the partner bad when the part failed? Against an integral done by hand, and a known truth."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad

from failstats.counts.row_pass import HiddenRows
from failstats.errors import InputError
from failstats.estimate.pair_law import PairLaw
from failstats.estimate.pair_state import index_states, pair_starts

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "simulation" / "selection"))
from hidden_world import HiddenTruth, simulate

YEAR = 365.25
SAME = 1e-3  # nodes gather where a stretch begins, and eight of them stand for years
LAW = PairLaw(
    own=[[1.3, 22 * YEAR]], silent=[[1.6, 17 * YEAR]], multiplier=[30.0], sensitivity=[0.95]
)


def _rows(**columns: list) -> HiddenRows:
    size = len(columns["life"])
    lives = max(columns["life"]) + 1
    zero = {name: [0] * size for name in ("hot_passed", "cold_passed", "found", "visible",
                                          "untested", "a_failed")}  # fmt: skip
    return HiddenRows(**{**zero, **columns}, unit=range(lives), weight=np.ones(lives))


def _by_integral(a0: float, b0: float, days: float) -> float:
    """Chance of bad when A fails after so many days, both good at the start."""
    (ka, sa), (kb, sb) = LAW.own[0], LAW.silent[0]

    def gone(k: float, s: float, x: float) -> float:
        return (x / s) ** k

    def turned(u: float) -> float:
        density = kb / sb * ((b0 + u) / sb) ** (kb - 1)
        density *= np.exp(gone(kb, sb, b0) - gone(kb, sb, b0 + u))
        lived = gone(ka, sa, a0 + u) - gone(ka, sa, a0)
        lived += 30.0 * (gone(ka, sa, a0 + days) - gone(ka, sa, a0 + u))
        return density * np.exp(-lived)

    bad = 30.0 * quad(turned, 0, days, epsabs=1e-14)[0]
    good = np.exp(
        gone(kb, sb, b0) - gone(kb, sb, b0 + days) - gone(ka, sa, a0 + days) + gone(ka, sa, a0)
    )
    return bad / (bad + good)


@pytest.mark.parametrize("years", [2.0, 6.0])
def test_one_failure_against_the_integral(years: float) -> None:
    days = years * YEAR
    rows = _rows(life=[0], b_from=[0], b_to=[days], a_from=[0], a_failed=[1])
    found = index_states(rows, law=LAW)
    assert found.bad[0, 0] == pytest.approx(_by_integral(0.0, 0.0, days), rel=SAME)
    assert found.first_days[0] == found.second_days[0] == days


def test_a_hot_test_passed_and_a_failure_before_move_the_chance() -> None:
    days = [3 * YEAR, 4 * YEAR]

    def chance(**looks: list) -> float:
        rows = _rows(life=[0, 0], b_from=[0, days[0]], b_to=days, **looks)
        return float(index_states(rows, law=LAW).bad[0, -1])

    quiet = chance(a_from=[0, days[0]], a_failed=[0, 1])
    passed = chance(a_from=[0, days[0]], a_failed=[0, 1], hot_passed=[1, 0])
    again = chance(a_from=[0, 0], a_failed=[1, 1])
    assert passed < quiet < again
    # a stretch cut where nothing was seen changes nothing
    whole = _rows(life=[0], b_from=[0], b_to=[days[1]], a_from=[0], a_failed=[1])
    assert quiet == pytest.approx(index_states(whole, law=LAW).bad[0, 0], rel=SAME)


def test_more_nodes_change_little() -> None:
    rows = _rows(life=[0], b_from=[0], b_to=[8 * YEAR], a_from=[0], a_failed=[1])
    few, many = (index_states(rows, law=LAW, nodes=n).bad[0, 0] for n in (8, 24))
    assert few == pytest.approx(many, rel=SAME)


def test_the_chances_are_true_on_average() -> None:
    jobs: list[tuple[float, float, bool, float]] = []
    rows, _ = simulate(HiddenTruth(units=700), 4, jobs)
    found = index_states(rows, law=LAW)
    assert len(jobs) == found.second_days.size
    chance, seen = found.bad[0], np.array([job[2] for job in jobs], dtype=float)
    error = np.sqrt((chance * (1 - chance)).sum()) / len(jobs)
    assert abs(chance.mean() - seen.mean()) < 4 * error  # four standard errors
    likely = chance > np.median(chance)
    assert seen[likely].mean() > seen[~likely].mean() + 4 * error


def test_jobs_are_gathered_without_loss() -> None:
    rows, _ = simulate(HiddenTruth(units=300), 5)
    jobs = index_states(rows, law=LAW)
    start = pair_starts(jobs, cells=5)
    assert (start.good + start.bad).sum() == pytest.approx(1.0)
    assert start.bad.sum() == pytest.approx(jobs.bad.mean())
    mean = (start.good + start.bad)[0] @ start.second_days
    assert mean == pytest.approx(jobs.second_days.mean())


def test_a_law_without_a_silent_failure_is_refused() -> None:
    rows = _rows(life=[0], b_from=[0], b_to=[9], a_from=[0], a_failed=[1])
    with pytest.raises(InputError, match="silent failure"):
        index_states(rows, law=PairLaw(own=[[1.0, 2.0]]))
