"""Pair, age and cleaning rules of the demo company, against its truth and against themselves."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from failstats.answers.costs import read_costs
from failstats.answers.policy_laws import (
    in_service,
    pair_case,
    pair_money,
    prices_of,
    service_life,
)
from failstats.answers.policy_pairs import pair_advice
from failstats.answers.policy_rows import Advice
from failstats.demo import Demo
from failstats.estimate.pair_law import PairLaw
from failstats.estimate.pair_model import STEPS, expected_pair_costs
from failstats.estimate.pair_policy import weigh_pair
from failstats.records import open_warehouse
from failstats.warehouse.session import Session

DEMO = Path(__file__).parents[2] / "demo_warehouse"
YEAR = 365.25


@pytest.fixture(scope="module")
def pair(made: Demo) -> Advice:
    """The pair that the demo company is about."""
    return next(r for r in made.answers["policy"].results if (r.when, r.also) == PAIR)


PAIR = ("cutout", "thermostat")


@pytest.fixture(scope="module")
def session(made: Demo) -> Iterator[Session]:
    """The demo company's warehouse, open once, so that its fits are made once."""
    with open_warehouse(made.warehouse) as records:
        yield records._session


def test_the_least_cost_is_recommended(pair: Advice) -> None:
    costs = {c.action: c.per_job for c in pair.costs}
    least = min(costs, key=costs.get)
    assert set(costs) == {"keep", "test_hot", "if_older", "always"}
    assert pair.least == least
    assert pair.recommend in (least, "unclear")
    assert pair.saving_per_100_jobs == pytest.approx(100 * (costs["keep"] - costs[least]))
    assert pair.saving_ci[0] < pair.saving_per_100_jobs < pair.saving_ci[1]
    for cost in pair.costs:
        assert cost.ci[0] < cost.per_unit_year < cost.ci[1]
        assert cost.per_job_ci[0] < cost.per_job < cost.per_job_ci[1]


def test_the_true_saving_lies_in_its_interval(made: Demo, session: Session) -> None:
    # under the law that follows from what the generator was told, for the jobs as they were found
    derived = tomllib.loads((DEMO / "derived.toml").read_text())
    told = tomllib.loads((DEMO / "truth.toml").read_text())
    case = pair_case(session, *PAIR)
    assert not isinstance(case, str)
    own, hidden = derived["cutout_own"], derived["thermostat_stuck_closed"]
    visible = told["lives"]["thermostat_visible"]
    law = PairLaw(
        own=[[own["shape"], own["scale_days"]]],
        silent=[[hidden["shape"], hidden["scale_days"]]],
        visible=[[visible["shape"], visible["scale"] * YEAR]],
        multiplier=[told["pair"]["multiplier"]],
        sensitivity=[told["tests"]["hot_sensitivity"]],
    )
    row = next(r for r in made.answers["policy"].results if (r.when, r.also) == PAIR)
    prices = made.answers["policy"].summary["prices"]
    money = pair_money(read_costs(DEMO / "costs.toml"), prices["cutout"], prices["thermostat"])
    rules = {
        "keep": case.base,
        "if_older": replace(case.base, replaced=1.0, older_than_days=row.threshold_days),
        "test_hot": replace(case.base, hot=1.0),
        "always": replace(case.base, replaced=1.0),
    }
    ages = case.frame["unit_age_days"].dropna().to_numpy(float)
    staying = in_service(service_life(session), ages, np.linspace(0, 5 * YEAR, STEPS + 1))
    true = {
        name: expected_pair_costs(law, start=case.start.only([0]), action=rule, money=money,
                                  horizon_days=5 * YEAR, in_service=staying).money[0]
        for name, rule in rules.items()
    }  # fmt: skip
    saved = 100 * (true["keep"] - true[row.least])
    assert row.saving_ci[0] < saved < row.saving_ci[1]
    # the regret of the recommended rule under the truth
    assert true[row.least] <= 1.02 * min(true.values())


def test_break_even_figures_turn_the_rule(pair: Advice, session: Session) -> None:
    case = pair_case(session, *PAIR)
    assert not isinstance(case, str)
    few = replace(case, law=case.law.only(np.arange(5)), start=case.start.only(np.arange(5)))
    prices = prices_of(session)
    money = pair_money(read_costs(DEMO / "costs.toml"), prices["cutout"], prices["thermostat"])
    flip = next(f.value for f in pair.flips_if if f.what == "partner_price")
    ages = case.frame["unit_age_days"].dropna().to_numpy(float)
    staying = in_service(service_life(session), ages, np.linspace(0, 5 * YEAR, STEPS + 1))

    def least(price: float) -> str:
        found = weigh_pair(few.law, start=few.start, money=replace(money, second_price=price),
                           horizon_days=5 * YEAR, base=case.base, in_service=staying,
                           ages_days=[pair.threshold_days])  # fmt: skip
        return found.names[int(np.argmin(found.estimate))]

    turn = 1.01 if flip > prices["thermostat"] else 0.99
    assert least(flip / turn) == pair.least
    assert least(flip * turn) != pair.least


def test_what_is_done_today_lies_between(pair: Advice) -> None:
    costs = {c.action: c.per_job for c in pair.costs}
    assert 0 < pair.today.hot_tests < 1
    assert 0 < pair.today.replaced_unasked < 1
    assert min(costs.values()) < pair.today.per_job < max(costs.values())
    assert pair.today.saving_per_100_jobs < pair.saving_per_100_jobs


def test_the_model_expects_what_followed(pair: Advice) -> None:
    assert {seen.action for seen in pair.followed} == {"keep", "always"}
    for seen in pair.followed:
        assert seen.ci[0] <= seen.expected <= seen.ci[1]


def test_the_last_years_as_done_are_as_they_were(made: Demo) -> None:
    played = made.answers["policy"].summary["last_years"]
    done = next(row for row in played if row["action"] == "as_done")
    for name in ("failures", "returns", "second_parts", "money"):
        low, high = done[f"{name}_ci"]
        assert low <= done[f"{name}_seen"] <= high, name
    assert {row["action"] for row in played} == {
        "as_done", "keep", "test_hot", "if_older", "always"
    }  # fmt: skip
    failures = {row["action"]: row["failures"] for row in played}
    assert failures["always"] < failures["as_done"] < failures["keep"]


def test_parts_that_do_not_touch_need_a_saving_that_shows(made: Demo) -> None:
    apart = [r for r in made.answers["policy"].results if r.kind == "pair" and not r.followed]
    assert len(apart) > 10
    for row in apart:
        costs = {c.action: c.per_job for c in row.costs}
        if row.recommend not in ("keep", "unclear"):
            assert min(costs.values()) < 0.98 * costs["keep"]
        if row.recommend == "keep":
            assert row.saving_per_100_jobs == 0.0
        if row.recommend == "if_older":
            assert row.threshold_days <= 8 * YEAR  # the records are eight years long


def test_unclear_comes_with_an_experiment(session: Session) -> None:
    case = pair_case(session, *PAIR)
    assert not isinstance(case, str)
    # the same records, known as badly as a few dozen jobs would know them
    centre = {name: getattr(case.law, name) for name in ("own", "silent", "visible", "multiplier")}
    wide = {
        name: np.vstack([v[:1], v[:1] * (v[1:] / v[:1]) ** 6]) if v.ndim == 2
        else np.concatenate([v[:1], v[:1] * (v[1:] / v[:1]) ** 6])
        for name, v in centre.items()
    }  # fmt: skip
    doubtful = replace(case, law=PairLaw(**wide, sensitivity=case.law.sensitivity))
    prices = {"cutout": 21.0, "thermostat": 62.0}
    row = pair_advice(session, doubtful, read_costs(DEMO / "costs.toml"), prices, 0.95)
    assert row.recommend == "unclear"
    assert row.experiment.jobs > 0
    assert row.experiment.weeks > 0
    assert "even job ids" in row.advice_text
    assert row.next_record[0].regret_cut_per_100_jobs > 0
    assert "hot tests" in " ".join(n.what for n in row.next_record)


def test_cleaning_advice_is_never_longer_than_a_year(made: Demo) -> None:
    row = next(r for r in made.answers["policy"].results if r.kind == "cleaning")
    assert row.threshold_days <= 365
    assert "fire safety is not priced" in row.advice_text
    money = row.costs[-1]
    assert money.ci[0] < money.per_unit_year < money.ci[1]


def test_ages_carry_their_interval(made: Demo) -> None:
    ages = [r for r in made.answers["policy"].results if r.kind == "age"]
    assert {"coil", "belt", "fuse"} <= {r.when for r in ages}
    for row in ages:
        if row.money_optimum_days is not None:
            low, high = row.threshold_ci
            assert low <= row.money_optimum_days
            assert high is None or high >= row.money_optimum_days


def test_safety_parts_follow_the_maker(made: Demo) -> None:
    for row in made.answers["policy"].results:
        if row.kind == "age" and row.when in ("fuse", "cutout", "thermostat"):
            assert "maker's age or sooner" in row.advice_text
        if row.kind == "pair" and "cutout" in (row.when, row.also):
            assert "find out why it tripped or failed" in row.caution


def test_no_rule_is_explained(made: Demo) -> None:
    left_out = made.answers["policy"].summary["no_rule_for"]
    assert "fails unseen" in left_out["coil + thermostat"]
