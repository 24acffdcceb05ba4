"""The answer on vents: verdicts by rule, and what the demo's answer carries beside the ratio."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import failstats
from failstats.answers import vents_effects
from failstats.answers.vents_checks import within_unit
from failstats.answers.vents_models import adjusters, fit_ratios, indicators, second_opinion
from failstats.answers.vents_parts import control_of
from failstats.answers.vents_records import bands_of
from failstats.answers.vents_runs import run_lengths, runs_of_units
from failstats.answers.vents_sensitivity import WAYS
from failstats.answers.vents_shape import cumulative_neglect, dose_curve, dose_response
from failstats.answers.vents_verdict import Evidence, verdict
from failstats.demo import Demo
from failstats.estimate.hazard_model import cluster_robust, cox
from failstats.records import Records

FOOT = 0.3048
# The same sums in another order.
EXACT = 1e-9
Z = 1.959963984540054
FULL_RUN = 130.0  # demo_warehouse/costs.toml, cleaning.full_run


def evidence(**more: object) -> Evidence:
    usual = {
        "name": "coil", "when": "last cleaned over 24 months ago", "against": "a clean one",
        "ratio": 2.0, "ci": (1.5, 2.7), "error": 0.15, "calibrated": (1.3, 3.1),
        "controls": ("clean",), "cases": 70, "failures": 300,
    }  # fmt: skip
    return Evidence(**{**usual, **more})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("told", "word", "part_of_the_sentence"),
    [
        ({}, "shortens", "Yes for the coil"),
        ({"controls": ("control_too_small",)}, "shortens", "allowing for other causes, 1.30 to 3.10"),
        ({"ratio": 1.1, "ci": (0.9, 1.3), "error": 0.1}, "no_effect_larger_than", "larger than 1.30"),
        ({"ratio": 1.1, "ci": (0.9, 1.3), "error": 0.1, "controls": ("control_too_small",)},
         "no_effect_larger_than", "0.90 to 1.30; allowing for other causes, 1.30 to 3.10)"),
        ({"ratio": 0.6, "ci": (0.5, 0.8)}, "lengthens", "less often"),
        ({"cases": 4}, "not_enough_data", "too few failures"),
        ({"failures": 19}, "not_enough_data", "too few failures"),
        ({"ratio": 1.2, "ci": (0.5, 2.9), "error": 0.45}, "not_enough_data", "3 times as many"),
        ({"controls": ("clean", "confounding_remains")}, "cannot_be_trusted", "cannot reach differs"),
        ({"controls": ("confounding_remains",), "ratio": 1.1, "ci": (0.9, 1.3)}, "cannot_be_trusted",
         "something unrecorded"),
        ({"controls": ("control_too_small",), "calibrated": (0.9, 4.0)}, "cannot_be_trusted",
         "control is too small"),
        ({"controls": (), "calibrated": None}, "cannot_be_trusted", "no part that the vent cannot"),
        ({"future": "the next cleaning predicts"}, "cannot_be_trusted", "next cleaning predicts"),
        ({"agree": False}, "cannot_be_trusted", "Poisson model do not say the same"),
        ({"is_control": True, "controls": ("confounding_remains",)}, "shortens", "2.00 times"),
    ],
)  # fmt: skip
def test_verdict(told: dict[str, object], word: str, part_of_the_sentence: str) -> None:
    found, said = verdict(evidence(**told))
    assert found == word
    assert part_of_the_sentence in said


def control(logs: list[float], errors: list[float], shared: float = 0.0) -> SimpleNamespace:
    covariance = np.diag(np.square(errors)) + shared * (1 - np.eye(len(logs)))
    names = ["12_to_24", "over_24"][: len(logs)]
    return SimpleNamespace(
        names=names, log_ratio=np.array(logs), covariance=covariance,
        log_of=lambda n: logs[names.index(n)], error_of=lambda n: errors[names.index(n)],
    )  # fmt: skip


@pytest.mark.parametrize(
    ("logs", "errors", "word"),
    [
        ([0.0, 0.05], [0.05, 0.06], "clean"),  # both intervals within 0.8 to 1.25
        ([0.0, 0.0], [0.05, 0.2], "control_too_small"),
        # 2.1 errors off in one of two bands is no news: 4.4 < 5.99 (chi-square, 2 degrees)
        ([0.0, 0.42], [0.2, 0.2], "control_too_small"),
        ([0.0, 0.6], [0.2, 0.2], "confounding_remains"),
        ([0.42], [0.2], "confounding_remains"),  # alone it is: 4.4 > 3.84
        ([np.nan], [np.nan], "control_too_small"),
    ],
)
def test_control(logs: list[float], errors: list[float], word: str) -> None:
    assert control_of(control(logs, errors), ["12_to_24", "over_24"], 0.95) == word


def test_unbelievable_figures_are_said_with_the_reason() -> None:
    _, said = verdict(evidence(controls=("confounding_remains",)))
    assert "2.00 times (1.50 to 2.70)" in said
    assert "cannot be trusted because" in said


def rows(seed: int, n: int = 900) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    band = rng.choice(["under_12", "over_24", "unknown"], n, p=[0.6, 0.3, 0.1])
    start = rng.integers(0, 200, n)
    life = np.ceil(rng.exponential(400 / np.where(band == "over_24", 2.0, 1.0), n)).astype(int)
    stop = np.minimum(start + life, 700)
    return pd.DataFrame(
        {
            "unit_id": np.arange(n), "cluster_id": rng.integers(0, 300, n), "stratum": rng.choice(["a", "b"], n),
            "band": band, "loads_bin": rng.integers(0, 11, n), "van": rng.choice(["n", "s"], n),
            "start_days": start, "stop_days": stop, "failed": start + life <= 700,
        }
    )  # fmt: skip


def test_patterns_and_factors_are_the_model_written_out() -> None:
    """Against one pattern per row, every covariate a column: the same fit and robust errors."""
    frame = rows(1)
    found = fit_ratios(
        frame,
        exposure=indicators(frame["band"], reference="under_12", levels=["over_24", "unknown"]),
        others=adjusters(frame),
    )
    columns = [frame["band"] == b for b in ("over_24", "unknown")]
    columns += [frame["loads_bin"] == k for k in range(11) if k != 5] + [frame["van"] == "n"]
    if "van_s" in found.names:
        columns[-1] = frame["van"] == "s"
    episodes = {
        "start": frame["start_days"], "stop": frame["stop_days"], "failed": frame["failed"].astype(int),
        "pattern": np.arange(len(frame)), "stratum": (frame["stratum"] == "b").astype(int),
    }  # fmt: skip
    from failstats.counts.pattern_table import PatternTable

    plain = cox(
        PatternTable.from_episodes(**episodes), design=np.column_stack(columns).astype(float)
    )
    robust = cluster_robust(plain, cluster=frame["cluster_id"].to_numpy(), **episodes)
    assert found.log_ratio == pytest.approx(plain.coefficients, rel=EXACT, abs=EXACT)
    assert np.diag(found.covariance) == pytest.approx(np.diag(robust.covariance), rel=1e-7)
    assert second_opinion(found, 0.95).agrees("over_24")


def test_a_rare_van_joins_the_others() -> None:
    frame = rows(2)
    frame.loc[:3, "van"] = "rare"
    names = [name for factor in adjusters(frame) for name in factor.names]
    assert "van_rare" not in names
    assert len([name for name in names if name.startswith("van_")]) == 1


def test_dose_response_is_one_at_six_months_and_finds_a_rise() -> None:
    rng = np.random.default_rng(3)
    n = 4000
    place = rng.integers(0, 30, n)
    words = ["under_2", *(f"{a}_to_{a + 2}" for a in range(2, 60, 2))]
    life = np.ceil(rng.exponential(500 / np.exp(place / 30), n)).astype(int)
    frame = pd.DataFrame(
        {
            "cluster_id": np.arange(n), "stratum": "a", "band": np.array(words)[place],
            "start_days": 0, "stop_days": np.minimum(life, 600), "failed": life <= 600,
        }
    )  # fmt: skip
    curve = dose_curve(frame)
    assert curve is not None and curve.watched_months == 59.0
    points = {p["months"]: p for p in dose_response(curve, Z)}
    assert points[6.0]["hazard_ratio"] == 1.0
    assert points[6.0]["low"] == points[6.0]["high"] == 1.0
    # 24 months further on in thirtieths of a log unit per two months
    assert points[30.0]["low"] < np.exp(12 / 30) < points[30.0]["high"]
    assert points[54.0]["hazard_ratio"] > points[30.0]["hazard_ratio"] > 1
    # the level too: lives of 500 days, shorter by exp(months / 60)
    for months, rate in zip((8, 30), curve.rates([8 * 365 / 12, 30 * 365 / 12]), strict=True):
        told = np.exp((months - 1) / 60) / 500
        assert rate == pytest.approx(told, rel=1 / np.sqrt(n / 30))  # error of one band's lives
    assert dose_curve(frame[frame["band"] == "30_to_32"]) is None


def test_cumulative_neglect_per_year() -> None:
    rng = np.random.default_rng(4)
    n = 4000
    step = rng.integers(-1, 12, n)
    years = np.where(step > 0, (step + 0.5) * 91 / 365, 0)
    life = np.ceil(rng.exponential(500 / 1.4**years, n)).astype(int)
    frame = pd.DataFrame(
        {
            "cluster_id": np.arange(n), "stratum": "a", "step": step, "start_days": 0,
            "stop_days": np.minimum(life, 600), "failed": life <= 600,
        }
    )  # fmt: skip
    found = cumulative_neglect(frame, Z)
    assert found is not None
    assert found["ci"][0] < 1.4 < found["ci"][1]
    assert found["ci"][1] / found["ci"][0] < 1.3


def test_same_unit_needs_twenty_failures_of_both() -> None:
    frame = pd.DataFrame(
        {"is_part": [True] * 25 + [False] * 5, "band": "over_24", "part_age": 100.0,
         "control_age": 100.0, "cluster_id": range(30), "loads_bin": 5}
    )  # fmt: skip
    found = within_unit(frame, names=("over_24",))
    assert np.isnan(found.log_ratio["over_24"])
    assert found.failures == 25


def test_bands_and_their_refusals() -> None:
    assert bands_of((6, 18, 36)).rising == ("6_to_18", "18_to_36", "over_36")
    assert bands_of((6, 18)).days() == [183, 548]
    for bad in ((), (24, 12), (0, 12), (12, 12)):
        with pytest.raises(failstats.InputError, match="--cut must name rising months"):
            bands_of(bad)


def test_length_of_runs(company) -> None:  # type: ignore[no-untyped-def]
    """Worked runs of the residential code (2021 edition, M1502.4.6.1, seen in adopted state texts):
    24 ft, two mitred 90s and a mitred 45 are 36.5 ft, over 35 by 1.5; two 8-in 90s leave
    31 ft 10 in; the maker's own limit governs where given."""
    records = company(
        units="unit_id,family,duct_length,elbows_90,elbows_45,elbow_radius,duct_limit\n"
        "a,E1,24 ft,2,1,,\n"
        "b,E1,31 ft,2,0,8 in,\n"
        "c,E1,32 ft,2,0,8 in,\n"
        "d,E1,40 ft,0,0,,60 ft\n"
        "e,E1,,0,0,,\n"
        "f,E1,24 ft,0,0,5 in,",
        jobs="job_id,unit_id,visited_on\nj1,a,2016-01-01",
    )
    runs = run_lengths(records._session, "2021")
    units = runs_of_units(records._session, runs.known)
    words = dict(zip(units["unit_id"], units["length"], strict=True))
    assert words == {"a": "over_limit", "b": "within", "c": "over_limit", "d": "within",
                     "e": "unknown", "f": "within"}  # fmt: skip
    longest = {run["unit_id"]: run for run in runs.said["longest"]}
    assert longest["a"]["equivalent_m"] == pytest.approx(36.5 * FOOT, abs=1e-9)
    assert longest["a"]["excess_m"] == pytest.approx(1.5 * FOOT, abs=1e-9)
    assert (runs.said["over_limit"], runs.said["by_makers_limit"], runs.said["unknown"]) == (
        2,
        1,
        1,
    )
    assert runs.said["table"] == "M1502.4.6.1"
    assert runs.said["odd_radius_taken_as_mitred"] == 1
    assert "Jurisdictions differ" in runs.said["caution"]
    assert "booster fan" in runs.said["caution"]
    older = run_lengths(records._session, "2000")
    assert older.said["code_limit_m"] == pytest.approx(25 * FOOT)
    with pytest.raises(failstats.InputError, match="edition must be one of"):
        run_lengths(records._session, "1999")


def _row(made: Demo, part: str, contrast: str):  # type: ignore[no-untyped-def]
    found = [r for r in made.answers["vents"].results if (r.part, r.contrast) == (part, contrast)]
    assert len(found) == 1
    return found[0]


def test_demo_carries_what_a_hostile_reader_asks_for(made: Demo) -> None:
    answer = made.answers["vents"]
    coil = _row(made, "coil", "over_24_vs_under_12")
    assert coil.within_unit.ci[0] < 2.1 < coil.within_unit.ci[1]  # demo_warehouse/truth.toml
    assert coil.second_model.ci[0] < coil.hazard_ratio < coil.second_model.ci[1]
    assert coil.crude_hazard_ratio > coil.hazard_ratio
    assert coil.e_value > coil.e_value_limit > 1
    assert coil.detectable_hazard_ratio == pytest.approx(
        np.exp(2.80 * np.log(coil.ci[1] / coil.ci[0]) / (2 * Z))
    )
    assert coil.time_ratio_ci[0] < coil.time_ratio < coil.time_ratio_ci[1] < 1
    (piece,) = coil.cleanings_interval
    assert piece.low < coil.cleanings_per_failure_avoided < piece.high
    assert coil.money_per_failure_avoided == pytest.approx(
        FULL_RUN * coil.cleanings_per_failure_avoided
    )
    future = answer.summary["future_exposure"]["coil"]
    assert future["ci"][0] < 1 < future["ci"][1]
    assert not future["predicts"]


def test_demo_interval_through_zero_is_in_two_pieces(made: Demo) -> None:
    igniter = _row(made, "igniter", "over_24_vs_under_12")
    assert [p.kind for p in igniter.cleanings_interval] == ["benefit", "harm"]
    assert all(p.high is None for p in igniter.cleanings_interval)


def test_demo_length_has_no_effect_and_says_that_jurisdictions_differ(made: Demo) -> None:
    for part in ("coil", "igniter", "fuse", "door_switch"):
        row = _row(made, part, "over_limit_vs_within")
        assert row.exposure == "length"
        assert row.ci[0] < 1 < row.ci[1]
        assert "Jurisdictions differ" in row.verdict_text
    labels = set(made.answers["vents"].forest_table()["label"])
    assert {"coil: over 24 months ago", "coil: run over the limit"} <= labels


def test_demo_shows_other_choices_and_the_shape(made: Demo) -> None:
    answer = made.answers["vents"]
    ways = [s.way for s in answer.summary["sensitivity"] if s.part == "coil"]
    assert ways == list(WAYS)
    dose = answer.dose_table()
    late = dose[(dose["series"] == "coil") & (dose["months"] == 36)].iloc[0]
    assert 1 < late["low"] < 2.1 < late["high"]  # truth.toml: a step to 2.1 at 24 months
    curves = answer.curve_table().groupby("series")["survival"].min()
    assert curves["under 12 months ago"] > curves["over 24 months ago"]
    assert set(answer.length_table()["row"]) == {"run within the limit", "run over the limit"}
    assert "belt" in answer.summary["weaker_controls"]
    assert len(answer.chart().to_dict()["vconcat"]) == 4


def test_other_cut_points_change_the_bands_and_nothing_after(demo_records: Records) -> None:
    answer = demo_records.vents("igniter", cut=(6, 18))
    assert {r.contrast for r in answer.results} >= {"6_to_18_vs_under_6", "over_18_vs_under_6"}
    assert answer.settings["bands_days"] == [183, 548]
    found = set(demo_records.query("fact_neglect")["band"])
    assert found == {"under_12", "12_to_24", "over_24", "unknown"}


def test_no_ratio_where_no_vent_was_clean(company) -> None:
    """Without one recorded cleaning every vent is unknown or long neglected: nothing to compare."""
    units = ["unit_id,family,installed_on,enrolled_on"]
    jobs, lines = ["job_id,unit_id,visited_on"], ["job_id,part,finding,action"]
    for at in range(120):
        units.append(f"u{at},E1,2016-01-{1 + at % 28:02d},2016-01-{1 + at % 28:02d}")
        year, month = 2016 + at % 7, 1 + at % 12
        jobs.append(f"j{at},u{at},{year}-{month:02d}-28")
        lines.append(f"j{at},{'coil' if at % 2 else 'door_switch'},failed,replaced")
    records = company(units="\n".join(units), jobs="\n".join(jobs), lines="\n".join(lines))
    answer = records.vents("coil")
    assert {row.verdict for row in answer.results} == {"not_enough_data"}
    assert all(row.hazard_ratio is None for row in answer.results)
    assert "compare" in answer.results[0].verdict_text
    assert "cannot tell" in answer.headline()


def test_a_part_is_not_its_own_control(demo_records) -> None:
    with pytest.raises(failstats.InputError, match="another part, but coil"):
        demo_records.vents("coil", control="coil")


@pytest.mark.parametrize(
    ("told", "why"),
    [
        ({"cleanings": 0}, "no cleaning of the full run is recorded"),
        ({"followed": {"coil": ["contract", "call_out"]}}, "too few units are under contract"),
        ({"use_known": 0.49}, "loads a week are recorded for 49 % of the days"),
    ],
)
def test_neglect_is_not_believed_where_cleanings_contracts_or_use_are_missing(
    told: dict[str, object], why: str
) -> None:
    usual = {"bands": bands_of((12, 24)), "cleanings": 9, "followed": {"coil": ["contract"]}}
    second = SimpleNamespace(agrees=lambda _: True)
    said = []
    for more in ({}, told):
        found = SimpleNamespace(
            part="coil", predicts=None, cases={"over_24": 70}, failures=300, second=second,
            use_known=more.get("use_known", 0.5),
        )  # fmt: skip
        asked = SimpleNamespace(**{**usual, **more}, words=lambda _: ("clean",))
        said.append(
            vents_effects._verdict(
                asked, found, "over_24", 1.1, (0.9, 1.3), 0.1, (0.8, 1.5), "outcome"
            )  # fmt: skip
        )
    assert said[0][0] == "no_effect_larger_than"
    assert said[1][0] == "cannot_be_trusted"
    assert why in said[1][1]


def test_an_unknown_control_is_named_as_such(demo_records: Records) -> None:
    with pytest.raises(failstats.InputError, match="--control must name a part of the records"):
        demo_records.vents(part=["coil"], control=["no such part"])
