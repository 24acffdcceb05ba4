"""Dryers that differ, beyond what is known of them: Kendall's tau with covariates.

The confounder here is use: hard-used dryers break every part early, so parts of one dryer fail
early together although nothing else links them.
"""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from failstats.answers.pairs_known import cut_by_vents, known_columns
from failstats.counts.row_pass import HiddenRows
from failstats.errors import FitError, InputError
from failstats.estimate.dependence import dependence, frailty_beyond
from failstats.estimate.frailty_profile import shared_tau
from failstats.estimate.hidden_state import hidden_surface

sys.path.insert(0, str(Path(__file__).parents[1] / "simulation" / "pairs"))

EXACT = 1e-9  # the same terms added in another order
SLOPE = 1e-5  # of a slope differenced over 1e-5
#: 8 Gauss nodes of the frailty and 12 of the failure's day against a closed form (measured 2e-4).
NODES_OFF = 1e-3


def _visible(variance: float, by_use: float, seed: int, units: int = 1500) -> dict[str, np.ndarray]:
    """Belts and coils of units watched from installation for 2,000 days."""
    rng = np.random.default_rng(seed)
    weak = rng.gamma(1 / variance, variance, units) if variance else np.ones(units)
    use = rng.normal(size=units)
    life = np.array([
        scale * (rng.exponential(size=units) / weak / np.exp(by_use * use)) ** (1 / 1.5)
        for scale in (3000.0, 2500.0)
    ]).ravel()  # fmt: skip
    law = np.repeat(["belt", "coil"], units)
    x = np.column_stack([np.tile(use, 2) * (law == part) for part in ("belt", "coil")])
    return {"unit": np.tile(np.arange(units), 2), "law": law, "entry": np.zeros(2 * units),
            "exit": np.minimum(life, 2000.0), "failed": life < 2000.0, "covariates": x}  # fmt: skip


def _tau(rows: dict[str, np.ndarray], **more: object) -> tuple[float, float, float]:
    given = {name: held for name, held in rows.items() if name != "unit"} | more
    found = shared_tau(rows["unit"], **given)
    return (found.tau, *found.tau_interval())


def test_use_that_breaks_both_parts_is_no_frailty() -> None:
    """Told: variance 0. Crude, the interval excludes 0; with use allowed for it begins there."""
    rows = _visible(0.0, 0.7, 1)
    _, crude_low, _ = _tau(rows, covariates=None)
    _, low, high = _tau(rows)
    assert crude_low > 0.05
    assert low == 0.0
    assert high < 0.15


def test_a_known_tau_comes_back_beside_use() -> None:
    """Told: variance 0.8, tau 2/7; crude, use adds to it."""
    rows = _visible(0.8, 0.7, 2)
    _, crude_low, _ = _tau(rows, covariates=None)
    _, low, high = _tau(rows)
    assert low < 0.8 / 2.8 < high
    assert high - low < 0.2
    assert crude_low > 0.8 / 2.8


def test_lives_cut_in_pieces_are_the_same_lives() -> None:
    rows = _visible(0.5, 0.3, 3, units=200)
    cut = np.where(rows["exit"] > 700, 700.0, rows["exit"] / 2)
    pieces = {name: np.concatenate([held, held]) for name, held in rows.items()}
    pieces["entry"] = np.concatenate([rows["entry"], cut])
    pieces["exit"] = np.concatenate([cut, rows["exit"]])
    pieces["failed"] = np.concatenate([np.zeros(len(cut), bool), rows["failed"]])
    whole, again = (shared_tau(r.pop("unit"), **r, whole=True) for r in (dict(rows), dict(pieces)))
    plain = shared_tau(rows["unit"], **{k: v for k, v in rows.items() if k != "unit"})
    # climbs stop within 1e-4 of the height: theirs begin from other first guesses
    assert whole.heights == pytest.approx(plain.heights, rel=EXACT)
    assert again.tau == pytest.approx(whole.tau, abs=1e-3)
    given_survival = shared_tau(pieces.pop("unit"), **pieces)
    assert abs(given_survival.tau - whole.tau) > 0.01  # pieces taken for late joiners: wrong


# --- the part that fails unseen ---


def _company(units: int, seed: int, **told: float) -> HiddenRows:
    import pair_world

    truth = pair_world.PairTruth(units=units, **told)
    return pair_world.hidden_stretches(pair_world.simulate(truth, seed))


def test_use_behind_cutout_and_thermostat_is_no_frailty() -> None:
    """Told: no link and no frailty, hazards times e per standard deviation of recorded use."""
    rows = _company(1500, 3, by_use=1.0)
    crude = dependence(dataclasses.replace(rows, covariates=None))
    assert crude.tau_interval()[0] > 0.05
    beyond = frailty_beyond(rows)
    low, high = beyond.tau_interval()
    assert low == 0.0
    assert beyond.tau < crude.tau_interval()[0]
    assert high < 0.25


def test_a_known_tau_of_cutout_and_thermostat_comes_back_beside_use() -> None:
    """Told: frailty of variance 1, tau 1/3, beside use."""
    rows = _company(1500, 4, frailty=1.0, by_use=0.7)
    low, high = frailty_beyond(rows).tau_interval()
    assert 0 < low < 1 / 3 < high < 0.6


def test_without_covariates_it_is_the_plain_tau() -> None:
    rows = _company(700, 11, frailty=1.0)
    assert rows.covariates is None
    assert frailty_beyond(rows).tau == pytest.approx(dependence(rows).tau, abs=EXACT)


def test_too_little_found_is_refused() -> None:
    with pytest.raises(FitError, match="at least 5 of each"):
        frailty_beyond(_company(40, 1, by_use=0.5))


@pytest.mark.parametrize("variance", [0.0, 0.7])
def test_slopes_of_the_ratios_are_the_differenced_ones(variance: float) -> None:
    """In contract companies with visible failures enough for a law of their own."""
    rows = _company(300, 6, by_use=0.5, visible=10.0)
    surface = hidden_surface(rows, variance=variance, nodes=6)
    assert surface.names[5:] == ("visible shape", "visible scale", "own ratio 1", "hidden ratio 1")
    theta = np.array([0.3, 8.6, 0.5, 8.7, 1.1, 0.1, 9.0, 0.4, -0.3])
    _, slope = surface(theta)
    for j in range(theta.size):
        step = np.zeros(theta.size)
        step[j] = 1e-5
        want = (surface(theta + step)[0] - surface(theta - step)[0]) / 2e-5
        assert slope[j] == pytest.approx(want, rel=SLOPE, abs=1e-3)


def test_ratios_against_claytons_closed_form() -> None:
    """Margins .8 and .6, variance 2: jointly .547153 (policy.md, "Dependence and bias").

    One unit, watched 1,000 days, neither part failed; half of each cumulative hazard comes from
    the laws (exponential), the other half from ratios of 2. A hidden failure would show: the
    thermostat passed a perfect hot test at the end.
    """
    variance, days = 2.0, 1000.0
    total = [((1 / share) ** variance - 1) / variance for share in (0.8, 0.6)]
    rows = HiddenRows(
        life=[0], b_from=[0.0], b_to=[days], a_from=[0.0], a_failed=[False], hot_passed=[1],
        cold_passed=[0], found=[0], visible=[False], untested=[False], unit=[0], weight=[1.0],
        covariates=[[np.log(2.0)]],
    )  # fmt: skip
    surface = hidden_surface(rows, hot_sensitivity=1.0, variance=variance)
    own, hidden = (np.log(days / (h / 2)) for h in total)
    value, _ = surface(np.array([0.0, own, 0.0, hidden, 0.0, 1.0, 1.0]))
    assert np.exp(value) == pytest.approx(0.547153, abs=NODES_OFF)


def test_covariates_must_fit_the_rows() -> None:
    rows = _company(300, 1)
    with pytest.raises(InputError, match="one row per stretch"):
        dataclasses.replace(rows, covariates=np.zeros((3, 1)))
    with pytest.raises(InputError, match="finite"):
        dataclasses.replace(rows, covariates=np.full((rows.life.size, 1), np.nan))


# --- what is known, by rows ---


def _day(text: str) -> pd.Timestamp:
    return pd.Timestamp(text)


def _stretch(begin: str, end: str, b_from: int, a_from: float | None) -> dict[str, object]:
    days = (_day(end) - _day(begin)).days
    return {"life": 1, "unit_id": "u1", "span": 1, "from_on": _day(begin), "to_on": _day(end),
            "b_from": b_from, "b_to": b_from + days, "a_from": a_from, "a_failed": True,
            "visible": False, "untested": True, "hot_passed": 2, "cold_passed": 0,
            "found": 1}  # fmt: skip


def test_stretches_are_cut_where_the_vent_changes() -> None:
    """A band holds on the days from_day < day <= to_day; a cut on an end of a stretch is none."""
    stretches = pd.DataFrame([_stretch("2020-01-01", "2020-01-31", 100, 7.0),
                              _stretch("2020-01-31", "2020-02-20", 130, None)])  # fmt: skip
    neglect = pd.DataFrame(
        [("u1", 1, "under_12", _day("2019-06-01"), _day("2020-01-11")),
         ("u1", 1, "12_to_24", _day("2020-01-11"), _day("2020-01-31")),
         ("u1", 1, "over_24", _day("2020-01-31"), _day("2020-02-10")),
         ("u2", 1, "unknown", _day("2019-06-01"), _day("2020-05-01"))],
        columns=["unit_id", "span", "band", "from_day", "to_day"],
    )  # fmt: skip
    found = cut_by_vents(stretches, neglect)
    columns = ["b_from", "b_to", "a_from", "a_failed", "untested", "hot_passed", "found",
               "vent_state"]  # fmt: skip
    want = pd.DataFrame(
        [(100, 110, 7.0, False, False, 0, 0, "under_12"),
         (110, 130, 17.0, True, True, 2, 1, "12_to_24"),
         (130, 140, None, False, False, 0, 0, "over_24"),
         (140, 150, None, True, True, 2, 1, "unknown")],
        columns=columns,
    )  # fmt: skip
    pd.testing.assert_frame_equal(found[columns].reset_index(drop=True), want, check_dtype=False)


def test_no_vent_known_cuts_nothing() -> None:
    stretches = pd.DataFrame([_stretch("2020-01-01", "2020-01-31", 0, 0.0)])
    empty = pd.DataFrame({"unit_id": [], "span": [], "band": [],
                          "from_day": pd.to_datetime([]), "to_day": pd.to_datetime([])})  # fmt: skip
    found = cut_by_vents(stretches, empty.astype({"unit_id": object, "span": "int64"}))
    assert found["vent_state"].tolist() == ["unknown"]
    assert found["b_to"].tolist() == [30]


def _known(**columns: object) -> pd.DataFrame:
    plain = {"loads_per_week": 6.0, "family": "E1", "fuel": "electric", "run_length": "within",
             "vent_state": "under_12"}  # fmt: skip
    return pd.DataFrame({**plain, **columns}, index=range(40))


def test_levels_with_five_failures_of_both_parts_are_told_apart() -> None:
    state = ["under_12"] * 20 + ["over_24"] * 10 + ["12_to_24"] * 10
    frame = _known(vent_state=state)
    often = pd.Series([True, False] * 20)  # 5 in each of the short bands
    seldom = often.copy()
    seldom[39 - 1] = False  # 4 in the last
    columns, names = known_columns(frame, [often, often])
    assert list(columns) == ["vent_state 12_to_24", "vent_state over_24"]
    assert names == ["vent_state"]
    columns, _ = known_columns(frame, [often, seldom])
    assert list(columns) == ["vent_state over_24"]


def test_use_is_centred_and_unknown_use_is_a_level() -> None:
    often = pd.Series([True] * 40)
    loads = [3.0] * 15 + [12.0] * 15 + [None] * 10
    columns, names = known_columns(_known(loads_per_week=loads), [often, often])
    assert names == ["loads_per_week"]
    assert list(columns) == ["loads_per_week", "loads_per_week unknown"]
    assert columns["loads_per_week"].mean() == pytest.approx(0.0, abs=EXACT)
    gap = columns["loads_per_week"][15] - columns["loads_per_week"][0]
    assert gap == pytest.approx(np.log(4.0))
    mostly = [None] * 30 + [3.0, 6.0] * 5
    assert known_columns(_known(loads_per_week=mostly), [often, often])[1] == []


def test_fuel_counts_only_where_families_do_not_say_it() -> None:
    often, half = pd.Series([True] * 40), [True, False] * 20
    family = np.where(half, "E1", "G1")
    fuel = np.where(half, "electric", "gas")
    assert known_columns(_known(family=family, fuel=fuel), [often, often])[1] == ["family"]
    assert known_columns(_known(fuel=fuel), [often, often])[1] == ["fuel"]
    assert known_columns(_known(), [often, often])[1] == []
