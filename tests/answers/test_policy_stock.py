"""The rule into the stock lists, and the lists back into the rule."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from failstats.answers.costs import read_costs
from failstats.answers.policy_rows import stocked_text
from failstats.answers.policy_stock import on_the_van, stock_rule, with_stock
from failstats.demo import Demo
from failstats.estimate.stock_levels import poisson_loss
from failstats.records import open_warehouse

COSTS = Path(__file__).parents[2] / "demo_warehouse" / "costs.toml"


@dataclass
class Item:
    part: str
    quantity: int


@dataclass
class Van:
    jobs_expected: float
    items: list[Item]
    completion: float = 0.9
    spend: float = 100.0


@dataclass
class Lists:
    results: list[Van]


def test_share_on_the_van_by_hand() -> None:
    lists = [Van(40.0, [Item("thermostat", 5), Item("coil", 9)]), Van(20.0, [])]
    # 4 and 2 needed; the first van misses what Poisson(4) asks for beyond 5
    met = 4.0 - poisson_loss([5], mean=4.0)[0]
    found = on_the_van(lists, "thermostat", per_job=0.08, other_per_job=0.02)
    assert found == pytest.approx(met / 6.0)
    assert on_the_van([Van(0.0, [])], "thermostat", per_job=1.0, other_per_job=0.0) is None


def test_rules_as_stock_takes_them(made: Demo) -> None:
    row = next(r for r in made.answers["policy"].results if r.also == "thermostat")
    assert stock_rule(replace(row, recommend="always")) == "cutout+thermostat=always"
    assert stock_rule(replace(row, recommend="test_hot")) == "cutout+thermostat=test_hot"
    assert stock_rule(replace(row, recommend="unclear")) is None
    assert stock_rule(replace(row, recommend="keep")) is None


def test_fewer_partners_on_the_vans_save_less(made: Demo) -> None:
    asked: list[list[str]] = []

    def plan(quantity: int) -> Any:
        def planned(rules: list[str]) -> Lists:
            asked.append(rules)
            return Lists([Van(40.0, [Item("thermostat", quantity)])])

        return planned

    answer = made.answers["policy"]
    with open_warehouse(made.warehouse) as records:
        session, costs = records._session, read_costs(COSTS)
        rich, poor = (
            with_stock(session, answer, costs=costs, plan=plan(number))[0] for number in (30, 2)
        )
    assert asked == [[], ["cutout+thermostat=always"]] * 2
    assert rich.on_van == pytest.approx(1.0, abs=1e-6)
    assert rich.saving_as_stocked == pytest.approx(rich.saving_per_100_jobs, rel=1e-6)
    assert poor.on_van < 0.5
    assert 0 < poor.saving_as_stocked < rich.saving_as_stocked
    said = stocked_text(asdict(poor), "USD")
    assert f"{100 * poor.on_van:.0f} % of the jobs that need one" in said
    assert f"${poor.saving_as_stocked:,.0f}" in said
    assert f"${poor.saving_per_100_jobs:,.0f}" in said
