"""The renewal equations of a pair: against play, against known values, and what must hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from failstats.errors import InputError
from failstats.estimate.pair_law import PairAction, PairLaw, PairMoney, PairStart
from failstats.estimate.pair_model import expected_pair_costs, pair_cost_rate
from failstats.estimate.pair_policy import break_even, jobs_that_settle, resolved, weigh_pair
from failstats.estimate.pair_simulation import PairUnits, play_pairs

YEAR = 365.25
UNITS = 40_000
STANDARD_ERRORS = 4.0  # as SOURCE asks: with many checks a bound of two fails most runs
MONEY = PairMoney(
    visit=110, unpaid=140, warranty_days=90, first_price=21, second_price=24, fitting=14,
    hot_test=28,
)  # fmt: skip
LAW = PairLaw(
    own=[[1.3, 34 * YEAR]], silent=[[1.6, 17 * YEAR]], visible=[[1.2, 25 * YEAR]],
    multiplier=[30.0], sensitivity=[0.95],
)  # fmt: skip
ACTIONS = [
    PairAction(name="keep"),
    PairAction(name="test_hot", hot=1.0),
    PairAction(name="if_older", replaced=1.0, older_than_days=5 * YEAR),
    PairAction(name="always", replaced=1.0, first_older_than_days=3 * YEAR),
    PairAction(name="as_done", hot=0.4, replaced=0.3, checks_per_day=0.2 / YEAR),
]
FIGURES = ("money", "visits", "unpaid", "first_parts", "second_parts", "hot_tests")
CELLS = np.linspace(1, 15, 8) * YEAR
JOBS = PairStart(
    first_days=CELLS, second_days=CELLS, good=np.full(8, 0.6 / 8), bad=np.full(8, 0.4 / 8)
)


def _units(first_failed: bool, days: float) -> PairUnits:
    rng = np.random.default_rng(5)
    age = CELLS[rng.integers(0, 8, UNITS)] if first_failed else np.zeros(UNITS)
    return PairUnits(
        first_days=age,
        second_days=age,
        bad=rng.random(UNITS) < (0.4 if first_failed else 0.0),
        until_days=np.full(UNITS, days),
        law=np.zeros(UNITS, dtype=np.int64),
        first_failed=first_failed,
    )


@pytest.mark.parametrize("action", ACTIONS, ids=[a.name for a in ACTIONS])
@pytest.mark.parametrize("first_failed", [True, False])
def test_equations_agree_with_play(action: PairAction, first_failed: bool) -> None:
    days = (5 if first_failed else 20) * YEAR
    start = JOBS if first_failed else PairStart.new()
    found = expected_pair_costs(LAW, start=start, action=action, money=MONEY, horizon_days=days,
                                steps=60 if first_failed else 150)  # fmt: skip
    played = play_pairs(LAW, units=_units(first_failed, days), action=action, money=MONEY, seed=3)
    for name in FIGURES:
        values = getattr(played, name)
        error = values.std() / np.sqrt(UNITS)
        gap = abs(values.mean() - float(getattr(found, name)[0]))
        assert gap <= STANDARD_ERRORS * error + 1e-12, name


def test_two_like_weibull_units_sharing_a_visit() -> None:
    # reference/policy.md, "two like Weibull units sharing a visit (computed)": cutout Weibull(2,
    # 8 y) 20, thermostat Weibull(2, 12 y) 25, visit 100: never pair 28.679637, always 24.580092
    law = PairLaw(own=[[2, 8.0]], visible=[[2, 12.0]])
    money = PairMoney(visit=100, unpaid=100, warranty_days=0, first_price=20, second_price=25,
                      fitting=0, hot_test=0)  # fmt: skip
    keep = pair_cost_rate(law, action=PairAction(name="keep"), money=money)[0]
    both = PairAction(name="always", replaced=1.0, first_older_than_days=0.0)
    grid = 2e-4  # error of the grid at 96 steps; 4e-5 and 1.1e-4 were seen
    assert keep == pytest.approx(28.679637, rel=grid)
    assert pair_cost_rate(law, action=both, money=money)[0] == pytest.approx(24.580092, rel=grid)


def test_exponential_parts_are_never_worth_pairing() -> None:
    # reference/policy.md, same row: "Exponential parts: pairing never pays"
    law = PairLaw(own=[[1, 8.0]], visible=[[1, 12.0]])
    money = PairMoney(visit=100, unpaid=100, warranty_days=0, first_price=20, second_price=25,
                      fitting=0, hot_test=0)  # fmt: skip
    rates = [
        pair_cost_rate(law, action=PairAction(name="x", replaced=share), money=money)[0]
        for share in (0.0, 0.5, 1.0)
    ]
    # visits are the same under every rule; the partner's price is paid at each failure of A
    assert rates == sorted(rates)
    assert rates[2] - rates[0] == pytest.approx(25 / 8.0, rel=1e-3)


def test_halving_the_step_changes_little() -> None:
    for action in ACTIONS:
        coarse, fine = (
            expected_pair_costs(LAW, start=JOBS, action=action, money=MONEY,
                                horizon_days=5 * YEAR, steps=steps).money[0]
            for steps in (60, 120)
        )  # fmt: skip
        assert coarse == pytest.approx(fine, rel=1e-3)  # a twentieth of the regret that matters


def test_shares_of_service_cut_the_costs() -> None:
    action = ACTIONS[0]
    how = {"start": JOBS, "action": action, "money": MONEY, "steps": 60}
    whole = expected_pair_costs(LAW, horizon_days=5 * YEAR, **how)
    gone = np.ones(61)
    gone[31:], gone[30] = 0.0, 0.5
    cut = expected_pair_costs(LAW, horizon_days=5 * YEAR, in_service=gone, **how)
    half = expected_pair_costs(LAW, horizon_days=2.5 * YEAR, **{**how, "steps": 30})
    assert cut.money[0] == pytest.approx(half.money[0], rel=1e-12)
    assert cut.service_days == pytest.approx(2.5 * YEAR)
    assert whole.money[0] > cut.money[0]


def test_a_unit_life_weighs_costs_by_service() -> None:
    # a constant rate of failures costs the same a day however long units live
    law = PairLaw(own=[[1.0, 1000.0]])
    money = replace(MONEY, warranty_days=0.0)
    rate = pair_cost_rate(law, action=ACTIONS[0], money=money, unit_life=(3.0, 6000.0))[0]
    assert rate == pytest.approx((110 + 21) / 1000.0, rel=2e-3)  # grid


def test_draws_are_independent_rows() -> None:
    two = PairLaw(
        own=np.vstack([LAW.own, [[1.5, 20 * YEAR]]]),
        silent=np.vstack([LAW.silent, [[2.0, 12 * YEAR]]]),
        multiplier=[30.0, 10.0],
        sensitivity=[0.95, 0.9],
    )
    both = expected_pair_costs(two, start=JOBS, action=ACTIONS[1], money=MONEY, horizon_days=900)
    for row in (0, 1):
        one = expected_pair_costs(two.only(row), start=JOBS, action=ACTIONS[1], money=MONEY,
                                  horizon_days=900)  # fmt: skip
        assert one.money[0] == pytest.approx(both.money[row], rel=1e-12)


def test_reverse_start_replaces_the_first_part() -> None:
    law = PairLaw(own=[[3.0, 4 * YEAR]], visible=[[2.0, 12 * YEAR]])
    start = PairStart(first_days=np.array([4 * YEAR]), second_days=np.zeros(1), good=np.ones(1),
                      bad=np.zeros(1), failed="second")  # fmt: skip
    taken = PairAction(name="always", first_older_than_days=0.0)
    keep, always = (
        expected_pair_costs(law, start=start, action=a, money=MONEY, horizon_days=2 * YEAR)
        for a in (ACTIONS[0], taken)
    )
    assert always.first_parts[0] >= 1.0 > keep.first_parts[0] - keep.visits[0] + 1
    assert always.visits[0] < keep.visits[0]


def test_break_even_is_where_two_rules_cost_the_same() -> None:
    rng = np.random.default_rng(1)
    spread = 1 + 0.05 * rng.standard_normal((21, 1))
    law = PairLaw(
        own=LAW.own * np.hstack([np.ones((21, 1)), spread]),
        silent=np.tile(LAW.silent, (21, 1)), multiplier=np.full(21, 30.0),
        sensitivity=np.full(21, 0.95),
    )  # fmt: skip
    how = {"start": JOBS, "horizon_days": 5 * YEAR}
    here = weigh_pair(law, money=MONEY, **how)
    price = break_even(here, amounts=here.amounts["second_parts"][0], present=MONEY.second_price)
    assert price is not None
    dearer = here.repriced(second_parts=30.0)
    asked = weigh_pair(law, money=replace(MONEY, second_price=54.0), **how,
                       ages_days=[here.threshold_days or 1.0])  # fmt: skip
    np.testing.assert_allclose(dearer.costs, asked.costs, rtol=1e-9)
    assert dearer.decision.recommend == asked.decision.recommend
    for factor, same in ((0.99, True), (1.01, False)):
        near = 24 + (price - 24) * factor
        there = weigh_pair(law, money=replace(MONEY, second_price=near), **how,
                           ages_days=[here.threshold_days or 1.0])  # fmt: skip
        assert (there.names[int(np.argmin(there.estimate))] == here.decision.least) is same


def test_jobs_that_settle_by_hand() -> None:
    # 5 % of 100 is 5; a year shows half of the difference: 2.5 to be found; spreads 30 and 40
    need = jobs_that_settle(
        spread=(30.0, 40.0), difference=4.0, whole_difference=8.0, cost=100.0, follow_days=365
    )
    assert need is not None
    assert need.jobs == 2 * int(np.ceil((2.8 / 2.5) ** 2 * 2500))
    same = jobs_that_settle(
        spread=(1.0, 1.0), difference=0.0, whole_difference=0.0, cost=100.0, follow_days=365
    )
    assert same is None


def test_knowing_what_decides_takes_the_regret_away() -> None:
    rng = np.random.default_rng(2)
    decides, idle = rng.standard_normal((2, 400))
    table = np.column_stack([100 + 20 * decides, np.full(400, 100.0)])

    class Weighed:
        costs = table
        decision = None

        def at(self, name: str) -> int:
            return ["keep", "always"].index(name)

    from failstats.estimate.regret import decide

    weighed = Weighed()
    weighed.decision = decide(table, names=["keep", "always"])  # type: ignore[assignment]
    whole = weighed.decision.expected_regret  # type: ignore[attr-defined]
    assert resolved(weighed, decides[:, None]) == pytest.approx(whole, rel=0.02)  # type: ignore[arg-type]
    assert resolved(weighed, idle[:, None]) < 0.2 * whole  # type: ignore[arg-type]


@pytest.mark.parametrize(("change", "said"), [
    ({"own": [[1.0, -2.0]]}, "above 0"),
    ({"own": [[1.0, 2.0]], "visible": [[1.0, 2.0], [1.0, 2.0]]}, "a row for each"),
    ({"own": [[1.0, 2.0]], "sensitivity": [1.2]}, "from 0 to 1"),
])  # fmt: skip
def test_wrong_laws_are_refused(change: dict, said: str) -> None:
    with pytest.raises(InputError, match=said):
        PairLaw(**change)


def test_wrong_grids_are_refused() -> None:
    how = {"start": JOBS, "action": ACTIONS[0], "money": MONEY}
    with pytest.raises(InputError, match="above 0"):
        expected_pair_costs(LAW, horizon_days=0, **how)
    with pytest.raises(InputError, match="61 values"):
        expected_pair_costs(LAW, horizon_days=10, in_service=[1.0], **how)
