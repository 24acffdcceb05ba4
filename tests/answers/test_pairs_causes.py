"""Causes and pairs, worked by hand on a few rows; follow-on as pure functions."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from failstats.answers.pairs_follow import _expected
from failstats.errors import InputError
from failstats.estimate.follow_on import cumulative_incidence, follow_on, propensity
from failstats.records import Records

UNITS = "unit_id,family,installed_on,enrolled_on\n" + "\n".join(
    f"u{k},E1,2016-01-01,2016-01-01" for k in range(1, 6)
)


@pytest.fixture
def five(company: Callable[..., Records]) -> Records:
    """Five no-heat calls: 2 coil, 1 cutout with thermostat, 1 cutout alone, 1 nothing found."""
    return company(
        units=UNITS,
        jobs="job_id,unit_id,visited_on,complaint\n"
        + "\n".join(f"j{k},u{k},2018-0{k}-01,no_heat" for k in range(1, 6)),
        lines="""job_id,part,finding,action,mode
            j1,coil,failed,replaced,open_circuit
            j2,coil,failed,replaced,short_to_case
            j3,cutout,failed,replaced,tripped
            j3,thermostat,failed,replaced,stuck_closed
            j4,cutout,failed,replaced,open_circuit
            j4,thermostat,working,replaced,
            j5,coil,working,kept,""",
    )


def test_shares_by_hand(five: Records) -> None:
    answer = five.causes("no_heat")
    by_part = {r["part"]: (r["episodes"], r["share"]) for r in answer.summary["parts"]}
    assert by_part == {
        "coil": (2, 0.4),
        "cutout": (2, 0.4),
        "thermostat": (1, 0.2),
        "no_fault_found": (1, 0.2),
    }
    modes = {(r.part, r.mode): r.episodes for r in answer.results}
    assert modes["coil", "open_circuit"] == modes["coil", "short_to_case"] == 1
    assert answer.summary["episodes"] == {"no_heat": 5}
    # Jeffreys interval of 2 of 5: quantiles of Beta(2.5, 3.5), SciPy 1.17
    from scipy.stats import beta

    row = next(r for r in answer.summary["parts"] if r["part"] == "coil")
    assert (row["low"], row["high"]) == pytest.approx(beta.ppf([0.025, 0.975], 2.5, 3.5), rel=1e-12)


def test_replaced_and_failed_together_are_kept_apart(five: Records) -> None:
    pair = next(r for r in five.pairs().results if (r.first, r.second) == ("cutout", "thermostat"))
    assert (pair.episodes_first, pair.episodes_both, pair.both_failed) == (2, 2, 1)
    assert pair.share == 1.0
    # four episodes in which anything failed or was replaced; thermostat replaced in 2, cutout in 2
    assert pair.lift == pytest.approx(2.0)
    assert pair.difference == [] and pair.follow_on == []


@pytest.mark.parametrize(("command", "options", "message"), [
    ("causes", {"complaint": "no_hope"}, "--complaint must be one of"),
    ("causes", {"by": "colour"}, "--by must be one of"),
    ("pairs", {"window": 0}, "--window must be a number of days above 0"),
    ("pairs", {"sensitivity": 0.9}, "belong together"),
    ("pairs", {"sensitivity": 0.2, "specificity": 0.2}, "must exceed 1.*add up to 0.4"),
    ("pairs", {"sensitivity": 1.2, "specificity": 0.9}, "between 0 and 1, but is 1.2"),
])  # fmt: skip
def test_wrong_words_are_named(
    five: Records, command: str, options: dict[str, object], message: str
) -> None:
    with pytest.raises(InputError, match=message) as caught:
        getattr(five, command)(**options)
    assert f"--{next(iter(options))}" in f"{caught.value.what} {caught.value.where}"
    assert caught.value.do


def test_cumulative_incidence_by_hand() -> None:
    # days 1 event, 2 competing, 3 event, 4 censored, 5 event: at risk 5, 4, 3, 2, 1
    found = cumulative_incidence([1, 2, 3, 4, 5], event=[1, 2, 1, 0, 1], windows=[1, 2, 3, 5])
    first = 1 / 5
    third = first + (4 / 5) * (3 / 4) * (1 / 3)
    fifth = third + (4 / 5) * (3 / 4) * (2 / 3) * 1
    assert found == pytest.approx([first, first, third, fifth], rel=1e-14)


def test_cumulative_incidence_weights_equal_repeated_rows() -> None:
    days, event = np.array([3, 8, 8, 20, 30]), np.array([1, 2, 1, 0, 1])
    weights = np.array([2, 1, 3, 1, 2])
    repeated = cumulative_incidence(
        np.repeat(days, weights), event=np.repeat(event, weights), windows=[10, 30]
    )
    assert cumulative_incidence(
        days, event=event, windows=[10, 30], weights=weights
    ) == pytest.approx(repeated, rel=1e-14)


def test_propensity_is_the_logistic_fit() -> None:
    from statsmodels.api import Logit, add_constant

    rng = np.random.default_rng(5)
    x = rng.normal(size=(400, 2))
    y = (rng.random(400) < 1 / (1 + np.exp(-(0.3 + x @ [0.8, -0.5])))).astype(float)
    theirs = Logit(y, add_constant(x)).fit(disp=False).predict()
    ridge = 1e-4  # ours carries a ridge of 1e-6 per row
    assert np.abs(propensity(x, treated=y) - theirs).max() < ridge


def test_weights_take_confounding_out() -> None:
    """Old partners are paired more often and fail more: crude is wrong, weighted right."""
    rng = np.random.default_rng(0)
    n = 6000
    old = rng.random(n) < 0.5
    both = rng.random(n) < np.where(old, 0.7, 0.3)
    risk = np.where(old, 0.4, 0.1) - 0.05 * both
    failed = rng.random(n) < risk
    days = np.where(failed, rng.integers(1, 300, n), 365)
    found = follow_on(
        days, event=failed.astype(int), both=both, cluster=np.arange(n), windows=[365],
        covariates=old.astype(float)[:, None], replicates=200, seed=4,
    )  # fmt: skip
    within = [
        failed[(old == o) & ~both].mean() - failed[(old == o) & both].mean() for o in (False, True)
    ]
    standardised = np.average(within, weights=[(~old).mean(), old.mean()])
    same = 1e-4  # the weights are cut at 1 and 99 per cent and carry a tiny ridge
    assert found.weighted_difference()[0] == pytest.approx(standardised, abs=same)
    low, high = found.weighted_interval()
    assert low[0] <= 0.05 <= high[0]
    assert found.interval()[1][0] < 0.05  # the crude difference even has the wrong sign
    assert found.overlap == 1.0


def test_without_overlap_no_weighted_difference() -> None:
    both = np.repeat([True, False], 50)
    found = follow_on(
        np.full(100, 50), event=np.tile([1, 0], 50), both=both, cluster=np.arange(100), windows=[365],
        covariates=both.astype(float)[:, None], replicates=20, seed=4,
    )  # fmt: skip
    assert found.weighted_difference() is None and found.overlap == 0.0


def test_both_ways_must_have_been_taken() -> None:
    with pytest.raises(InputError, match="always replaced"):
        follow_on([1, 2], event=[1, 0], both=[True, True], cluster=[1, 2], windows=[30])


def test_short_records_are_looked_at_as_far_as_they_reach(company: Callable[..., Records]) -> None:
    """Nobody asked for a year; two hundred days of records give 30 and 90."""
    records = company(
        units="unit_id,family,installed_on\nu1,E1,2016-01-01",
        jobs="job_id,unit_id,visited_on,complaint\nj1,u1,2020-03-01,no_heat",
        lines="job_id,part,finding,action\nj1,coil,failed,replaced",
        span=("2020-01-01", "2020-07-19"),
    )
    assert records.pairs().settings["windows_days"] == [30, 90]
    with pytest.raises(InputError, match="within the 200 days of the records"):
        records.pairs(window=[365])


def _always(company: Callable[..., Records], units: int) -> Records:
    """Every cutout goes with its thermostat, which works."""
    return company(
        units="unit_id,family,installed_on,enrolled_on\n"
        + "\n".join(f"u{k},E1,2016-01-01,2016-01-01" for k in range(units)),
        jobs="job_id,unit_id,visited_on,complaint\n"
        + "\n".join(f"j{k},u{k},2018-01-01,no_heat" for k in range(units)),
        lines="job_id,part,finding,action,test\n"
        + "\n".join(
            f"j{k},cutout,failed,replaced,visual\nj{k},thermostat,working,replaced,hot_cycle"
            for k in range(units)
        ),
    )


def test_a_pair_never_replaced_alone_is_said_so(company: Callable[..., Records]) -> None:
    """Sixty times both is often; what is missing is a cutout replaced alone."""
    answer = _always(company, 60).pairs()
    assert [(p.first, p.episodes_both) for p in answer.results] == [
        ("cutout", 60),
        ("thermostat", 60),
    ]
    assert all(p.difference == [] for p in answer.results)
    assert answer.headline() == (
        "For no pair of parts are there 20 jobs with the partner kept and as many with both "
        "replaced (jobs that found the partner failed do not count): what pairing changes cannot "
        "be said."
    )
    assert answer.failed_line() == "No two parts were found failed on the same call."
    assert answer.curve_chart() is None


@pytest.mark.parametrize("tables", [
    {"units": "unit_id,family\nu1,E1"},
    {"units": "unit_id,family\nu1,E1", "jobs": "job_id,unit_id,visited_on\nj1,u1,2018-01-01"},
])  # fmt: skip
def test_nearly_empty_records_are_no_fault(
    company: Callable[..., Records], tables: dict[str, str]
) -> None:
    records = company(**tables)
    found, together = records.causes(), records.pairs()
    said = f"{found}\n{together}"
    assert "(no rows)" not in said
    assert together.results == ()
    for answer in (found, together):
        assert answer.to_dict()["command"] == answer.command
        for name in ("chart", "complaint_chart", "readings_chart", "failed_chart", "curve_chart"):
            assert not hasattr(answer, name) or getattr(answer, name)() is None or found.results
    if "jobs" in tables:
        assert found.headline().startswith(
            "Where no complaint is recorded (1 fault): no fault found 100 %"
        )
    else:
        assert found.headline() == "No call-out with a complaint is in the records."


def test_two_positions_of_a_part_are_one_fault(company: Callable[..., Records]) -> None:
    records = company(
        units="unit_id,family\nu1,G1",
        jobs="job_id,unit_id,visited_on,complaint\nj1,u1,2018-01-01,no_heat",
        lines="job_id,part,position,finding,action\n"
        "j1,gas_valve,1,failed,replaced\nj1,gas_valve,2,failed,replaced",
    )
    (row,) = records.causes().summary["parts"]
    assert (row["part"], row["episodes"], row["unit_count"], row["share"]) == ("gas_valve", 1, 1, 1)


def test_units_of_a_part_are_counted_once(five: Records) -> None:
    """By hand: cutouts failed on j3 and j4, of two units; the modes together."""
    units = {r["part"]: r["unit_count"] for r in five.causes("no_heat").summary["parts"]}
    assert units == {"coil": 2, "cutout": 2, "thermostat": 1, "no_fault_found": 1}
    assert list(five.causes("no_heat").complaint_table()["unit_count"]) == [2, 2, 1, 1]


def test_lines_beside_the_pictures_say_what_they_show(five: Records) -> None:
    assert five.causes("no_heat").complaint_line() == "Most often: no heat, coil (40 %)."
    assert five.pairs().failed_line() == (
        "Most often: of 2 calls with a failed cutout, 50 % had the thermostat found failed too; if "
        "all partners that no test vouches for were bad, 100 %."
    )


def test_a_break_seen_on_two_visits_is_one_break(company: Callable[..., Records]) -> None:
    """The coil was not on the van: j1 and j2 are one failure, and the last look holds; j3 is
    another. By hand: terminal 2, support 0."""
    records = company(
        units="unit_id,family\nu1,E1",
        jobs="""job_id,unit_id,visited_on,complaint,completed,continues
            j1,u1,2018-01-01,no_heat,no,
            j2,u1,2018-01-08,no_heat,yes,j1
            j3,u1,2020-01-01,no_heat,yes,""",
        lines="""job_id,part,finding,action,mode,broke_at
            j1,coil,failed,kept,open_circuit,support
            j2,coil,failed,replaced,open_circuit,terminal
            j3,coil,failed,replaced,open_circuit,terminal""",
    )
    rows = records.query("causes_break_sites")
    assert rows.to_dict("records") == [{"part": "coil", "site": "terminal", "failures": 2}]


@pytest.fixture
def told(company: Callable[..., Records]) -> Callable[..., Records]:
    """u1 is under contract from 2018-06-01; u2 calls; u3 is gas and calls."""

    def build(**options: object) -> Records:
        return company(
            units="""unit_id,family,fuel,installed_on,enrolled_on
                u1,E1,electric,2016-01-01,2018-06-01
                u2,E1,electric,2016-01-01,
                u3,G1,gas,2016-01-01,""",
            jobs="""job_id,unit_id,visited_on,complaint
                j1,u1,2018-04-15,no_heat
                j2,u1,2018-12-31,no_heat
                j3,u1,2019-01-01,no_heat
                j4,u2,2019-02-01,no_heat
                j5,u3,2019-03-01,no_heat""",
            lines="""job_id,part,finding,action,mode,reading,broke_at
                j1,coil,failed,replaced,open_circuit,OL,support
                j2,coil,failed,replaced,open_circuit,OL,terminal
                j3,coil,failed,replaced,short_to_case,OL,terminal
                j4,coil,failed,replaced,open_circuit,OL,middle
                j4,cutout,failed,replaced,open_circuit,OL,
                j5,igniter,failed,replaced,broken,45 ohm,""",
            options=options,
        )

    return build


@pytest.mark.parametrize(("options", "faults", "coils", "breaks"), [
    ({}, 5, 4, 4),
    ({"since": "2019-01-01"}, 3, 2, 2),  # j3 on the first day, j2 the day before
    ({"contract_only": True}, 2, 2, 2),  # j1 is before the contract
    ({"contract_only": True, "since": "2019-01-01"}, 1, 1, 1),
    ({"fuels": ["gas"]}, 1, 0, 0),
    ({"families": ["E1"], "since": "2019-01-15"}, 1, 1, 1),
])  # fmt: skip
def test_what_is_left_out_is_left_out_of_every_count(
    told: Callable[..., Records], options: dict[str, object], faults: int, coils: int, breaks: int
) -> None:
    """Shares, sets, readings, break sites, pairs and rules: all of them among the same calls."""
    records = told(**options)
    answer = records.causes()
    assert answer.summary["episodes"] == {"no_heat": faults}
    by_part = {r["part"]: r["episodes"] for r in answer.summary["parts"]}
    assert by_part.get("coil", 0) == coils
    assert sum(r.episodes for r in answer.results if r.part == "coil") == coils
    assert sum(s["episodes"] for s in answer.summary["sets"]) == faults
    readings = {r["part"]: r["readings"] for r in answer.summary["readings"]}
    assert readings.get("coil", 0) == coils
    assert sum(records.query("causes_break_sites")["failures"]) == breaks
    together = records.query("pairs_together")
    pair = together[(together["first"] == "coil") & (together["second"] == "cutout")]
    assert pair["episodes_first"].sum() == (coils if "cutout" in by_part else 0)
    failed = records.query("pairs_failed")
    mine = failed[(failed["first"] == "coil") & (failed["second"] == "cutout")]
    assert mine["first_failed"].sum() == (coils if "cutout" in by_part else 0)
    modes = records.query("rules_modes", part="coil", modes=["open_circuit"]).iloc[0]
    assert modes["episodes"] == coils
    ohms = records.query("rules_readings", part="igniter", low=0.0, high=100.0).iloc[0]
    assert ohms["readings"] == 0  # found failed: not a working reading


def _thirty_passed(company: Callable[..., Records], enrolled_on: str) -> Records:
    """Thirty cutouts passed cold beside a coil that failed, and none failed within the year."""
    count = 30
    return company(
        units="unit_id,family,installed_on,enrolled_on\n"
        + "\n".join(f"u{k},E1,2016-01-01,{enrolled_on}" for k in range(count + 3)),
        jobs="job_id,unit_id,visited_on,complaint\n"
        + "\n".join(f"j{k},u{k},2018-01-01,no_heat" for k in range(count))
        + f"\nk0,u{count},2017-01-01,no_heat\nk1,u{count},2022-01-01,no_heat",
        lines="job_id,part,finding,action,test\n"
        + "\n".join(
            f"j{k},cutout,working,kept,cold_continuity\nj{k},coil,failed,replaced,cold_continuity"
            for k in range(count)
        )
        + "\nk0,cutout,failed,replaced,cold_continuity\nk1,cutout,failed,replaced,visual",
    )


def test_where_nobody_watched_the_usual_wear_it_is_unknown(
    company: Callable[..., Records],
) -> None:
    """Call-out units alone: no first-fitted part was watched, so nothing is beyond the usual."""
    answer = _thirty_passed(company, "").pairs()
    rows = [m for p in answer.results for m in p.missed_by_test]
    assert rows
    assert all(m.usual_share is None and m.beyond is None for m in rows)
    assert all(m.beyond_ci == (None, None) for m in rows)
    assert "Usual unknown: too few first-fitted parts were watched at those ages." in str(answer)


def test_a_test_that_nobody_saw_fail_is_not_shown_better_than_chance(
    company: Callable[..., Records],
) -> None:
    """Thirty passed and none failed within the year: resamples of 0 would give 0 to 0; Wilson's
    upper limit of 0 of 30 is 0.1135 (z 1.96; z^2 / (30 + z^2) by hand)."""
    answer = _thirty_passed(company, "2016-01-01").pairs()
    missed = answer.missed_table()
    row = missed[(missed["part"] == "cutout") & (missed["test"] == "cold_continuity")].iloc[0]
    assert (row["failed_within"], row["share"], row["low"]) == (0, 0.0, 0.0)
    assert row["high"] == pytest.approx(1.959964**2 / (row["kept"] + 1.959964**2), abs=1e-4)
    assert row["beyond_low"] <= row["beyond"] <= 0 < row["beyond_high"]


def test_words_of_a_complaint_and_of_none(company: Callable[..., Records]) -> None:
    """What the program prints can be typed; calls without a complaint come last and are so named."""
    tables = {
        "units": "unit_id,family,installed_on,enrolled_on\nu1,E1,2016-01-01,2016-01-01",
        "jobs": "job_id,unit_id,visited_on,complaint\nj1,u1,2018-01-01,\nj2,u1,2019-01-01,",
        "lines": "job_id,part,finding,action\nj1,igniter,failed,replaced",
    }
    none = company(**tables).causes().headline()
    assert none.startswith("Where no complaint is recorded (2 faults): ")
    tables["jobs"] += "\nj3,u1,2020-01-01,no_heat"
    tables["lines"] += "\nj3,coil,failed,replaced"
    records = company(**tables)
    assert records.causes("No heat").settings["complaint"] == "no_heat"
    answer = records.causes()
    assert answer.headline().startswith("Behind no heat (1 fault): coil 100 %")
    assert [r["complaint"] for r in answer.summary["parts"]][0] == "no_heat"


def test_no_effect_is_claimed_where_units_that_differ_were_not_compared() -> None:
    """A hidden-state fit without its rival stands under "if"."""
    from types import SimpleNamespace

    from failstats.answers.pairs_text import _chance, _hidden, _odds

    hidden = SimpleNamespace(
        multiplier=20.0,
        multiplier_ci=(9.0, 40.0),
        life=SimpleNamespace(scale_days=5000.0),
        scale_ci=(4000.0, 7000.0),
        induced_share=0.4,
        bracket=[],
    )
    pair = SimpleNamespace(first="cutout", second="thermostat", dependence=None)
    said = _hidden(pair, hidden)  # type: ignore[arg-type]
    assert said.startswith("If hidden failures were behind it")
    assert said.endswith("no effect of the one on the other is claimed.")
    assert (_chance(0.0), _chance(0.0012)) == ("under 1e-300", "0.0012")
    assert (_odds(0.0123), _odds(16.02), _odds(0.0)) == ("0.01", "16.0", "0.0")


def test_a_visit_before_the_installation_tells_no_age() -> None:
    """Its age is negative: taken as not known, as a blank is, and no error of the arithmetic."""
    jobs = {"followed_days": [100, 200], "partner_age_days": [None, 30.0], "family": ["E1", "E1"]}
    blank, before = (
        _expected(
            pd.DataFrame(jobs | {"unit_age_days": [age, 500.0]}).astype(
                {"partner_age_days": float}
            ),
            "cutout",
            "thermostat",
            90,
            {},
        )
        for age in (float("nan"), -5.0)
    )
    assert before == blank
    assert before.days == 2 * 180  # both parts of both jobs
