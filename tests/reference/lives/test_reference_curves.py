"""Curves against published values and R survival 3.5-3: rows K1 to K7, C1 and C3."""

from __future__ import annotations

import numpy as np
import pytest

from failstats.counts.risk_table import RiskTable
from failstats.estimate.curves import kaplan_meier, nelson_aalen
from failstats.estimate.incidence import aalen_johansen
from failstats.estimate.log_rank import log_rank
from failstats.estimate.mean_life import restricted_mean

#: Sums and products of fractions: only rounding separates the computations.
EXACT = 1e-12
#: Log-rank: a quadratic form of sums over ages.
LOG_RANK = 1e-10


def printed(value: float, text: str) -> bool:
    """Whether the value, rounded to the digits printed, is what was printed."""
    return f"{value:.{len(text.split('.')[1])}f}" == text


# K1. Freireich (1963), 6-MP arm; Klein and Moeschberger Table 4.1A (M).
K1_SURVIVAL = [
    (6, "0.857", 0.857142857142857),
    (7, "0.807", 0.80672268907563),
    (10, "0.753", 0.752941176470588),
    (13, "0.690", 0.690196078431372),
    (16, "0.627", 0.627450980392157),
    (22, "0.538", 0.53781512605042),
    (23, "0.448", 0.448179271708683),
]
K1_ERROR = [
    (6, "0.0764", 0.0763603548321213),
    (10, "0.0963", 0.0963496529943205),
    (16, "0.1141", 0.114053865256753),
    (22, "0.1282", 0.128233751693034),
    (23, "0.1346", 0.13459145675576),
]


@pytest.mark.parametrize(("age", "text", "r_value"), K1_SURVIVAL)
def test_k1_survival(life_data, age, text, r_value):
    found = float(kaplan_meier(life_data.six_mp()).survival_at(age))
    assert printed(found, text)
    assert found == pytest.approx(r_value, rel=EXACT)


@pytest.mark.parametrize(("age", "text", "r_value"), K1_ERROR)
def test_k1_greenwood(life_data, age, text, r_value):
    curve = kaplan_meier(life_data.six_mp())
    found = float(curve.std_error[curve.age == age][0])
    assert printed(found, text)
    assert found == pytest.approx(r_value, rel=EXACT)


# K1, computed with R survfit(conf.type=...).
@pytest.mark.parametrize(
    ("scale", "low", "high"),
    [
        ("log_log", 0.188052005959232, 0.680142628495241),
        ("plain", 0.184384863840613, 0.711973679576754),
        ("log", 0.24878822681766, 0.807372045529077),
    ],
)
def test_k1_interval(life_data, scale, low, high):
    found = kaplan_meier(life_data.six_mp()).interval_at(23, scale=scale)
    assert found == pytest.approx((low, high), rel=EXACT)


# K3. NIST/SEMATECH e-Handbook 8.2.1.5: R(10), R(32) printed; the rest products of fractions.
@pytest.mark.parametrize(
    ("hours", "r_value"),
    [
        (10, 19 / 20),
        (32, 18 / 20),
        (56, 0.847058823529412),
        (98, 0.794117647058823),
        (122, 0.737394957983193),
        (181, 0.670359052711994),
    ],
)
def test_k3_life_test(life_data, hours, r_value):
    curve = kaplan_meier(life_data.counted("typed_nist_apr215", "hours", "failed"))
    assert float(curve.survival_at(hours)) == pytest.approx(r_value, rel=EXACT)


def test_k3_standard_error(life_data):
    curve = kaplan_meier(life_data.counted("typed_nist_apr215", "hours", "failed"))
    assert curve.std_error[curve.age == 181][0] == pytest.approx(0.112140685877255, rel=EXACT)


# K4. Miller (1981), Maintained arm (M).
K4 = [
    (9, "0.909", 0.909090909090909),
    (13, "0.818", 0.818181818181818),
    (18, "0.716", 0.715909090909091),
    (23, "0.614", 0.613636363636364),
    (31, "0.491", 0.490909090909091),
    (34, "0.368", 0.368181818181818),
    (48, "0.184", 0.184090909090909),
]


@pytest.mark.parametrize(("weeks", "text", "r_value"), K4)
def test_k4_survival(life_data, weeks, text, r_value):
    frame = life_data.read("survival_aml")
    arm = frame[frame.x == "Maintained"]
    curve = kaplan_meier(life_data.table(arm, "time", arm.status == 1))
    found = float(curve.survival_at(weeks))
    assert printed(found, text)
    assert found == pytest.approx(r_value, rel=EXACT)
    error = curve.std_error[curve.age == 48][0]
    assert printed(error, "0.1535")
    assert error == pytest.approx(0.153492745786294, rel=EXACT)


# Restricted mean of both arms, R print(survfit(...), rmean="individual"): 52.6 (19.83) and
# 22.7 (4.18), from memory. Medians 31 and 23, from memory.
@pytest.mark.parametrize(
    ("arm", "mean", "error", "median"),
    [("Maintained", "52.6", "19.83", 31), ("Nonmaintained", "22.7", "4.18", 23)],
)
def test_restricted_mean_of_aml(life_data, arm, mean, error, median):
    frame = life_data.read("survival_aml")
    rows = frame[frame.x == arm]
    curve = kaplan_meier(life_data.table(rows, "time", rows.status == 1))
    found = restricted_mean(curve)
    assert printed(found.mean, mean)
    assert printed(found.std_error, error)
    assert curve.median() == median


# K6. Klein and Moeschberger Table 4.2 (M); the book cuts 0.142857 to 0.1428.
K6 = [
    (6, 0.1428, 0.142857142857143),
    (7, 0.2017, 0.201680672268908),
    (10, 0.2683, 0.268347338935574),
    (13, 0.3517, 0.351680672268908),
    (16, 0.4426, 0.442589763177998),
    (22, 0.5854, 0.585446906035141),
    (23, 0.7521, 0.752113572701808),
]
#: One unit of the last digit printed: the book cuts where others round.
LAST_DIGIT = 1e-4


@pytest.mark.parametrize(("weeks", "book", "r_value"), K6)
def test_k6_nelson_aalen(life_data, weeks, book, r_value):
    curve = nelson_aalen(life_data.six_mp())
    found = curve.cumulative_hazard[curve.age == weeks][0]
    assert found == pytest.approx(book, abs=LAST_DIGIT)
    assert found == pytest.approx(r_value, rel=EXACT)


def test_k6_standard_error(life_data):
    curve = nelson_aalen(life_data.six_mp())
    assert curve.std_error[curve.age == 23][0] == pytest.approx(0.279467746695003, rel=EXACT)


# K7. Freireich and Klein and Moeschberger; Miller; R help(survdiff) (all M), and R survdiff.
def groups(life_data, name, age, by, failed):
    frame = life_data.read(name)
    return {
        key: life_data.table(rows, age, rows[failed[0]] == failed[1])
        for key, rows in frame.groupby(by)
    }


@pytest.mark.parametrize(
    ("name", "age", "by", "failed", "text", "r_value"),
    [
        ("MASS_gehan", "time", "treat", ("cens", 1), "16.79", 16.7929409892165),
        ("survival_aml", "time", "x", ("status", 1), "3.4", 3.3963886989776),
        ("survival_lung", "time", "sex", ("status", 2), "10.3", 10.3267419548856),
    ],
)
def test_k7_log_rank(life_data, name, age, by, failed, text, r_value):
    result = log_rank(groups(life_data, name, age, by, failed))
    assert printed(result.statistic, text)
    assert result.statistic == pytest.approx(r_value, rel=LOG_RANK)


def test_k7_expected_and_p(life_data):
    six = log_rank(groups(life_data, "MASS_gehan", "time", "treat", ("cens", 1)))
    assert six.expected[six.groups.index("6-MP")] == pytest.approx(19.2505009480311, rel=LOG_RANK)
    aml = log_rank(groups(life_data, "survival_aml", "time", "x", ("status", 1)))
    assert aml.p_value == pytest.approx(0.0653393220405051, rel=LOG_RANK)
    lung = log_rank(groups(life_data, "survival_lung", "time", "sex", ("status", 2)))
    assert lung.expected[lung.groups.index(1)] == pytest.approx(91.5817390295728, rel=LOG_RANK)


def test_k7_early_weights(life_data):
    # R survdiff(rho=1)
    tables = groups(life_data, "MASS_gehan", "time", "treat", ("cens", 1))
    found = log_rank(tables, weight_power=1).statistic
    assert found == pytest.approx(14.4571508187171, rel=LOG_RANK)


# C1. mgus2, PCM against death first: Kyle (2002); R survival vignette "compete".
@pytest.fixture(scope="module")
def gammopathy(life_data):
    frame = life_data.read("survival_mgus2")
    months = np.where(frame.pstat == 0, frame.futime, frame.ptime)
    end = np.where(frame.pstat == 1, "pcm", np.where(frame.death == 1, "death", ""))
    return frame, months, end


C1 = [
    (24, 0.0173617149415354),
    (60, 0.034103712974349),
    (120, 0.0637221680131129),
    (240, 0.0998137159354692),
    (360, 0.134041644326082),
]


@pytest.mark.parametrize(("months", "r_value"), C1)
def test_c1_incidence(gammopathy, months, r_value):
    _, ages, end = gammopathy
    table = RiskTable.from_lives(0, ages, end, unit="months")
    assert (table.failed["pcm"].sum(), table.failed["death"].sum()) == (115, 860)  # M
    found = aalen_johansen(table).share_at(months, cause="pcm")
    assert float(found) == pytest.approx(r_value, rel=EXACT)


def test_c1_variance_and_contrast(gammopathy):
    _, ages, end = gammopathy
    table = RiskTable.from_lives(0, ages, end, unit="months")
    curve = aalen_johansen(table)
    assert float(curve.std_error_at(240, cause="pcm")) == pytest.approx(
        0.0097848467933896, rel=EXACT
    )
    assert float(curve.share_at(240, cause="death")) == pytest.approx(0.724027976142545, rel=EXACT)
    biased = 1 - float(kaplan_meier(table, cause="pcm").survival_at(360))
    assert biased == pytest.approx(0.424836940897356, rel=EXACT)


def test_c1_time_lost_by_men(gammopathy):
    # The vignette prints 8.7, 1.1 and 10.3 years of 20.
    frame, ages, end = gammopathy
    men = (frame.sex == "M").to_numpy()
    table = RiskTable.from_lives(0, ages[men], end[men], unit="months")
    lost = aalen_johansen(table).time_lost(240)
    free = restricted_mean(kaplan_meier(table), horizon=240).mean / 12
    assert (round(free, 1), round(lost["pcm"] / 12, 1), round(lost["death"] / 12, 1)) == (
        8.7,
        1.1,
        10.3,
    )
    assert free == pytest.approx(8.67501235993299, rel=EXACT)
    assert lost["pcm"] / 12 == pytest.approx(1.06469349868798, rel=EXACT)
    assert lost["death"] / 12 == pytest.approx(10.260294141379, rel=EXACT)


# C3. Hoel (1972) and boot::melanoma, computed with R.
@pytest.mark.parametrize(
    ("group", "r_value"), [("Control", 0.222222222222222), ("Germ-free", 0.317073170731707)]
)
def test_c3_incidence_by_group(life_data, group, r_value):
    frame = life_data.read("survival_hoel")
    assert sorted(frame.outcome.unique()) == [
        "other",
        "reticulum cell sarcoma",
        "thymic lymphoma",
    ]
    rows = frame[frame.trt == group]
    table = RiskTable.from_lives(0, rows.days.to_numpy(), rows.outcome.to_numpy())
    found = aalen_johansen(table).share_at(600, cause="thymic lymphoma")
    assert float(found) == pytest.approx(r_value, rel=EXACT)


@pytest.mark.parametrize(
    ("cause", "years", "r_value"),
    [("melanoma", 5, 0.223539598423467), ("other", 10, 0.105947064135756)],
)
def test_c3_melanoma(life_data, cause, years, r_value):
    frame = life_data.read("boot_melanoma")
    ends = frame.status.map({1: "melanoma", 2: "", 3: "other"}).to_numpy()
    table = RiskTable.from_lives(0, frame.time.to_numpy(), ends)
    found = aalen_johansen(table).share_at(years * 365.25, cause=cause)
    assert float(found) == pytest.approx(r_value, rel=EXACT)
