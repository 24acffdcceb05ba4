"""Sheets to print: a page per van, one card, everything escaped, papers by name."""

import pytest

from failstats.errors import InputError
from failstats.report.printing import advice_rows, card_html, van_list_html
from failstats.show.cautions import cautions

VAN = {
    "van": "V1",
    "cycle_days": 28.0,
    "jobs_expected": 41.2,
    "spend": 412.5,
    "completion": 0.83,
    "completion_ci": [0.78, 0.87],
    "items": [
        {"item_id": "<b>K-1", "part": "gas_valve", "families": ["*"], "quantity": 2, "change": 1},
        {"item_id": "K-2", "part": "coil", "families": ["E-27"], "quantity": 1, "change": None},
        {"item_id": "K-3", "part": "coil", "families": ["E-27"], "quantity": 0, "change": -2},
    ],
}


def test_a_sheet_per_van_with_what_to_carry():
    html = van_list_html([VAN, {**VAN, "van": "V2", "items": []}], "letter", as_of="2023-12-31")
    assert html.count('<section class="sheet"') == 2
    assert "size: letter" in html
    assert "&lt;b&gt;K-1" in html
    assert "<b>K-1" not in html
    assert "gas valve" in html
    assert ">all<" in html
    assert ">+1<" in html
    assert ">-2<" in html
    assert "83 % (78 to 87) of the jobs finished on the first visit; $412 of stock" in html
    assert "Nothing is worth carrying on this van" in html
    assert "http" not in html.replace("http-equiv", "")


def policy(**changes):
    row = {"kind": "pair", "when": "cutout", "also": "thermostat", "recommend": "keep"}
    return {**row, "threshold_days": None, "caution": None, **changes}


@pytest.mark.parametrize(
    ("row", "advice"),
    [
        (policy(), "Leave the thermostat in unless a test shows it bad."),
        (policy(recommend="always"), "Replace the thermostat too, whatever a test shows."),
        (policy(recommend="test_hot"), "Test the thermostat hot; replace it only if it fails"),
        (policy(recommend="unclear"), "The records do not decide."),
        (
            policy(recommend="if_older", threshold_days=2191.5),
            "Replace the thermostat too when it is older than 6.0 years; a younger one stays in",
        ),
        (
            policy(kind="age", when="fuse", also=None, recommend="never"),
            "The records name no age to replace it at; the maker's instruction comes first",
        ),
        (
            policy(kind="age", recommend="if_older", threshold_days=1000),
            "Replace it when older than 2.7 years",
        ),
        (
            policy(kind="cleaning", when="", also=None, recommend="always", threshold_days=365),
            "Clean the full run at least every 365 days, sooner where the maker",
        ),
        (policy(kind="cleaning", recommend="unclear"), "do not give an interval"),
    ],
)
def test_each_recommendation_in_words(row, advice):
    assert advice in advice_rows([row], currency="USD")[0]["advice"]


def test_a_saving_is_never_without_its_interval():
    row = policy(recommend="always", saving_per_100_jobs=812.3, saving_ci=[310, 1290])
    said = advice_rows([row], currency="USD")[0]["doubt"]
    assert said == "Saves $812 ($310 to $1,290) per 100 jobs against leaving it in."


def test_a_safety_part_carries_its_caution_and_the_card_all_of_them():
    html = card_html([policy(recommend="always")], cautions())
    assert html.count('<section class="sheet"') == 1
    assert "same rating only, never bypass" in html
    for caution in cautions():
        assert caution.replace("'", "&#39;") in html


def test_a_partner_that_fails_unseen_is_tested_hot_and_the_cause_is_looked_for():
    row = policy(recommend="if_older", threshold_days=1461, followed=[{"action": "keep"}])
    said = advice_rows([row], currency="USD")[0]["advice"]
    assert "older than 4.0 years" in said
    assert "hot, not only cold" in said
    assert "Find the cause before you leave" in said
    assert "never just replaced" in said


def test_an_unclear_pair_carries_its_trial():
    trial = {"weeks": 30, "jobs": 200, "follow_days": 365, "even": "always", "odd": "keep"}
    said = advice_rows([policy(recommend="unclear", experiment=trial)], currency="USD")[0]["advice"]
    assert "30 weeks" in said
    assert said.index("Even job ids: Replace the thermostat too") < said.index("Odd job ids: Leave")


def test_what_is_left_alone_stands_together():
    rows = [policy(when="belt", also=other) for other in ("coil", "fuse")]
    rows += [
        policy(kind="age", when=part, also=None, recommend="never") for part in ("belt", "fuse")
    ]
    pair, age = advice_rows(rows, currency="USD")
    assert pair["when"] == "Other pairs"
    assert "test shows it bad: belt failed (coil, fuse)." in pair["advice"]
    assert age["when"] == "Belt, fuse still working"
    assert "no fuse is run beyond it" in age["advice"]
    assert pair["caution"] == "No fuse is left in beyond the maker's instruction."


@pytest.mark.parametrize("part", ["cutout", "thermostat", "fuse"])
def test_a_safety_part_is_neither_run_on_nor_replaced_without_its_cause(part):
    (age,) = advice_rows(
        [policy(kind="age", when=part, also=None, recommend="if_older", threshold_days=4000)],
        currency="USD",
    )
    assert "at the maker's age or sooner, never later" in age["advice"]
    assert "never just replaced: find the cause" in age["advice"]
    (pair,) = advice_rows([policy(when="belt", also=part)], currency="USD")
    assert f"No {part} is left in beyond the maker's instruction." in pair["caution"]
    assert "never just replaced" not in pair["advice"]  # nothing of it has tripped here


def test_the_cause_is_looked_for_though_no_pair_has_a_rule_of_its_own():
    rows = [policy(when=first, also="belt") for first in ("coil", "cutout", "fuse")]
    (entry,) = advice_rows(rows, currency="USD")
    assert "Find the cause before you leave" in entry["advice"]
    assert "A cutout that tripped is never just replaced." in entry["advice"]
    (entry,) = advice_rows([policy(when="coil", also="belt"), policy(when="belt", also="coil")],
                           currency="USD")  # fmt: skip
    assert "cause" not in entry["advice"] and "cause" not in entry


def test_an_empty_card_says_so():
    assert "support no advice" in card_html([], cautions())


def test_paper_must_be_known():
    with pytest.raises(InputError, match="paper must be one of a4, letter"):
        van_list_html([], "a3")
