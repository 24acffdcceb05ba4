"""Stock lists: from records to a list, its words, what it refuses, and the proof by past cycles."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd
import pytest

import failstats
from failstats.answers import stock_backtest
from failstats.answers.stock_backtest import TriedCycle, _summed
from failstats.answers.stock_board import Board, board_items
from failstats.answers.stock_demand import demand_of
from failstats.answers.stock_pairs import PairRule, sets_under
from failstats.answers.stock_shelf import shelf_of_catalogue
from failstats.errors import InputError, PlanError
from failstats.records import Records

CATALOGUE = """item_id,part,family,price,volume,field_fit,lead_time,pack_size,replaced_by
coil-a,coil,E1,40.00,2 L,yes,20 days,1,
coil-old,coil,E2,50.00,2 L,yes,,1,coil-b
coil-b,coil,E2,44.00,2 L,yes,,1,
cut,cutout,*,20.00,0.2 L,yes,10 days,1,
cut-bare,cutout,*,9.00,0.2 L,no,,1,
therm,thermostat,*,25.00,0.2 L,yes,,2,"""


# 81 past jobs say a rate to one part in nine (a standard error); three of them and a little
FROM_81_JOBS = 0.35
# three jobs of twelve units say their own rate to 58 %: drawn to the part's, within that of it
DRAWN_TOGETHER = 0.6

def small(company: Callable[..., Records], *, months: int = 24, **tables: str) -> Records:
    """Two vans; v1 has a coil job of E1 every 9 days, v2 three jobs in all."""
    units = ["unit_id,family,fuel,installed_on,enrolled_on,van_id"]
    jobs, lines = ["job_id,unit_id,visited_on,kind,van_id"], ["job_id,part,finding,action"]
    last, days = dt.date(2025, 12, 31), int(months * 30.4)
    for k in range(160):
        units.append(f"u{k},E1,electric,2012-01-01,2014-01-01,v1")
    units += [f"w{k},E2,electric,2012-01-01,2014-01-01,v2" for k in range(12)]
    for k in range(days // 9):
        day = last - dt.timedelta(days=9 * k + 2)
        jobs.append(f"j{k},u{k % 160},{day},call_out,v1")
        lines.append(f"j{k},coil,failed,replaced")
        if k % 3 == 0:
            lines.append(f"j{k},cutout,failed,replaced")
            lines.append(f"j{k},thermostat,working,{'replaced' if k % 2 else 'kept'}")
    for k in range(3):
        jobs.append(f"v{k},w{k},{last - dt.timedelta(days=100 * k + 5)},call_out,v2")
        lines.append(f"v{k},coil,failed,replaced")
    given = {"catalogue": CATALOGUE} | tables
    return company(units="\n".join(units), jobs="\n".join(jobs), lines="\n".join(lines), **given)


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Records]:
    """The small company, loaded once for the tests that only ask."""
    kept: list[Records] = []

    def build(**tables: str) -> Records:
        folder = tmp_path_factory.mktemp("small")
        for name, text in tables.items():
            (folder / f"{name}.csv").write_text(text + "\n", encoding="utf-8")
        mapping = folder / "map.toml"
        mapping.write_text("records_from = 2015-01-01\nrecords_to = 2025-12-31\n")
        files = [folder / f"{name}.csv" for name in tables]
        failstats.load(folder / "w.duckdb", files, mapping=mapping)
        kept.append(failstats.open_warehouse(folder / "w.duckdb"))
        return kept[0]

    yield small(build)
    kept[0].close()


# --- the list ----------------------------------------------------------------------------------


def test_a_list_with_reasons_and_a_van_that_borrows(plain: Records) -> None:
    answer = plain.stock(budget=400.0)
    one, two = answer.results
    assert (one.van, two.van) == ("v1", "v2")
    assert {i.item_id: i.quantity for i in one.items}["coil-a"] >= 3
    assert "coil-b" in {i.item_id for i in two.items}  # E2's coil, the old item replaced
    coil = next(i for i in one.items if i.item_id == "coil-a")
    assert coil.last_cycle == 3  # days 2, 11 and 20 before the end, all three kept in stock
    assert coil.why.startswith("would have finished 3 of the last 3 jobs; ")
    assert one.jobs_expected == pytest.approx(28 / 9, rel=FROM_81_JOBS)
    assert "van v2 has only 3 jobs" in " ".join(answer.summary["notes"])
    assert "borrowed from the company's" in " ".join(str(answer).split())
    assert "cut-bare" not in {i.item_id for row in answer.results for i in row.items}
    assert answer.summary["never_finished_parts"] == {}


def test_depot_holds_what_the_lead_time_takes(plain: Records) -> None:
    depot = {row["item_id"]: row for row in plain.stock(budget=400.0).summary["depot"]}
    assert set(depot) == {"coil-a", "cut"}  # alone have a lead time
    coil = depot["coil-a"]
    assert coil["mean"] == pytest.approx(20 / 9, rel=FROM_81_JOBS)
    assert coil["base_stock"] > coil["mean"]
    assert 0.9 < coil["fill_rate"] <= 1


def test_packs_are_carried_whole(plain: Records) -> None:
    found = plain.stock("v1", budget=600.0).results[0]
    quantities = {i.item_id: i.quantity for i in found.items}
    assert quantities.get("therm", 0) % 2 == 0


def test_what_is_on_board_becomes_a_change_list(company: Callable[..., Records]) -> None:
    records = small(
        company,
        vans="van_id,cycle_days,budget\nv1,28,400\nv2,28,400",
        carried="van_id,item_id,quantity\nv1,coil-a,1\nv1,cut-bare,4\nv2,coil-old,1",
    )
    answer = records.stock()
    one = {i.item_id: i for i in answer.results[0].items}
    assert one["coil-a"].change == one["coil-a"].quantity - 1
    assert one["cut-bare"].change == -4
    assert one["cut-bare"].why == "needs a workshop: take off"
    two = {i.item_id: i for i in answer.results[1].items}
    assert two["coil-b"].change == two["coil-b"].quantity - 1  # the old one serves as well
    assert "1 coil-old on board are used up first" in two["coil-b"].why
    table = answer.change_table().set_index(["van", "item_id"])
    assert table.loc[("v1", "cut-bare"), "take_off"] == 4
    assert table.loc[("v1", "coil-a"), "load"] == one["coil-a"].quantity - 1
    assert "change" in str(answer)


def test_board_by_hand() -> None:
    board = Board(current={"a": 5}, replaced={"b": {"old": 2}}, others={})
    assert board_items(board, "a", 3) == (-2, "")
    assert board_items(board, "b", 3) == (1, "; 2 old on board are used up first")
    assert board_items(None, "a", 3) == (None, "")


# --- rules, season, families -------------------------------------------------------------------


def test_pair_rules_change_the_sets() -> None:
    def under(action: str, needs: list[str], failed: list[str], chance: float = 0.5) -> list[str]:
        rule = PairRule(first="cutout", second="thermostat", action=action, bad=0.4)
        return sets_under([rule], needs, failed, chance)

    alone, both = ["cutout"], ["cutout", "thermostat"]
    assert under("always", alone, alone) == both
    assert under("always", ["coil"], ["coil"]) == ["coil"]
    assert under("keep", both, alone) == alone
    assert under("keep", both, both) == both  # it had failed: replaced under any rule
    assert under("test_hot", alone, alone, 0.39) == both
    assert under("test_hot", both, alone, 0.41) == alone


def test_pairing_always_needs_more_thermostats(plain: Records) -> None:

    def carried(pair: str) -> int:
        found = plain.stock("v1", target=0.97, pair=[pair]).results[0]
        return {i.item_id: i.quantity for i in found.items}.get("therm", 0)

    assert carried("cutout+thermostat=keep") == 0
    assert carried("cutout+thermostat=always") >= 2


def test_a_family_without_history_borrows_from_its_part(plain: Records) -> None:
    shelf = shelf_of_catalogue(plain._session)
    assert shelf.need("E2", ["coil"]) == {shelf.column["coil-b"]: 1}
    assert shelf.need("E9", ["coil"]) is None  # no item for it
    assert shelf.need("E9", ["cutout"]) == {shelf.column["cut"]: 1}  # one for all families
    demand = demand_of(plain._session, days=28)
    rates = demand.forecast.rates[0]
    coil, e1, e2 = demand.parts.index("coil"), *map(demand.families.index, ("E1", "E2"))
    per_unit = rates[:, coil, e1].sum() / 160, rates[:, coil, e2].sum() / 12
    # alike but for three jobs of twelve units: drawn together
    assert per_unit[1] == pytest.approx(per_unit[0], rel=DRAWN_TOGETHER)


def test_later_cycles_are_older_and_in_their_season(demand_sessions: list[Records]) -> None:
    first, later = demand_sessions
    soon = demand_of(first._session, days=28)
    then = demand_of(later._session, days=28, starting=dt.date(2026, 6, 1))
    assert then.starts_on == dt.date(2026, 6, 1)
    assert then.forecast.jobs.sum() > soon.forecast.jobs.sum()  # nothing fails less as it ages
    assert soon.season[0] != then.season[0] or (soon.season == 1).all()


@pytest.fixture
def demand_sessions(demo_records: Records) -> list[Records]:
    return [demo_records, demo_records]


def test_forecast_of_the_demo_is_near_what_came(demo_records: Records) -> None:
    demand = demand_of(demo_records._session, days=28)
    jobs = demand.jobs[demand.jobs["cycle"] < 6]
    lately = len(jobs) / 6  # of all vans; the company grows by 7 % a year
    assert demand.forecast.jobs.sum() == pytest.approx(lately, rel=4 / np.sqrt(len(jobs)) + 0.05)
    shares = jobs["lead"].value_counts(normalize=True)
    led = demand.forecast.rates[0].sum(axis=(0, 2))
    ours = pd.Series(led / led.sum(), index=demand.parts)
    for part in ("coil", "cutout", ""):
        error = np.sqrt(shares[part] * (1 - shares[part]) / len(jobs))
        assert ours[part] == pytest.approx(shares[part], abs=4 * error + 0.02)


def test_neglect_and_silence_move_the_forecast_of_the_demo(demo_records: Records) -> None:
    factors = demand_of(demo_records._session, days=28).forecast.factors
    # a customer unheard of for over four years has mostly left without a word
    assert factors["standing"][4] < 0.6 < factors["standing"][1]


# --- words --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"pair": ["cutout"]}, "must be written FIRST\\+SECOND=ACTION"),
        ({"pair": ["cutout+thermostat=sometimes"]}, "must be written FIRST\\+SECOND=ACTION"),
        ({"pair": ["cutout+bracket=always"]}, "must name two parts of the records"),
        ({"pair": ["cutout+thermostat=test_hot"]}, "at least 20 hot tests"),
        ({"starting": "1.6.2026"}, "must be written as 2024-06-30"),
        ({"starting": "2025-12-31"}, "within the year after the as-of date"),
        ({"starting": "2027-06-01"}, "within the year after the as-of date"),
        ({"cycle": 0.4}, "at least a day"),
    ],
)
def test_wrong_words(plain: Records, options: dict[str, object], message: str) -> None:
    with pytest.raises(InputError, match=message):
        plain.stock(**options)


def test_a_target_out_of_reach_says_what_is(plain: Records) -> None:
    with pytest.raises(PlanError, match=r"best reachable .* is \d") as caught:
        plain.stock("v1", target=0.95, budget=50.0)
    assert "van v1" in caught.value.where


def test_a_budget_below_the_cheapest_item_is_said(plain: Records) -> None:
    answer = plain.stock("v1", budget=5.0)
    assert answer.results[0].items == []
    assert "the cheapest useful item costs" in " ".join(answer.summary["notes"])


def test_items_must_not_replace_each_other_in_a_circle(company: Callable[..., Records]) -> None:
    circle = "item_id,part,family,price,replaced_by\na,coil,*,5,b\nb,coil,*,6,a"
    with pytest.raises(InputError, match="in a circle"):
        small(company, months=3, catalogue=circle).stock()


# --- proof --------------------------------------------------------------------------------------


def tried(done: int, jobs: int, low: float, high: float, rule: int) -> TriedCycle:
    return TriedCycle(
        van="v1", start=dt.date(2025, 1, 28), days=28, jobs=jobs, done=done, promised=0.8,
        low=low, high=high, spend=100.0, rules={"one of each": (rule, 90.0)}
        | dict.fromkeys(("most used last year", "mean demand rounded up"), (0, 0.0)),
    )  # fmt: skip


def test_past_cycles_are_summed_by_hand() -> None:
    found = _summed([tried(8, 10, 0.7, 0.9, 6), tried(9, 10, 0.7, 0.85, 10)])
    assert (found.from_, found.to) == ("2025-01-29", "2025-02-25")
    assert found.realised == pytest.approx(17 / 20)
    assert found.inside_90 == 0.5
    assert found.naive[0].realised == pytest.approx(16 / 20)
    assert tried(9, 10, 0.7, 0.9, 0).inside  # the ends belong to the range


def test_backtest_of_a_small_company(
    company: Callable[..., Records], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stock_backtest, "VAN_CYCLES", 4)
    monkeypatch.setattr(stock_backtest, "CYCLES", 4)
    answer = small(company, months=40).stock("v1", budget=200.0, backtest=True, seconds=0.0)
    test = answer.results[0].backtest
    proof = answer.summary["backtest"]
    assert proof["van_cycles"] == test.cycles == 4
    assert proof["enough"]
    assert {n.rule for n in test.naive} == {
        "one of each", "most used last year", "mean demand rounded up",
    }  # fmt: skip
    assert all(n.spend <= test.spend + 1e-9 for n in test.naive)
    row = json.loads(json.dumps(answer.to_dict()))["results"][0]["backtest"]
    assert set(row) >= {"from", "to", "promised", "realised", "naive"}
    assert "Tried on" in str(answer)
    assert set(answer.backtest_table()["rule"]) == {"this plan", *(n.rule for n in test.naive)}


def test_too_short_records_have_no_backtest(company: Callable[..., Records]) -> None:
    records = small(company, months=3)
    records._session.choices["records_from"] = "2025-10-01"
    with pytest.raises(InputError, match="a back-test needs a cycle with jobs"):
        records.stock("v1", budget=200.0, backtest=True)
