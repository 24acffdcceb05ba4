"""Hidden state: closed forms, slopes, the truth of one company, and what is refused."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "simulation" / "selection"))

import hidden_world
from scipy.integrate import quad
from scipy.stats import gamma

from failstats.counts.row_pass import HiddenRows
from failstats.errors import FitError, InputError
from failstats.estimate import hidden_likelihood
from failstats.estimate.hidden_frailty import FrailHiddenSurface
from failstats.estimate.hidden_state import hidden_state_fit, hidden_surface

YEAR = 365.25
A, B, KAPPA = 1 / 4000, 1 / 3000, 20.0
THETA = np.array([0.0, np.log(4000.0), 0.0, np.log(3000.0), np.log(KAPPA)])
# 12 nodes against the closed form over one stretch of 1,000 days
NODES_AGREE = 1e-9
# central differences with step 1e-5 of a value of size 1e4
SLOPE = 2e-5
# 8 Gauss nodes of the frailty against 24, two lives of one unit (measured 2.6e-4)
FRAILTY_NODES_AGREE = 1e-3
# one company of 2,500 units, 80 found: about 3 standard errors
ONE_COMPANY = {"multiplier": 0.45, "hidden scale": 0.35, "own scale": 0.25}
# clustered and profile intervals estimate one width where units are alike; of 80 finds the
# clustered one errs by 1 / sqrt(160) = 8 % (three of these; measured 4 %)
WIDTHS_AGREE = 0.24
SURE = 0.999  # one company is no test of coverage; beyond this something is wrong


def _rows(*stretches: dict[str, object], weight: float = 1.0) -> HiddenRows:
    """One life of B from the stretches given; what is not said is nothing."""
    nothing: dict[str, object] = {
        "a_failed": False, "hot_passed": 0, "cold_passed": 0, "found": 0, "visible": False,
        "untested": False,
    }  # fmt: skip
    full = [nothing | one for one in stretches]
    return HiddenRows(
        life=np.zeros(len(full), int),
        **{name: np.array([one[name] for one in full]) for name in full[0]},
        unit=[0], weight=[weight],
    )  # fmt: skip


def _stretch(b_from: float, b_to: float, a_from: float = 0.0, **more: object) -> dict[str, object]:
    return {"b_from": b_from, "b_to": b_to, "a_from": a_from, **more}


def _turning(t: float) -> float:
    """Integral over B's failure in (0, t) with A quiet: B exp(-(A+B)u) exp(-kappa A (t-u))."""
    gap = A + B - KAPPA * A
    return B * np.exp(-KAPPA * A * t) * -np.expm1(-gap * t) / gap


def test_a_quiet_life_has_a_closed_form() -> None:
    t = 1000.0
    value, _ = hidden_surface(_rows(_stretch(0, t)))(THETA)
    expected = np.log(np.exp(-(A + B) * t) + _turning(t))
    assert value == pytest.approx(expected, abs=NODES_AGREE)


def test_a_failure_of_the_partner_and_a_hot_find() -> None:
    t = 1000.0
    rows = _rows(_stretch(0, t, a_failed=True, found=1))
    value, _ = hidden_surface(rows, hot_sensitivity=0.9)(THETA)
    assert value == pytest.approx(np.log(_turning(t) * KAPPA * A * 0.9), abs=NODES_AGREE)


def test_a_hot_pass_makes_bad_unlikely() -> None:
    t = 1000.0
    rows = _rows(_stretch(0, t, hot_passed=1))
    value, _ = hidden_surface(rows, hot_sensitivity=0.9)(THETA)
    expected = np.log(np.exp(-(A + B) * t) + 0.1 * _turning(t))
    assert value == pytest.approx(expected, abs=NODES_AGREE)


def test_a_cold_pass_proves_nothing() -> None:
    plain = hidden_surface(_rows(_stretch(0, 1000.0)))(THETA)[0]
    passed = _rows(_stretch(0, 1000.0, cold_passed=3))
    assert hidden_surface(passed)(THETA)[0] == plain
    assert hidden_surface(passed, cold_sensitivity=0.5)(THETA)[0] < plain


def test_untested_is_nothing_or_a_hot_pass() -> None:
    asked = _rows(_stretch(0, 1000.0, untested=True))
    plain = hidden_surface(_rows(_stretch(0, 1000.0)))(THETA)[0]
    passed = hidden_surface(_rows(_stretch(0, 1000.0, hot_passed=1)))(THETA)[0]
    assert hidden_surface(asked)(THETA)[0] == plain
    assert hidden_surface(asked, untested="passed")(THETA)[0] == passed


def test_a_cut_without_an_event_changes_nothing() -> None:
    theta = np.array([0.3, np.log(4000.0), 0.5, np.log(3000.0), np.log(KAPPA)])
    whole = _rows(_stretch(0, 1000.0, a_failed=True))
    cut = _rows(_stretch(0, 350.0), _stretch(350.0, 1000.0, 350.0, a_failed=True))
    for seen, expected in zip(
        hidden_surface(cut, nodes=40)(theta), hidden_surface(whole, nodes=40)(theta), strict=True
    ):
        assert seen == pytest.approx(expected, abs=1e-7)


def test_a_partner_out_of_service_is_not_at_risk() -> None:
    rows = _rows(_stretch(0, 500.0, -1.0), _stretch(500.0, 1000.0, 0.0))
    t = 500.0
    expected = np.log(
        np.exp(-B * t) * (np.exp(-(A + B) * t) + _turning(t))
        - np.expm1(-B * t) * np.exp(-KAPPA * A * t)
    )
    assert hidden_surface(rows)(THETA)[0] == pytest.approx(expected, abs=NODES_AGREE)


def test_a_visible_failure_comes_from_a_good_part() -> None:
    """With enough of them they have a law of their own; B cannot have been bad."""
    rows = _rows(_stretch(0, 1000.0, visible=True), weight=5.0)
    surface = hidden_surface(rows)
    theta = np.append(THETA, [0.0, np.log(5000.0)])
    expected = 5 * (-1000 * (A + B + 1 / 5000) + np.log(1 / 5000))
    assert surface(theta)[0] == pytest.approx(expected, rel=1e-12)


def test_a_weight_is_so_many_lives() -> None:
    one = hidden_surface(_rows(_stretch(0, 900.0, a_failed=True)))(THETA)
    three = hidden_surface(_rows(_stretch(0, 900.0, a_failed=True), weight=3.0))(THETA)
    assert three[0] == pytest.approx(3 * one[0])
    assert three[1] == pytest.approx(3 * one[1])


@pytest.fixture(scope="module")
def company():
    truth = hidden_world.HiddenTruth(maintenance=0.1, hot_at_failure=0.25, pair_habit=0.1)
    return truth, *hidden_world.simulate(truth, 7)


def test_the_slope_is_that_of_the_value(company) -> None:
    surface = hidden_surface(company[1])
    theta = np.array([0.2, np.log(8000.0), 0.4, np.log(6000.0), np.log(20.0)])
    _, slope = surface(theta)
    for j, step in enumerate(1e-5 * np.eye(5)):
        differenced = (surface(theta + step)[0] - surface(theta - step)[0]) / 2e-5
        assert slope[j] == pytest.approx(differenced, rel=SLOPE, abs=1e-3)


def test_the_slope_with_visible_failures() -> None:
    stretches = _stretch(0, 700.0, hot_passed=1), _stretch(700.0, 1500.0, 700.0, visible=True)
    surface = hidden_surface(_rows(*stretches, weight=5.0))
    theta = np.array([0.2, np.log(4000.0), 0.4, np.log(3000.0), np.log(20.0), 0.3, np.log(6000.0)])
    _, slope = surface(theta)
    for j, step in enumerate(1e-5 * np.eye(7)):
        differenced = (surface(theta + step)[0] - surface(theta - step)[0]) / 2e-5
        assert slope[j] == pytest.approx(differenced, rel=SLOPE, abs=1e-6)


def test_lives_in_batches_give_the_same(company, monkeypatch) -> None:
    whole = hidden_surface(company[1])(THETA)
    monkeypatch.setattr(hidden_likelihood, "BATCH", 500)
    surface = hidden_surface(company[1])
    assert len(surface.cuts) > 5
    parts = surface(THETA)
    assert parts[0] == pytest.approx(whole[0], rel=1e-12)
    assert parts[1] == pytest.approx(whole[1], rel=1e-9)


def test_scores_add_up_to_the_slope(company) -> None:
    surface = hidden_surface(company[1])
    assert surface.scores(THETA).sum(axis=0) == pytest.approx(surface(THETA)[1], rel=1e-9)


def test_the_truth_comes_back(company) -> None:
    truth, rows, _ = company
    found = hidden_state_fit(rows)
    values = {
        "multiplier": (found.multiplier, truth.multiplier),
        "hidden scale": (found.hidden.parameters["scale"], truth.hidden[1] * YEAR),
        "own scale": (found.own.parameters["scale"], truth.own[1] * YEAR),
    }
    for name, (ours, told) in values.items():
        assert ours == pytest.approx(told, rel=ONE_COMPANY[name]), name
        low, high = found.interval(name, SURE)
        assert low < told < high, name
    low, high = found.interval("multiplier", method="profile")
    assert low < truth.multiplier < high
    clustered = found.clustered().interval("multiplier")
    assert np.log(clustered.high / clustered.low) == pytest.approx(
        np.log(high / low), rel=WIDTHS_AGREE
    )
    assert set(found.to_dict()) == {"multiplier", "multiplier_ci", "life", "scale_ci"}
    assert 0.2 < found.induced_share < 0.8
    assert found.visible is None


def test_chance_bad_has_a_closed_form(company) -> None:
    found = hidden_state_fit(company[1])
    found = replace(found, peak=replace(found.peak, theta=THETA))
    t = 1000.0
    bad = KAPPA * _turning(t)
    expected = bad / (bad + np.exp(-(A + B) * t))
    assert found.chance_bad(t, a_age=t) == pytest.approx(expected, rel=1e-9)
    quiet = _turning(t) / (_turning(t) + np.exp(-(A + B) * t))
    assert found.chance_bad(t, a_age=t, a_failed=False) == pytest.approx(quiet, rel=1e-9)


def test_few_finds_are_refused() -> None:
    with pytest.raises(FitError, match="only 0 silent failures were found"):
        hidden_state_fit(_rows(_stretch(0, 1000.0, a_failed=True)))


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"hot_sensitivity": 1.2}, "share between 0 and 1"),
        ({"untested": "maybe"}, "nothing or passed"),
    ],
)
def test_options_that_cannot_be(options, said) -> None:
    with pytest.raises(InputError, match=said):
        hidden_surface(_rows(_stretch(0, 10.0)), **options)


@pytest.mark.parametrize(
    ("stretches", "said"),
    [
        ((_stretch(0, 100.0), _stretch(120.0, 200.0)), "begin where the one before it ended"),
        ((_stretch(0, 100.0, found=1), _stretch(100.0, 200.0)), "must end where its part is found"),
        ((_stretch(50.0, 20.0),), "begin where the one before it ended"),
    ],
)
def test_rows_that_cannot_be_are_named(stretches, said) -> None:
    with pytest.raises(InputError, match=said):
        _rows(*stretches)


def test_a_fit_to_begin_from_changes_nothing_but_the_way(company) -> None:
    found = hidden_state_fit(company[1], untested="passed")
    again = hidden_state_fit(
        company[1], untested="passed", start=hidden_state_fit(company[1], hot_sensitivity=1.0)
    )
    assert again.peak.theta == pytest.approx(found.peak.theta, abs=1e-3)
    assert again.peak.log_likelihood == pytest.approx(found.peak.log_likelihood, abs=1e-6)


# --- units that differ ---------------------------------------------------------------------------


def _joined(one: HiddenRows, two: HiddenRows, weight: list[float]) -> HiddenRows:
    """Two rows of a life each as two lives of one unit."""
    names = ("b_from", "b_to", "a_from", "a_failed", "hot_passed", "cold_passed", "found")
    return HiddenRows(
        **{
            name: np.concatenate([getattr(one, name), getattr(two, name)])
            for name in (*names, "visible", "untested")
        },
        life=np.concatenate([one.life, two.life + 1]),
        unit=[0, 0],
        weight=weight,
    )


def test_the_slope_when_units_differ() -> None:
    truth = hidden_world.HiddenTruth(frailty=0.4, units=200)
    rows, _ = hidden_world.simulate(truth, 2)
    surface = hidden_surface(rows, variance=0.4)
    theta = np.array([0.2, np.log(8000.0), 0.4, np.log(6000.0), np.log(20.0)])
    _, slope = surface(theta)
    for j, step in enumerate(1e-5 * np.eye(5)):
        differenced = (surface(theta + step)[0] - surface(theta - step)[0]) / 2e-5
        assert slope[j] == pytest.approx(differenced, rel=SLOPE, abs=1e-3)
    assert surface.scores(theta).sum(axis=0) == pytest.approx(slope, rel=1e-9)


def test_one_unit_averaged_over_its_frailty() -> None:
    """A quiet life, then a second one of the same unit with a failure: against quadrature."""
    v, t = 0.5, 1000.0
    first, second = _rows(_stretch(0, t)), _rows(_stretch(0, 700.0, a_failed=True))
    rows = _joined(first, second, weight=[1.0, 1.0])
    surface = hidden_surface(rows, variance=v)
    value, _ = FrailHiddenSurface(surface.plain, v, 24)(THETA)

    def life(z: float) -> float:
        theta = THETA - np.log(z) * np.array([0, 1, 0, 1, 0])  # shape 1: scale / z
        return float(np.exp(hidden_surface(rows)(theta)[0])) * gamma(1 / v, scale=v).pdf(z)

    expected = quad(life, 0, 1)[0] + quad(life, 1, 15)[0]
    assert value == pytest.approx(np.log(expected), abs=1e-6)
    assert surface(THETA)[0] == pytest.approx(value, abs=FRAILTY_NODES_AGREE)


def test_almost_alike_is_alike() -> None:
    rows, _ = hidden_world.simulate(hidden_world.HiddenTruth(units=100), 2)
    theta = np.array([0.2, np.log(8000.0), 0.4, np.log(6000.0), np.log(20.0)])
    near = hidden_surface(rows, variance=1e-6)(theta)
    plain = hidden_surface(rows)(theta)
    assert near[0] == pytest.approx(plain[0], abs=1e-3)
    assert near[1] == pytest.approx(plain[1], rel=1e-3, abs=1e-2)


def test_lives_that_others_are_conditioned_on_are_averaged_apart() -> None:
    """A unit given its first 400 days, in which the partner did not fail."""
    v = 0.5
    whole = _rows(_stretch(0, 400.0), _stretch(400.0, 1000.0, 400.0, a_failed=True))
    given = _rows(_stretch(0, 400.0))
    both = _joined(whole, given, weight=[1.0, -1.0])
    expected = (
        hidden_surface(whole, variance=v)(THETA)[0] - hidden_surface(given, variance=v)(THETA)[0]
    )
    assert hidden_surface(both, variance=v)(THETA)[0] == pytest.approx(expected, rel=1e-12)


def test_alike_units_wrongly_assumed_make_the_multiplier_too_large() -> None:
    """With variance v the plain multiplier comes out near (1 + v) times too large."""
    truth = hidden_world.HiddenTruth(
        frailty=0.8, units=1200, maintenance=0.0, hot_at_failure=0.25, pair_habit=0.1
    )
    rows, _ = hidden_world.simulate(truth, 3)
    plain = hidden_state_fit(rows)
    ours = hidden_state_fit(rows, variance=0.8, start=plain)
    assert plain.multiplier > 1.4 * ours.multiplier
    low, high = ours.interval("multiplier", SURE)
    assert low < truth.multiplier < high
    assert ours.variance == 0.8
    assert ours.clustered().interval("multiplier").low > 0
    assert 0 < ours.induced_share < 1
