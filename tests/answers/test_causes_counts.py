"""Causes beyond shares: sets, readings with drift, break sites, shares given a reading, trend."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats

from failstats.answers.causes_counts import FEWEST_ALIKE, reading_class
from failstats.demo import Demo
from failstats.errors import InputError
from failstats.estimate.share_trend import share_trend, uniform_p_value
from failstats.records import Records

EXACT = 1e-12


# --- estimates ---------------------------------------------------------------------------------


def test_trend_is_r_s_printed_example() -> None:
    """R help(prop.trend.test), smokers (Fleiss 1981): X-squared = 8.2249, p = 0.004132; the printed
    values from memory, the closed form below independent of them."""
    count, of = np.array([83, 90, 129, 70]), np.array([86, 93, 136, 82])
    found = share_trend(count, of=of, time=[1, 2, 3, 4])
    assert f"{found.statistic:.4f}" == "8.2249"
    assert f"{found.p_value:.6f}" == "0.004132"
    # the square of the correlation between time and outcome over all calls, times their number
    time = np.repeat([1, 2, 3, 4], of)
    outcome = np.concatenate([np.arange(n) < c for c, n in zip(count, of, strict=True)])
    r = np.corrcoef(time, outcome)[0, 1]
    assert found.statistic == pytest.approx(of.sum() * r**2, rel=1e-10)
    assert found.slope == pytest.approx(np.polyfit(time, outcome, 1)[0], rel=1e-9)


def test_trend_edges() -> None:
    assert np.isnan(share_trend([0, 0], of=[5, 5], time=[1, 2]).p_value)
    assert np.isnan(share_trend([1, 2], of=[5, 5], time=[1, 1]).p_value)
    rising = share_trend([1, 5, 9], of=[10, 10, 10], time=[0.0, 1.0, 2.0])
    assert rising.slope == pytest.approx(0.4, rel=EXACT)  # 0.1, 0.5, 0.9: by hand
    stretched = share_trend([1, 5, 9], of=[10, 10, 10], time=[0.0, 365.25, 730.5])
    assert stretched.slope * 365.25 == pytest.approx(rising.slope, rel=EXACT)
    assert stretched.p_value == pytest.approx(rising.p_value, rel=EXACT)
    with pytest.raises(InputError, match="between 0 and the calls"):
        share_trend([6], of=[5], time=[1])


def test_sites_against_uniform() -> None:
    assert uniform_p_value([10, 20, 30]) == pytest.approx(
        float(stats.chisquare([10, 20, 30]).pvalue), rel=EXACT
    )
    assert uniform_p_value([4]) is None
    # three breaks, all at one of three sites: 3 of 27 ways are as uneven, by hand
    drawn = uniform_p_value([3, 0, 0], seed=1)
    assert drawn == pytest.approx(3 / 27, abs=4 * np.sqrt(3 / 27 * 24 / 27 / 10_000))


@pytest.mark.parametrize(("value", "word"), [
    ("OL", "open"), ("0.4", "under_1_ohm"), ("0,9 Ω", "under_1_ohm"), ("1 ohm", "1_to_8_ohm"),
    ("7.99", "1_to_8_ohm"), ("8 ohm", "8_to_15_ohm"), ("15 ohm", "8_to_15_ohm"),
    ("15.01", "over_15_ohm"), ("1.2 kΩ", "over_15_ohm"),
])  # fmt: skip
def test_class_of_a_reading(value: str, word: str) -> None:
    assert reading_class(value, "coil") == word


# --- records -----------------------------------------------------------------------------------


def _calls(count: int) -> dict[str, str]:
    """No-heat calls: of those with a good coil, three in four have a bad cutout."""
    units = "unit_id,family,installed_on,enrolled_on\n"
    jobs, lines = (
        "job_id,unit_id,visited_on,complaint\n",
        "job_id,part,finding,action,mode,reading,broke_at\n",
    )
    for k in range(count):
        units += f"u{k},E1,2016-01-01,2016-01-01\n"
        jobs += f"j{k},u{k},{2017 + k % 4}-0{1 + k % 9}-01,no_heat\n"
        if k % 5 == 0:
            lines += (
                f"j{k},coil,failed,replaced,open_circuit,OL,{'terminal' if k % 2 else 'middle'}\n"
            )
        else:
            lines += f"j{k},coil,working,kept,,{9.9 + 0.1 * (k % 4)} ohm,\n"
            if k % 4:
                lines += f"j{k},cutout,failed,replaced,tripped,OL,\n"
    return {"units": units, "jobs": jobs, "lines": lines}


def test_given_a_reading_only_calls_that_read_alike_count(company: Callable[..., Records]) -> None:
    records = company(**_calls(80))
    found = records.causes("no_heat", reading={"coil": "10 ohm"}).summary["given_reading"]
    shares = {row["part"]: (row["episodes"], row["of"]) for row in found}
    # 64 of 80 coils are good; of these k = 4, 8, 12, 16 (mod 20) have nothing found: 16 calls
    assert shares == {"cutout": (48, 64), "no_fault_found": (16, 64)}
    low, high = next(row["ci"] for row in found if row["part"] == "cutout")
    assert (low, high) == pytest.approx(stats.beta.ppf([0.025, 0.975], 48.5, 16.5), rel=EXACT)
    open_coil = records.causes(reading={"coil": "OL"}).summary["given_reading"]
    assert [(row["part"], row["episodes"], row["of"]) for row in open_coil] == [("coil", 16, 16)]
    both = records.causes(reading={"coil": "10 ohm", "cutout": "OL"}).summary["given_reading"]
    assert [(row["part"], row["episodes"], row["of"]) for row in both] == [("cutout", 48, 48)]
    text = str(records.causes("no_heat", reading={"coil": "10 ohm"}))
    assert "48 of 64" in text
    assert "no diagnosis of the dryer in front of you" in " ".join(text.split())


def test_too_few_that_read_alike_are_not_shown(company: Callable[..., Records]) -> None:
    records = company(**_calls(5 * (FEWEST_ALIKE - 1)))
    answer = records.causes(reading={"coil": "OL"})
    assert answer.summary["given_reading"] == []
    assert "Too few past calls" in str(answer)
    with pytest.raises(InputError, match="must name a part"):
        records.causes(reading={"toaster": "OL"})
    with pytest.raises(InputError, match="must be a resistance"):
        records.causes(reading={"coil": "160 °C"})


def test_readings_drift_and_sites_of_the_records(company: Callable[..., Records]) -> None:
    records = company(**_calls(80))
    summary = records.causes().summary
    rows = {(r["part"], r["finding"]): r for r in summary["readings"]}
    coil = rows["coil", "working"]
    assert (coil["readings"], coil["open_circuit"]) == (64, 0)
    # the reading grows by 0.1 with every year of k % 4, and so does the coil's age
    assert coil["drift_ohm_per_year"] == pytest.approx(0.1, rel=0.05)  # months shift ages a little
    assert coil["drift_ci"][0] > 0
    assert rows["coil", "failed"]["open_circuit"] == 16
    assert rows["coil", "failed"]["ohm_median"] is None
    sites = next(s for s in summary["break_sites"] if s["part"] == "coil")
    assert {s["site"]: s["failures"] for s in sites["sites"]} == {"middle": 8, "terminal": 8}
    assert sites["uniform_p_value"] == 1.0
    assert sum(s["episodes"] for s in summary["sets"]) == 80


# --- the demo's truth --------------------------------------------------------------------------


def test_the_demo_measures_and_breaks_as_it_was_told(made: Demo) -> None:
    """A working 240 V coil near 10 ohm, closed switches under 1 ohm (common practice, no source);
    coils break at the terminal in 34 of 100 cases (the generator's BREAK_SHARES)."""
    summary = made.answers["causes"].summary
    rows = {(r["part"], r["finding"]): r for r in summary["readings"]}
    assert rows["coil", "working"]["ohm_median"] == pytest.approx(
        10.0, abs=0.05
    )  # readings are written in tenths of an ohm
    assert rows["cutout", "working"]["ohm_p95"] < 1
    for (_, finding), row in rows.items():
        low_high = row["drift_ci"]
        if finding == "working" and low_high is not None:
            assert low_high[0] < 0.01  # nothing drifts in the generator
            assert low_high[1] > -0.01
    coil = next(s for s in summary["break_sites"] if s["part"] == "coil")
    terminal = next(s for s in coil["sites"] if s["site"] == "terminal")
    assert terminal["ci"][0] < 0.34 < terminal["ci"][1]
    assert coil["uniform_p_value"] < 1e-6
    assert not [row for row in summary["trend"] if row["q_value"] < 0.05]  # none was told


def test_charts_of_causes_have_data_and_words(made: Demo) -> None:
    answer = made.answers["causes"]
    for name in ("chart", "complaint_chart", "readings_chart"):
        spec = getattr(answer, name)().to_dict()
        assert spec["description"]
    assert "so far" in answer.chart().to_dict()["description"]
