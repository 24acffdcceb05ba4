"""Costs, stock, policy and rules: what they compute, and what they refuse."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import pytest

from failstats.answers.costs import read_costs
from failstats.answers.rules import read_rules
from failstats.demo import Demo
from failstats.drafts import write_draft
from failstats.errors import InputError, PlanError
from failstats.records import Records


def test_drafted_costs_are_the_defaults(tmp_path: Path) -> None:
    (path,) = write_draft("costs", [], tmp_path / "costs.toml")
    drafted, assumed = read_costs(path), read_costs()
    assert drafted.values == assumed.values
    assert drafted.assumed == () and len(assumed.assumed) == 9
    with pytest.raises(InputError, match="never overwrites"):
        write_draft("costs", [], path)


@pytest.mark.parametrize(("content", "message"), [
    ("currency = 'EUR'", "one currency"),
    ("[visit]\nvisit_cost = -1", "must be a number of 0 or more"),
    ("[visit]\nvisit_cost = 'much'", "must be a number of 0 or more"),
    ("[visit]\nvisit_cost = nan", "must be a number of 0 or more"),
    ("[visit]\nprice = 3", r"\[visit\] has the keys"),
    ("[extra]\na = 1", "has the tables"),
    ("[visit", "must be TOML"),
    ("[horizon]\nyears = 0", "must be above 0"),
    ("[horizon]\nyears = 51", "horizon.years must be at most 50, but is 51"),
    ("[visit]\nvisit_cost = 1e400", "at most 1,000,000,000, but is"),
    ("[visit]\nvisit_cost = inf", "0 or more, but is Infinity"),
    ("[cleaning]\nmaker_days = 0", "cleaning.maker_days must be above 0"),
    ("[cleaning]\nmaker_days = 'yearly'", "must be a number of 0 or more"),
    ("[cleaning]\nmaker = 3", r"\[cleaning\] has the keys full_run, maker_days"),
    ("visit = 3", r"\[visit\] must be a table"),
])  # fmt: skip
def test_wrong_costs_are_refused(tmp_path: Path, content: str, message: str) -> None:
    path = tmp_path / "costs.toml"
    path.write_text(content)
    with pytest.raises(InputError, match=message):
        read_costs(path)


def test_money_is_decimal(tmp_path: Path) -> None:
    path = tmp_path / "costs.toml"
    path.write_text("[visit]\nvisit_cost = 95.10\n")
    assert read_costs(path).values["visit.visit_cost"] == Decimal("95.10")


def test_tripped_parts_get_no_age_rule(made: Demo) -> None:
    assert not {r.when for r in made.answers["policy"].results if r.kind == "age"} & {
        "cutout",
        "thermostat",
    }


def test_cautions_stand_in_the_policy(made: Demo) -> None:
    said = str(made.answers["policy"]).replace("\n", " ")
    for word in (
        "240 V",
        "Gas",
        "Roof",
        "Lint burns",
        "never bypassed",
        "Local code",
        "do not diagnose",
    ):
        assert word in said


def test_lists_keep_to_the_budget_and_the_field(made: Demo) -> None:
    for van in made.answers["stock"].results:
        assert van.spend <= van.budget == 750
        assert van.spend == pytest.approx(sum(i.quantity * i.price for i in van.items))
        assert "cutout-bare" not in {i.item_id for i in van.items}
        assert 0 <= van.completion_ci[0] <= van.completion <= van.completion_ci[1] <= 1
        completions = [p.completion for p in van.spend_curve]
        assert completions == sorted(completions)


def test_more_budget_finishes_no_fewer_jobs(demo_records: Records) -> None:
    small, large = (
        demo_records.stock("harbour", budget=b).results[0].completion for b in (200.0, 900.0)
    )
    assert small < large


def test_target_is_met_at_least_spend_or_refused(demo_records: Records) -> None:
    found = demo_records.stock("harbour", target=0.7).results[0]
    assert found.aim == "least spend" and found.completion >= 0.68
    with pytest.raises(PlanError, match="reach"):
        demo_records.stock("harbour", target=0.9999, budget=100.0)


def test_fixed_and_excluded_items(demo_records: Records) -> None:
    found = demo_records.stock(
        "harbour", budget=400.0, fix={"coil-e1": 3}, exclude=["belt-long"]
    ).results[0]
    carried = {i.item_id: i.quantity for i in found.items}
    assert carried["coil-e1"] == 3 and "belt-long" not in carried


@pytest.mark.parametrize(("options", "message"), [
    ({"van": "nowhere"}, "--van must name a van"),
    ({"budget": 0.0}, "--budget must be above 0"),
    ({"target": 85.0}, "--target must be a share"),
    ({"exclude": ["cutout-bare"]}, "can go on a van, but cutout-bare cannot"),
])  # fmt: skip
def test_wrong_stock_words(demo_records: Records, options: dict[str, object], message: str) -> None:
    with pytest.raises(InputError, match=message):
        demo_records.stock(**options)


def test_no_catalogue_is_said(company: Callable[..., Records]) -> None:
    records = company(
        units="unit_id,family,installed_on,van_id\nu1,E1,2016-01-01,v1",
        jobs="job_id,unit_id,visited_on\nj1,u1,2025-06-01",
        lines="job_id,part,finding,action\nj1,coil,failed,replaced",
    )
    with pytest.raises(InputError, match="needs a catalogue"):
        records.stock()


def test_rules_grade_by_the_interval(made: Demo) -> None:
    for row in made.answers["rules"].results:
        if row.verdict == "supported":
            assert (
                row.ci[0] > row.threshold if row.direction == "above" else row.ci[1] < row.threshold
            )
    assert {r.verdict for r in made.answers["rules"].results} <= {
        "supported",
        "contradicted",
        "cannot_tell",
    }


def test_own_rules_are_graded_both_ways(demo_records: Records, tmp_path: Path) -> None:
    path = tmp_path / "rules.toml"
    rule = '[[rule]]\nname = "{}"\nstatement = "s"\nestimator = "share"\ncomplaint = "no_heat"\nparts = ["coil"]\nthreshold = {}\ndirection = "above"\n'
    path.write_text(
        rule.format("low", 0.1) + rule.format("high", 0.9) + rule.format("near", 0.3486)
    )
    found = {r.rule: r.verdict for r in demo_records.rules(path).results}
    assert found == {"low": "supported", "high": "contradicted", "near": "cannot_tell"}


@pytest.mark.parametrize(("content", "message"), [
    ("", "holds .*rule.* entries"),
    ("[[rule]]\nestimator = 'guess'", "estimator must be one of"),
    ("[[rule]]\nestimator = 'reading'", "is missing"),
    ("[[rule", "must be TOML"),
])  # fmt: skip
def test_wrong_rules_are_refused(tmp_path: Path, content: str, message: str) -> None:
    path = tmp_path / "rules.toml"
    path.write_text(content)
    with pytest.raises(InputError, match=message):
        read_rules(path)


def test_shipped_rules_say_where_they_come_from() -> None:
    rules = read_rules()
    assert len(rules) == 12
    assert {rule["origin"] for rule in rules} == {"common practice, no source"}


def test_no_age_rule_beyond_the_ages_that_were_watched(made: Demo) -> None:
    lives = {r.part: r for r in made.answers["lives"].results if not r.stratum}
    ages = [r for r in made.answers["policy"].results if r.kind == "age"]
    assert ages
    for row in ages:
        beyond = (row.money_optimum_days or 0) > lives[row.when].followed_to_days
        if beyond:
            assert row.recommend in ("unclear", "never") and row.threshold_days is None


def test_safety_parts_are_never_left_to_fail_by_advice(made: Demo) -> None:
    from failstats.report.printing import card_html

    answer = made.answers["policy"]
    page = card_html(answer.to_dict()["results"], ["x"])
    assert "wait until it fails" not in page
    fuse = next(r for r in answer.results if (r.when, r.kind) == ("fuse", "age"))
    assert "maker" in fuse.advice_text
