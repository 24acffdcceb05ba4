"""What failstats computes for every reference row of lives, in the order of rows.csv.

    python tests/reference/lives/our_rows.py

prints published, ours and the difference. Sources: the tests beside this file, and SOURCE.md.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import gamma

from failstats.counts.pattern_table import PatternTable
from failstats.counts.risk_table import RiskTable
from failstats.estimate.curves import kaplan_meier, nelson_aalen
from failstats.estimate.hazard_model import Design, cox
from failstats.estimate.incidence import aalen_johansen
from failstats.estimate.intervals import mean_life_limits
from failstats.estimate.life_models import FittedLife, fit
from failstats.estimate.life_regression import fit_life_regression
from failstats.estimate.log_rank import log_rank
from failstats.estimate.mean_life import restricted_mean
from failstats.estimate.recurrence import mean_cumulative_function
from failstats.estimate.recurrence_trend import (
    laplace_trend,
    power_law_process,
    power_law_trend,
    reversal_trend,
)
from failstats.estimate.turnbull import turnbull

HERE = Path(__file__).parent
#: Boltzmann's constant as 1 / 11,605 eV per kelvin, and 0 degrees Celsius in kelvin.
KELVIN_PER_EV, FREEZING = 11605, 273.15


def read(name: str) -> pd.DataFrame:
    return pd.read_csv(HERE / "data" / f"{name}.csv")


def counted(frame: pd.DataFrame, age: str, failed: Any, **options: Any) -> RiskTable:
    return RiskTable.from_lives(0, frame[age].to_numpy(), np.asarray(failed), **options)


def six_mp() -> RiskTable:
    arm = read("MASS_gehan").query("treat == '6-MP'")
    return counted(arm, "time", arm.cens == 1)


def k1() -> list[float]:
    curve = kaplan_meier(six_mp())
    out = [float(curve.survival_at(week)) for week in (6, 7, 10, 13, 16, 22, 23)]
    out += [float(curve.std_error[curve.age == week][0]) for week in (6, 10, 16, 22, 23)]
    return out + [
        float(end)
        for how in ("log_log", "plain", "log")
        for end in curve.interval_at(23, scale=how)
    ]


def k3() -> list[float]:
    frame = read("typed_nist_apr215")
    curve = kaplan_meier(counted(frame, "hours", frame.failed > 0))
    out = [float(curve.survival_at(hour)) for hour in (10, 32, 56, 98, 122, 181)]
    return [*out, float(curve.std_error[curve.age == 181][0])]


def k4() -> list[float]:
    arm = read("survival_aml").query("x == 'Maintained'")
    curve = kaplan_meier(counted(arm, "time", arm.status == 1))
    out = [float(curve.survival_at(week)) for week in (9, 13, 18, 23, 31, 34, 48)]
    return [*out, float(curve.std_error[curve.age == 48][0])]


def k6() -> list[float]:
    curve = nelson_aalen(six_mp())
    weeks = (6, 7, 10, 13, 16, 22, 23)
    out = [float(curve.cumulative_hazard[curve.age == week][0]) for week in weeks]
    return [*out, float(curve.std_error[curve.age == 23][0])]


def k7() -> list[float]:
    def arms(name: str, by: str, column: str, value: int) -> dict[Any, RiskTable]:
        groups = read(name).groupby(by)
        return {key: counted(rows, "time", rows[column] == value) for key, rows in groups}

    six = log_rank(arms("MASS_gehan", "treat", "cens", 1))
    aml = log_rank(arms("survival_aml", "x", "status", 1))
    lung = log_rank(arms("survival_lung", "sex", "status", 2))
    early = log_rank(arms("MASS_gehan", "treat", "cens", 1), weight_power=1)
    return [
        six.statistic, float(six.expected[six.groups.index("6-MP")]), aml.statistic, aml.p_value,
        lung.statistic, float(lung.expected[lung.groups.index(1)]), early.statistic,
    ]  # fmt: skip


def _weibull(found: FittedLife) -> tuple[float, float]:
    return found.parameters["scale"], found.parameters["shape"]


def _mean_and_sd(found: FittedLife) -> list[float]:
    scale, shape = _weibull(found)
    return [found.mean(), float(np.sqrt(scale**2 * gamma(1 + 2 / shape) - found.mean() ** 2))]


def _b10(found: FittedLife) -> list[float]:
    return [found.quantile(0.1), *found.quantile_interval(0.1, method="normal")]


def w1() -> list[float]:
    frame = read("typed_nist_apr413")
    table = counted(frame, "hours", frame.failed > 0)
    found, other = fit(table), fit(table, model="lognormal")
    limits = found.interval(method="normal")
    return [
        *_weibull(found), found.log_likelihood, found.aic, other.aic, *_mean_and_sd(found),
        other.parameters["mu"], other.parameters["sigma"], *limits["scale"], *limits["shape"],
        *_b10(found),
    ]  # fmt: skip


def w2() -> list[float]:
    frame = read("typed_nist_apr413").replace({"hours": {54: 55}})
    table = counted(frame, "hours", frame.failed > 0)
    found, curve = fit(table), kaplan_meier(table)
    return [
        *_weibull(found), found.log_likelihood, found.aic, fit(table, model="lognormal").aic,
        *_mean_and_sd(found),
        *(float(curve.std_error[curve.age == hour][0]) for hour in (55, 386)),
        float(curve.interval_at(386, scale="log")[0]),
    ]  # fmt: skip


def w3() -> list[float]:
    frame = read("survival_genfan")
    table = counted(frame, "hours", frame.status > 0)
    found, other = fit(table), fit(table, model="lognormal").parameters
    scale, shape = _weibull(found)
    return [
        1 / fit(table, model="exponential").parameters["rate"], np.log(scale), 1 / shape, scale,
        shape, found.log_likelihood, *_b10(found), other["mu"], other["sigma"],
        *mean_life_limits(table.failures, exposure=table.exposure),
    ]  # fmt: skip


def w4() -> list[float]:
    frame = read("MASS_motors")
    rows: dict[str, Any] = {"failed": frame.cens == 1}
    found = fit_life_regression(frame.time, covariates=frame.temp, names=["temp"], **rows)
    log_life, error = found.log_quantile(130.0, share_failed=-np.expm1(-1.0))
    log_b10, b10_error = found.log_quantile(130.0, share_failed=0.1)
    inverse = KELVIN_PER_EV / (frame.temp + FREEZING)
    energy = fit_life_regression(
        frame.time, covariates=inverse, names=["energy"], model="lognormal", **rows
    )
    return [
        *found.coefficients.values(), found.sigma, found.log_likelihood,
        np.exp(log_life), np.exp(log_life) * error,
        *np.exp([log_b10, log_b10 - 2 * b10_error, log_b10 + 2 * b10_error]),
        energy.coefficients["energy"],
    ]  # fmt: skip


def w5() -> list[float]:
    frame = read("survival_capacitor")
    names = ["temperature", "voltage"]
    found = fit_life_regression(
        frame.time, failed=frame.status == 1, covariates=frame[names], names=names
    )
    return [*found.coefficients.values(), found.sigma, found.log_likelihood]


def w9() -> list[float]:
    frame = read("typed_shock_absorber")
    found = fit(counted(frame, "km", frame["mode"] > 0))
    scale, shape = _weibull(found)
    return [np.log(scale), 1 / shape, scale, shape, *_b10(found)]


def w10() -> list[float]:
    hours = read("boot_aircondit")
    table = counted(hours, "hours", np.ones(len(hours), dtype=bool))
    return [
        1 / fit(table, model="exponential").parameters["rate"],
        fit(table, model="gamma").parameters["shape"],
        *mean_life_limits(table.failures, exposure=table.exposure, ended_by="failure"),
        *_weibull(fit(table)),
    ]


def r1() -> list[float]:
    found = mean_cumulative_function(
        [0, 0, 2, 2, 2], event_age=[5, 8, 1, 8, 16], unit_exit=[12, 16, 20]
    )
    return [*found.mean, *found.variance]


def _by_unit(frame: pd.DataFrame, age: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    code, names = pd.factorize(frame["id"])
    exits = frame.groupby("id")[age].max().loc[names].to_numpy()
    events = (frame.status == 1).to_numpy()
    return code[events], frame[age].to_numpy()[events], exits


def r2() -> list[float]:
    owner, age, exits = _by_unit(read("survival_valveSeat"), "time")
    found = mean_cumulative_function(owner, event_age=age, unit_exit=exits)
    repairs = np.bincount(owner, minlength=exits.size)
    errors = np.sqrt(found.variance_at(np.array([98, 300, 600, 653])))
    unbiased = errors[0] * np.sqrt(exits.size / (exits.size - 1))
    means = found.mean_at(np.array([98, 200, 300, 400, 500, 600, 653]))
    return [(repairs == 0).sum(), (repairs == 1).sum(), *means, *errors, unbiased]


def r3() -> list[float]:
    found = {
        name: mean_cumulative_function(owner, event_age=age, unit_exit=exits, unit="months")
        for name, rows in read("survival_bladder1").groupby("treatment")
        for owner, age, exits in [_by_unit(rows, "stop")]
    }
    arms = [found["placebo"], found["thiotepa"]]
    out = [value for arm in arms for value in arm.mean_at(np.array([12, 24, 48]))]
    return [*out, *(float(np.sqrt(arm.variance_at(24))) for arm in arms)]


def r6() -> list[float]:
    found = power_law_process(read("typed_nist_powerlaw").age.to_numpy(), unit_exit=1500)
    return [
        found.growth, found.a, found.b, found.mean_between, *found.interval(0.8),
        found.b_maximum_likelihood,
    ]  # fmt: skip


def r7() -> list[float]:
    ages = read("typed_nist_powerlaw").age.to_numpy()
    laplace, power = laplace_trend(ages, unit_exit=1500), power_law_trend(ages, unit_exit=1500)
    order = reversal_trend(ages)
    return [
        laplace.statistic, laplace.p_fewer, power.statistic, power.p_fewer, order.statistic,
        order.p_fewer,
    ]  # fmt: skip


def r10() -> list[float]:
    low, high = mean_life_limits(2, exposure=800, confidence_level=0.9)
    none, _ = mean_life_limits(0, exposure=1000, sided="lower")
    return [low / 400, high / 400, low, high, none]


def c1() -> list[float]:
    frame = read("survival_mgus2")
    months = np.where(frame.pstat == 0, frame.futime, frame.ptime)
    end = np.where(frame.pstat == 1, "pcm", np.where(frame.death == 1, "death", ""))
    table = RiskTable.from_lives(0, months, end, unit="months")
    men = (frame.sex == "M").to_numpy()
    of_men = RiskTable.from_lives(0, months[men], end[men], unit="months")
    lost, curve = aalen_johansen(of_men).time_lost(240), aalen_johansen(table)
    free = restricted_mean(kaplan_meier(of_men), horizon=240).mean
    return [
        table.failed["pcm"].sum(), table.failed["death"].sum(),
        free / 12, lost["pcm"] / 12, lost["death"] / 12,
        *curve.share_at(np.array([24, 60, 120, 240, 360]), cause="pcm"),
        float(curve.std_error_at(240, cause="pcm")), float(curve.share_at(240, cause="death")),
        1 - float(kaplan_meier(table, cause="pcm").survival_at(360)),
    ]  # fmt: skip


def c3() -> list[float]:
    frame = read("survival_hoel")
    sides = ("Control", "Germ-free")
    out = []
    for group in sides:
        rows = frame[frame.trt == group]
        found = aalen_johansen(counted(rows, "days", rows.outcome.to_numpy()))
        out.append(float(found.share_at(600, cause="thymic lymphoma")))
    ratios = []
    for cause in ("thymic lymphoma", "reticulum cell sarcoma", "other"):
        table = PatternTable.from_episodes(
            start=np.zeros(len(frame), dtype=int),
            stop=frame.days.to_numpy(),
            failed=(frame.outcome == cause).to_numpy(),
            pattern=(frame.trt == "Germ-free").to_numpy().astype(int),
        )
        design = Design(values=np.array([[0.0], [1.0]]), names=["germ_free"])
        ratios.append(cox(table, design=design, ties="efron"))
    out += [float(ratios[0].coefficients[0]), float(np.sqrt(ratios[0].covariance[0, 0]))]
    out += [float(one.coefficients[0]) for one in ratios[1:]]
    skin = read("boot_melanoma")
    ends = skin.status.map({1: "melanoma", 2: "", 3: "other"}).to_numpy()
    found = aalen_johansen(counted(skin, "time", ends))
    years = (("melanoma", 5), ("other", 10))
    return out + [float(found.share_at(year * 365.25, cause=name)) for name, year in years]


def i1() -> list[float]:
    frame = read("typed_turnbull1974")
    lower = np.where(frame.status == 2, 0, frame.time)
    upper = np.where(frame.status == 0, np.inf, frame.time)
    _, high = turnbull(lower, upper=upper, counts=frame.n).survival_at(np.arange(1.0, 5.0))
    return high.tolist()


OURS: dict[str, Callable[[], list[float]]] = {
    "K1": k1, "K3": k3, "K4": k4, "K6": k6, "K7": k7, "W1": w1, "W2": w2, "W3": w3, "W4": w4,
    "W5": w5, "W9": w9, "W10": w10, "R1": r1, "R2": r2, "R3": r3, "R6": r6, "R7": r7, "R10": r10,
    "C1": c1, "C3": c3, "I1": i1,
}  # fmt: skip


def rows() -> pd.DataFrame:
    """The reference rows, as text."""
    return pd.read_csv(HERE / "rows.csv", dtype=str, keep_default_na=False)


def reference_table() -> pd.DataFrame:
    """Every row with ours and its distance from the value computed in R, or Python."""
    table = rows()
    table["ours"] = np.nan
    for name, compute in OURS.items():
        mine = table["id"] == name
        table.loc[mine, "ours"] = np.asarray(compute(), dtype=float)
    theirs = pd.to_numeric(
        table["computed_r"].where(table["computed_r"] != "", table["computed_python"])
    )
    table["relative_difference"] = (table["ours"] - theirs).abs() / theirs.abs()
    return table


def main() -> None:
    """Print the table."""
    shown = reference_table()[
        ["id", "quantity", "published", "seen", "ours", "relative_difference"]
    ]
    sys.stdout.write(shown.to_string(index=False, float_format=lambda v: f"{v:.10g}") + "\n")


if __name__ == "__main__":
    main()
