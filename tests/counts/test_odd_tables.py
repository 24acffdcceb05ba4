"""Odd columns, repeated names, other units: refused with a reason, or counted right."""

import copy
import pickle
from decimal import Decimal

import numpy as np
import pytest

from failstats.counts.life_counts import count_lives
from failstats.counts.pattern_table import PatternTable
from failstats.counts.risk_table import RiskTable
from failstats.errors import FitError, InputError
from failstats.estimate.curves import kaplan_meier
from failstats.estimate.life_models import fit
from failstats.estimate.log_rank import log_rank
from failstats.estimate.mean_life import restricted_mean

SAME = 1e-12
YEAR = 1 / 365.25  # years of a day


def two_causes():
    return RiskTable.from_lives(0, range(1, 41), ["wear"] * 20 + ["rust"] * 20)


def test_a_cause_named_twice_counts_once():
    twice = two_causes().merge_causes("all", causes=["wear", "wear"])
    assert twice.failures == 40
    assert twice.failed["all"].sum() == 20


@pytest.mark.parametrize("kind", [np.int8, np.int16, np.uint8])
def test_small_types_of_age_do_not_wrap_round(kind):
    top = min(int(np.iinfo(kind).max), 300)
    held = RiskTable(np.array([0, 100, top], kind), [3, 0, 0], {"f": [0, 1, 2]}, [0, 0, 0])
    asked = held.at_risk_at(np.arange(top + 1))
    assert asked[[0, 1, 100, top]].tolist() == [3, 3, 3, 2]
    assert held.at_risk_at([0, 1, 100, top]).tolist() == [3, 3, 3, 2]


def test_unsorted_unsigned_ages_are_refused():
    with pytest.raises(InputError, match="ascending"):
        RiskTable(np.array([0, 5, 3], np.uint8), [4, 0, 0], {"f": [0, 1, 1]}, [0, 1, 1])


@pytest.mark.parametrize("zero_age", [0.0, -1.0, np.nan, np.inf])
def test_failures_of_age_zero_need_an_age_above_it(zero_age):
    with pytest.raises(InputError, match="zero_age"):
        RiskTable.from_lives(0, [0, 3], [True, True], zero_age=zero_age)


def test_half_a_day_is_not_half_a_year():
    ages = np.concatenate([[0], np.arange(1, 25) * 40])
    failed = np.ones(25, bool)
    with pytest.raises(InputError, match="beyond the next age"):
        RiskTable.from_lives(0, ages / 365.25, failed, unit="years")
    years = RiskTable.from_lives(0, ages / 365.25, failed, unit="years", zero_age=0.5 / 365.25)
    for model in ("weibull", "gamma"):
        in_days = fit(RiskTable.from_lives(0, ages, failed), model=model).parameters["shape"]
        assert fit(years, model=model).parameters["shape"] == pytest.approx(in_days, rel=1e-9)


def test_counts_are_not_cut_to_whole_numbers():
    cells = {
        "age": np.array([0, 4]),
        "entered": np.array([Decimal("2.5"), Decimal(0)]),
        "left": np.array([0, 1]),
        "failed": np.array([Decimal(0), Decimal("1.5")]),
    }
    held = RiskTable(cells["age"], cells["entered"], {"f": cells["failed"]}, cells["left"])
    assert held.lives == 2.5
    assert held.failures == 1.5


@pytest.mark.parametrize("age", [np.array([1j, 2j]), np.array([1, 2], "timedelta64[D]")])
def test_ages_must_be_numbers(age):
    with pytest.raises(InputError, match="must be numbers"):
        RiskTable(age, [2, 0], {"f": [1, 1]}, [0, 0])


def test_weights_must_be_finite():
    with pytest.raises(InputError, match="weights"):
        RiskTable.from_lives(0, [1, 2, 3], [True, True, False], [np.inf, 1, 1])


def test_rounding_parts_no_ages():
    """R's survival joins such times as well (timefix in its survfit and coxph)."""
    apart = RiskTable.from_lives([0, 0, 0.3], [0.1 + 0.2, 0.3, 0.1 + 0.2], [True, True, True])
    assert apart.age.size == 2
    assert apart.dropped == 1
    days, other = np.arange(1, 90, 3), np.arange(2, 90, 4)
    one = RiskTable.from_lives(
        0, days / 365.25, [True] * days.size, unit="years", zero_age=0.5 * YEAR
    )
    two = RiskTable.from_lives(0, other, [True] * other.size).rescaled(YEAR, "years")
    plain = log_rank(
        [
            RiskTable.from_lives(0, days, [True] * days.size),
            RiskTable.from_lives(0, other, [True] * other.size),
        ]
    )
    assert log_rank([one, two]).statistic == pytest.approx(plain.statistic, rel=SAME)
    assert (one + two).age.size == np.union1d(days, other).size + 1  # age 0 as well


def test_nothing_in_a_table_can_be_changed_afterwards():
    held = two_causes()
    with pytest.raises(TypeError):
        held.failed["more"] = held.left
    for again in (pickle.loads(pickle.dumps(held)), copy.deepcopy(held)):
        assert again.failures == 40
        assert not again.failed["wear"].flags.writeable
        with pytest.raises(TypeError):
            again.failed["more"] = held.left


def test_a_fit_travels_light():
    draw = np.random.default_rng(4)
    found = fit(
        RiskTable.from_lives(0, np.ceil(900 * draw.weibull(1.5, 800)), [True] * 800), model="gamma"
    )
    packed = pickle.dumps(found)
    assert len(packed) < 60_000
    again = pickle.loads(packed)
    assert again.likelihood(again.theta)[0] == found.likelihood(found.theta)[0]


@pytest.mark.parametrize("factor", [1.0, 1e-4, 1e-8, 1e5])
def test_a_gompertz_fit_does_not_depend_on_the_unit(factor):
    draw = np.random.default_rng(9)
    ages = np.ceil(2000 * draw.weibull(2.5, 60))
    plain = fit(RiskTable.from_lives(0, ages, [True] * 60), model="gompertz").parameters
    other = RiskTable.from_lives(0, ages, [True] * 60).rescaled(factor, "other")
    found = fit(other, model="gompertz").parameters
    assert found["slope"] * factor == pytest.approx(plain["slope"], rel=1e-7)
    assert found["rate"] * factor == pytest.approx(plain["rate"], rel=1e-7)


def test_horizons_and_powers_must_be_numbers():
    curve = kaplan_meier(two_causes())
    with pytest.raises(InputError, match="horizon"):
        restricted_mean(curve, horizon=np.nan)
    with pytest.raises(InputError, match="weight_power"):
        log_rank([two_causes(), two_causes()], weight_power=np.nan)
    light = RiskTable.from_lives(0, [1, 2], [True, True], [0.2, 0.2])
    with pytest.raises(FitError, match="more than one life"):
        log_rank([light, light])


@pytest.mark.parametrize("group", [-1, 2, 7])
def test_a_group_that_is_not_there_is_refused(group):
    found = count_lives([([0, 1], [1, 1], [0, 0], [3, 4])], groups=2, causes=1, ages=6)
    assert found.table(["f"], group=np.int64(1)).failures == 1
    with pytest.raises(InputError, match="group must be from 0 to 1"):
        found.table(["f"], group=group)


def test_full_arrays_stay_the_callers():
    base = np.zeros((3, 1, 1, 5), dtype=np.int64)
    base[0, 0, 0, 0], base[1, 0, 0, 2], base[2, 0, 0, 4] = 2, 1, 1
    held = PatternTable.from_dense(*base)
    base[:] = 9
    assert held.failures == 1
    assert held.failed.tolist() == [0, 1, 0]
