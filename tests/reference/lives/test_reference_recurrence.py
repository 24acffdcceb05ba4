"""Recurring failures and simple intervals: rows R1 to R3, R6, R7, R10, T3 and S1."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from failstats.estimate.intervals import (
    byar,
    clopper_pearson,
    mean_life_limits,
    poisson_exact,
    standardised_ratio,
    wilson,
)
from failstats.estimate.recurrence import mean_cumulative_difference, mean_cumulative_function
from failstats.estimate.recurrence_trend import (
    laplace_trend,
    power_law_process,
    power_law_trend,
    reversal_trend,
)

#: Sums of fractions.
EXACT = 1e-12
#: Quantiles of chi-square and normal.
QUANTILE = 1e-9


def by_unit(frame, *, id_, age, is_event):
    """Rows of one unit's failures and last day, as arrays."""
    names = frame[id_].unique()
    place = {name: row for row, name in enumerate(names)}
    exits = frame.groupby(id_, sort=False)[age].max().loc[names].to_numpy()
    events = frame[is_event]
    return events[id_].map(place).to_numpy(), events[age].to_numpy(), exits


def test_r1_three_systems():
    # Meeker and Escobar (1998), Example 16.2 (M); the fractions are worked by hand.
    found = mean_cumulative_function(
        [0, 0, 2, 2, 2], event_age=[5, 8, 1, 8, 16], unit_exit=[12, 16, 20]
    )
    assert found.age.tolist() == [1, 5, 8, 16]
    assert found.mean == pytest.approx([1 / 3, 2 / 3, 4 / 3, 11 / 6], rel=EXACT)
    by_hand = [Fraction(6, 81), Fraction(6, 81), Fraction(24, 81), Fraction(163, 216)]
    assert found.variance == pytest.approx([float(v) for v in by_hand], rel=EXACT)


@pytest.fixture(scope="module")
def valve_seats(life_data):
    frame = life_data.read("survival_valveSeat")
    owner, age, exits = by_unit(frame, id_="id", age="time", is_event=frame.status == 1)
    return owner, age, exits


R2_MEAN = [
    (98, 0.146341463414634),
    (200, 0.268292682926829),
    (300, 0.463414634146342),
    (400, 0.658536585365854),
    (500, 0.808536585365854),
    (600, 1.01426413954542),
    (653, 1.54268751355703),
]
R2_ERROR = [
    (98, 0.0551993371072554),
    (300, 0.109607275665324),
    (600, 0.173844328450389),
    (653, 0.311656074750563),
]


def test_r2_counts(valve_seats):
    # Nelson and Doganaksoy (1989): 41 engines, 48 repairs, 17 engines without, 9 with one.
    owner, _, exits = valve_seats
    repairs = np.bincount(owner, minlength=exits.size)
    assert (exits.size, owner.size) == (41, 48)
    assert ((repairs == 0).sum(), (repairs == 1).sum()) == (17, 9)


@pytest.mark.parametrize(("days", "r_value"), R2_MEAN)
def test_r2_mean(valve_seats, days, r_value):
    owner, age, exits = valve_seats
    found = mean_cumulative_function(owner, event_age=age, unit_exit=exits)
    assert found.age.size == 46
    assert float(found.mean_at(days)) == pytest.approx(r_value, rel=EXACT)
    assert f"{float(found.mean_at(98)):.3f}" == "0.146"  # M


@pytest.mark.parametrize(("days", "r_value"), R2_ERROR)
def test_r2_robust_error(valve_seats, days, r_value):
    owner, age, exits = valve_seats
    found = mean_cumulative_function(owner, event_age=age, unit_exit=exits)
    assert float(np.sqrt(found.variance_at(days))) == pytest.approx(r_value, rel=EXACT)


R3 = [
    ("placebo", 12, 0.716828386948646),
    ("placebo", 24, 1.46040001328853),
    ("placebo", 48, 2.46224450097467),
    ("thiotepa", 12, 0.475838437448345),
    ("thiotepa", 24, 0.914128522512623),
    ("thiotepa", 48, 1.85604011968738),
]
R3_ERROR = {"placebo": 0.244232302023643, "thiotepa": 0.225052422473647}


@pytest.fixture(scope="module")
def tumours(life_data):
    # Andrews and Herzberg (1985); computed with R, deaths ending the following.
    frame = life_data.read("survival_bladder1")
    out = {}
    for name, rows in frame.groupby("treatment"):
        owner, age, exits = by_unit(rows, id_="id", age="stop", is_event=rows.status == 1)
        out[name] = mean_cumulative_function(owner, event_age=age, unit_exit=exits, unit="months")
    return out


@pytest.mark.parametrize(("group", "months", "r_value"), R3)
def test_r3_mean(tumours, group, months, r_value):
    assert float(tumours[group].mean_at(months)) == pytest.approx(r_value, rel=EXACT)


def test_r3_error_and_difference(tumours):
    for name, r_value in R3_ERROR.items():
        assert float(np.sqrt(tumours[name].variance_at(24))) == pytest.approx(r_value, rel=EXACT)
    gap = mean_cumulative_difference(tumours["placebo"], second=tumours["thiotepa"], ages=24)
    assert gap.difference[0] == pytest.approx(1.46040001328853 - 0.914128522512623, rel=EXACT)
    both = np.hypot(*R3_ERROR.values())
    assert gap.std_error[0] == pytest.approx(both, rel=EXACT)
    low, high = gap.interval()
    assert (low[0] + high[0]) / 2 == pytest.approx(gap.difference[0], rel=EXACT)
    assert (high[0] - low[0]) / 2 == pytest.approx(1.959963984540054 * both, rel=EXACT)


@pytest.fixture(scope="module")
def ten_repairs(life_data):
    return life_data.read("typed_nist_powerlaw").age.to_numpy()


def test_r6_power_law(ten_repairs):
    # NIST/SEMATECH e-Handbook 8.4.5.2; printed in its R script.
    found = power_law_process(ten_repairs, unit_exit=1500)
    assert found.growth == pytest.approx(0.516494020569231, rel=QUANTILE)
    assert f"{found.growth:.6f}" == "0.516494"
    assert f"{found.a:.7f}" == "0.2913003"
    assert f"{found.b:.6f}" == "0.483506"
    assert f"{found.mean_between:.3f}" == "310.234"
    low, high = found.interval(0.8)
    assert (f"{low:.4f}", f"{high:.4f}") == ("157.7138", "548.5566")
    assert found.b_maximum_likelihood == pytest.approx(0.537228866034188, rel=QUANTILE)


def test_r7_trends(ten_repairs):
    # NIST/SEMATECH e-Handbook 8.2.3.4; 37.23 and 33 of 45 from memory (M).
    laplace = laplace_trend(ten_repairs, unit_exit=1500)
    assert laplace.statistic == pytest.approx(-1.32694918264918, rel=1e-10)
    assert laplace.p_fewer == pytest.approx(0.0922627466837328, rel=1e-10)
    power = power_law_trend(ten_repairs, unit_exit=1500)
    assert power.statistic == pytest.approx(37.2280814834832, rel=1e-10)
    assert power.p_fewer == pytest.approx(0.0109863571157967, rel=1e-10)
    order = reversal_trend(ten_repairs)
    assert order.statistic == 33
    assert order.p_fewer == pytest.approx(0.0362750771604938, rel=1e-10)


def test_r10_mean_life_limits():
    # NIST/SEMATECH e-Handbook 8.4.5.1: 2 failures in 800 h, 90 percent; factors M.
    low, high = mean_life_limits(2, exposure=800, confidence_level=0.9)
    assert low == pytest.approx(127.068968274428, rel=QUANTILE)
    assert high == pytest.approx(2251.2286106257, rel=QUANTILE)
    assert (f"{low / 400:.4f}", f"{high / 400:.4f}") == ("0.3177", "5.6281")
    none, endless = mean_life_limits(0, exposure=1000, sided="lower")
    assert none == pytest.approx(-1000 / np.log(0.05), rel=QUANTILE)
    assert none == pytest.approx(333.808200695334, rel=QUANTILE)
    assert endless == np.inf


# T3. Newcombe (1998), Statistics in Medicine 17, 857, Table I (first row seen second-hand, rest M).
T3 = [
    (wilson, 81, 263, ("0.2553", "0.3662"), (0.255288519878274, 0.3662095769828)),
    (wilson, 15, 148, ("0.0624", "0.1605"), (0.0623863995307363, 0.160487241723308)),
    (wilson, 0, 20, ("0.0000", "0.1611"), (0.0, 0.161125158052819)),
    (wilson, 1, 29, ("0.0061", "0.1718"), (0.00611321429276266, 0.171755218793203)),
    (clopper_pearson, 81, 263, ("0.2527", None), (0.252736745585271, None)),
    (clopper_pearson, 0, 20, ("0.0000", "0.1684"), (0.0, 0.168433470983085)),
]


@pytest.mark.parametrize(("method", "count", "of", "text", "r_value"), T3)
def test_t3_shares(method, count, of, text, r_value):
    for found, shown, value in zip(method(count, of=of), text, r_value, strict=True):
        if shown is not None:
            assert f"{found:.4f}" == shown
            assert found == pytest.approx(value, rel=EXACT, abs=0)


# S1. Ulm (1990), American Journal of Epidemiology 131, 373; Breslow and Day II; R cipoisson.
# R's help page prints 10.24153 for the upper limit of 4; the value is 10.2415887.
S1 = [
    (0, 0.0, 3.68887945411394),
    (1, 0.0253178079842899, 5.5716433909389),
    (4, 1.08986537362632, 10.2415886754037),
    (10, 4.79538869613243, 18.3903560420178),
]


@pytest.mark.parametrize(("count", "low", "high"), S1)
def test_s1_poisson(count, low, high):
    assert poisson_exact(count) == pytest.approx((low, high), rel=EXACT)


def test_s1_byar_and_ratio():
    assert byar(10) == pytest.approx((4.78744991396756, 18.3914586057565), rel=EXACT)
    low, high = standardised_ratio(53, expected=48.62)
    assert (low, high) == pytest.approx((0.816549504984728, 1.42585982988902), rel=EXACT)
