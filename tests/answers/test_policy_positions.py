"""Bars, sliders and table of a pair rule tell one story; a part of unknown age has its own."""

from __future__ import annotations

from typing import Any

import pytest

from failstats.answers.policy_positions import cost_rows, position_rows, positions_of
from failstats.answers.policy_unknown_age import least_without_age, said_of_unknown_age
from failstats.answers.policy_what_if import PRICE_TIMES, RETURN_TIMES
from failstats.demo import Demo
from failstats.report.card import advice_rows
from failstats.report.what_if import NOW, pair_panel
from failstats.show.interval_rows import POSITION

CENT = 0.005  # what the page rounds money per job to


@pytest.fixture
def choices(made: Demo) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = made.answers["policy"].summary["what_if"]["choices"]
    return found


def test_at_todays_costs_the_positions_are_the_answer(
    made: Demo, choices: list[dict[str, Any]]
) -> None:
    policy = made.answers["policy"]
    pairs = {(row.when, row.also) for row in policy.results if row.kind == "pair"}
    frame, today = position_rows(choices, pairs)
    here = frame[frame["at"] == today].drop(columns="at").reset_index(drop=True)
    drawn = policy.cost_table()
    here = here[here["when"].isin(set(drawn["when"]))].reset_index(drop=True)
    assert here.equals(drawn)
    assert set(frame["at"]) == set(range(len(PRICE_TIMES) * len(RETURN_TIMES)))


def test_at_every_position_the_saving_is_the_difference_of_two_bars(
    choices: list[dict[str, Any]],
) -> None:
    assert len(choices) >= len(PRICE_TIMES) * len(RETURN_TIMES)
    seen = set()
    for row in choices:
        cost = {one["action"]: one["per_job"] for one in row["costs"]}
        left_in = cost["keep"] - row["saving_per_100_jobs"] / 100
        if row["recommend"] != "unclear":
            assert left_in == pytest.approx(cost[row["recommend"]])
            assert cost[row["recommend"]] <= min(cost.values()) * 1.05
        assert min(abs(left_in - one) for one in cost.values()) < CENT
        assert row["threshold_days"] is None or "if_older" in cost
        seen.add(row["recommend"])
    assert len(seen) > 1  # the sliders change the advice of the demo


def test_the_chart_of_the_page_holds_every_position_and_starts_at_today(made: Demo) -> None:
    policy = made.answers["policy"]
    spec = policy.chart_of_positions().to_dict()
    asked = policy.summary["what_if"]
    panel = pair_panel(asked["choices"], currency=asked["currency"], prices=asked["prices"])
    places = positions_of(asked["choices"])
    assert panel["mark"] == {
        "chart": "spec-policy", "name": POSITION, "values": list(range(len(places))),
    }  # fmt: skip
    (param,) = spec["params"]
    price, cost = panel["sliders"]
    today = price["start"] * len(cost["texts"]) + cost["start"]
    assert param == {"name": POSITION, "value": today}
    assert [k for k, said in enumerate(panel["said"]) if said == NOW] == [today]
    assert f"datum.at === {POSITION}" in str(spec)
    (rows,) = spec["datasets"].values()
    assert {row["at"] for row in rows} == set(range(len(places)))
    for at in (0, today, len(places) - 1):
        mine = [row for row in rows if row["at"] == at]
        assert sum(row["cheapest"] for row in mine) == 1
        assert mine == sorted(mine, key=lambda row: row["cost"])
    assert "At the prices and costs of today" in spec["description"]


def test_a_return_visit_for_nothing_is_one_position() -> None:
    costs = [{"action": "keep", "per_job": 1.0, "per_job_ci": (0.5, 2.0)}]
    rows = [
        {"when": "a", "also": "b", "price_times": times, "return_cost": 0.0, "today": factor == 1,
         "threshold_days": None, "costs": costs}
        for times in (0.5, 1.0) for factor in (0.5, 1)
    ]  # fmt: skip
    frame, today = position_rows(rows, [("a", "b")])
    assert frame["at"].tolist() == [0, 1]
    assert today in (0, 1)


def test_a_choice_by_age_says_which_age() -> None:
    costs = [{"action": "if_older", "per_job": 1.0, "per_job_ci": None}]
    (row,) = cost_rows("cutout", "thermostat", 1461.0, costs)
    assert row == {
        "when": "cutout failed: the thermostat", "action": "if older than 4.0 years", "cost": 1.0,
        "low": None, "high": None,
    }  # fmt: skip


def costs(**given: tuple[float, float, float]) -> list[dict[str, Any]]:
    return [
        {"action": name, "per_job": mid, "per_job_ci": (low, high)}
        for name, (low, mid, high) in given.items()
    ]


@pytest.mark.parametrize(
    ("given", "least"),
    [
        (costs(keep=(8, 9, 10), if_older=(1, 2, 3), always=(4, 5, 6)), "always"),
        (costs(keep=(8, 9, 10), if_older=(1, 2, 3), always=(4, 5, 8.5)), None),  # they touch
        (costs(keep=(3, 3.5, 3.9), if_older=(1, 2, 3), always=(4, 5, 6)), "keep"),
        (costs(keep=(8, 9, 10), test_hot=(2, 3, 4), if_older=(1, 1, 1), always=(5, 6, 7)),
         "test_hot"),
        (costs(keep=(8, 9, 10), if_older=(1, 2, 3)), None),  # nothing to compare it with
        ([{"action": "keep", "per_job": None, "per_job_ci": None}] * 2, None),
        ([], None),
    ],
)  # fmt: skip
def test_without_an_age_the_cheapest_rule_that_needs_none_decides_where_it_is_clear(
    given: list[dict[str, Any]], least: str | None
) -> None:
    assert least_without_age(given) == least


def rule(**changes: Any) -> dict[str, Any]:
    return {
        "kind": "pair", "when": "cutout", "also": "thermostat", "recommend": "if_older",
        "threshold_days": 730.5, "costs": costs(keep=(8, 9, 10), always=(4, 5, 6)), **changes,
    }  # fmt: skip


def test_an_unknown_age_is_answered_by_the_model_or_marked_as_common_practice() -> None:
    said = said_of_unknown_age(rule())
    assert "In a dryer older than 2.0 years, or of unknown age, replace the thermostat too" in said
    assert said.endswith("if such parts are as old as those of known age.")
    unclear = said_of_unknown_age(rule(costs=[], followed=[{"action": "keep"}]))
    assert unclear.endswith("test it hot and replace it if it is bad (common practice, no source).")
    by_age = said_of_unknown_age(rule(kind="age", when="belt", also=None))
    assert by_age.endswith("test it and replace it if it is bad (common practice, no source).")
    for other in ("keep", "always", "test_hot", "unclear"):
        assert said_of_unknown_age(rule(recommend=other)) == ""


def test_the_card_of_the_demo_says_what_to_do_without_an_age(made: Demo) -> None:
    policy = made.answers["policy"]
    (row,) = [r for r in policy.to_dict()["results"] if r["recommend"] == "if_older"]
    cost = {one["action"]: one["per_job"] for one in row["costs"] if one["action"] != "if_older"}
    assert min(cost, key=lambda name: cost[name]) == "always"
    card = " ".join(one["advice"] for one in advice_rows([row], currency="USD"))
    for text in (card, " ".join(str(policy).split())):
        assert "ge not known: fitted new, it is no older than the dryer." in text
        assert "or of unknown age, replace the thermostat too: of the rules that need" in text
