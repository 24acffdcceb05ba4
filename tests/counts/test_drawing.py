"""What cannot be counted goes through units one by one: above so many, through some of them."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from click.testing import CliRunner

import failstats
from failstats.cli import cli
from failstats.counts.partitions import open_partitions
from failstats.warehouse.drawing import hash_below, share_drawn
from failstats.warehouse.session import Session, open_session

MOST = 400  # of the demo's units


def test_units_are_drawn_by_the_hash_of_their_ids(whole: Path) -> None:
    with open_session(whole, most_units=MOST) as session:
        everyone = session.run("stg_units")["unit_id"]
        below = hash_below(MOST / len(everyone))
        expected = [u for u in everyone if hashlib.md5(u.encode()).hexdigest() < below]
        some = session.some_units()
        assert sorted(some.run("stg_units")["unit_id"]) == sorted(expected)
        # binomial: five standard errors of the number drawn
        share = MOST / len(everyone)
        assert abs(len(expected) - MOST) < 5 * (MOST * (1 - share)) ** 0.5
        assert session.some_units() is some
        assert some.some_units() is some  # no fewer than these


def test_no_more_than_asked_for_are_all(whole: Path) -> None:
    for most in (0, 100_000):
        with open_session(whole, most_units=most) as session:
            assert session.some_units() is session
    assert share_drawn(5, 5) is None


def test_the_company_stays_what_it_is(whole: Path) -> None:
    """Which parts a family has and where the tenths of use lie is counted over all units."""
    with open_session(whole, most_units=MOST) as session:
        some = session.some_units()
        for fact in ("fact_family_parts", "fact_use_bounds"):
            pd.testing.assert_frame_equal(some.run(fact), session.run(fact))
        lives = some.run("fact_lives")
        assert set(lives["unit_id"]) <= set(some.run("stg_units")["unit_id"])
        assert 0 < len(lives) < len(session.run("fact_lives"))


@pytest.mark.parametrize("name", ["lives_hidden", "lives_rows", "pairs_index", "vents_rows"])
def test_the_same_units_are_drawn_from_partitions(name: str, whole: Path, parted: Path) -> None:
    given: dict[str, Any] = {"followed": ["contract"], "bracket": "stated_end"}
    pair = {"first": "cutout", "second": "thermostat"}
    given = {
        "lives_hidden": {**given, **pair, "births": ["known"]},
        "lives_rows": {**given, "part": "coil", "births": ["known"]},
        "pairs_index": pair,
        "vents_rows": {**given, "part": "coil"},
    }[name]
    with (
        open_session(whole, most_units=MOST) as one,
        open_partitions(parted, most_units=MOST) as many,
    ):
        expected, found = (s.some_units().run(name, **given) for s in (one, many))
    assert len(expected)
    if "life" in expected:
        expected, found = (
            f.assign(life=f.groupby(["unit_id", "life"]).ngroup()) for f in (expected, found)
        )
    pd.testing.assert_frame_equal(found, expected)


def test_an_answer_of_drawn_units_is_that_of_the_warehouse(
    whole: Path, parted: Path, differences: Any
) -> None:
    """Fewer are drawn than any one partition has."""
    with (
        failstats.open_warehouse(whole, most_units=MOST) as one,
        failstats.open_warehouse(parted, most_units=MOST) as many,
    ):
        fewest = min(many._session.map_units(_units, reading=("lives_roster",)))
        assert fewest > MOST
        expected, found = (records.lives("belt").to_dict() for records in (one, many))
    assert differences(expected["results"], found["results"]) == []
    assert expected["warnings"] == found["warnings"]


def _units(session: Session) -> int:
    return session.units()


def test_the_answer_says_so_and_counts_all(whole: Path) -> None:
    with (
        failstats.open_warehouse(whole, most_units=MOST) as few,
        failstats.open_warehouse(whole) as every,
    ):
        drawn, full = few.lives("belt"), every.lives("belt")
        [said] = [w.text for w in drawn.warnings if w.code == "units_drawn"]
        units = len(every._session.run("stg_units"))
        assert f"all {units:,} units" in said
        assert f"rests on {few._session.some_units().units():,} of them" in said
        assert not [w for w in full.warnings if w.code == "units_drawn"]
        # the curve and the law are counted over all units, either way
        for name in ("lives", "failures", "curve"):
            assert getattr(drawn.results[0], name) == getattr(full.results[0], name)


def test_a_drawn_estimate_is_that_of_all_units_within_its_doubt(whole: Path) -> None:
    """Log scale of the thermostat's life, which only the hidden state gives: the difference of a
    part and the whole has the variance of the part less that of the whole (Hausman 1978,
    Econometrica 46:1251, from memory); 3.5 of its errors are passed once in 2,000 times."""
    from failstats.answers.lives_selected import hidden_pair

    with (
        open_session(whole, most_units=1_200) as few,
        open_session(whole) as every,
    ):
        one, all_ = (hidden_pair(s, "cutout", "thermostat").fit for s in (few, every))
    assert one is not None
    assert all_ is not None
    at = all_.peak.at("hidden scale")
    variance = one.peak.covariance[at, at] - all_.peak.covariance[at, at]
    assert variance > 0
    assert abs(one.peak.theta[at] - all_.peak.theta[at]) < 3.5 * variance**0.5
    assert one.lives < all_.lives


def test_the_command_takes_it(whole: Path) -> None:
    run = CliRunner().invoke(
        cli, ["vents", "-w", str(whole), "-q", "--part", "coil", "--most-units", "700", "--json"]
    )
    assert run.exit_code == 0, run.output
    assert '"units_drawn"' in run.output
    refused = CliRunner().invoke(cli, ["vents", "-w", str(whole), "--most-units", "-1"])
    assert refused.exit_code != 0
    assert "--most-units" in refused.output
