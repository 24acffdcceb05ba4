"""Does the truth come back from selected records? Simulates companies and writes a table.

    python tests/simulation/selection/run_coverage.py renewal_births --companies 200 --seed 1

One row per quantity: the truth, what a naive reader gets, our answer and the two brackets (all
medians over companies), how often our interval held the truth, and how often the bracket did. A
bracket is the span of the intervals of the two answers a reader would otherwise choose between.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import both_world
import hidden_world
import loss_world
import numpy as np
import pandas as pd
import renewal_world
import units_world

from failstats.counts.joint_table import JointTable
from failstats.counts.risk_table import RiskTable
from failstats.counts.row_pass import HiddenRows
from failstats.errors import FitError
from failstats.estimate.frailty import unit_frailty
from failstats.estimate.hidden_state import hidden_state_fit
from failstats.estimate.intervals import wilson
from failstats.estimate.life_models import FittedLife, fit
from failstats.estimate.renewal_births import renewal_births
from failstats.estimate.silent_loss import silent_loss

HERE = Path(__file__).resolve().parent
YEAR = 365.25
#: One measured quantity of one company: name, truth, ours with interval (None: refused), naive,
#: and the answers that make up the bracket, each with its interval.
Measured = tuple[
    str,
    float,
    tuple[float, float, float] | None,
    tuple[float, float, float],
    list[tuple[float, float, float]],
]


def _scale(found: object) -> tuple[float, float, float]:
    """Scale in years with its interval; not a number where nothing was fitted."""
    if not isinstance(found, FittedLife):
        return (np.nan, np.nan, np.nan)
    low, high = found.interval(method="normal")["scale"]
    return (found.parameters["scale"] / YEAR, low / YEAR, high / YEAR)


def _failed_by(found: FittedLife, age: float) -> tuple[float, float, float]:
    """Share failed by an age, with its interval."""
    low, high = found.survival_interval(age, method="normal")
    return (1 - float(found.survival(age)), 1 - high, 1 - low)


def _lives(entry: object, exit_: pd.Series, failed: pd.Series) -> object:
    days = exit_.to_numpy(float).round().clip(1)
    return fit(RiskTable.from_lives(entry, days, failed.to_numpy(bool)))


def _renewed(
    unknown: JointTable, known: RiskTable, other: float
) -> tuple[float, float, float] | None:
    try:
        found = renewal_births(unknown, known=known, other_replacements=other)
    except FitError:
        return None
    low, high = found.interval("scale", method="normal")
    return (found.parameters["scale"] / YEAR, low / YEAR, high / YEAR)


def renewal_company(truth: renewal_world.RenewalTruth, seed: int) -> Iterator[Measured]:
    """Scale of the life from contract units (or call-out units) that joined late."""
    lives = renewal_world.simulate(truth, seed)
    old, new = lives[~lives["known"]], lives[lives["known"]]
    known = RiskTable.from_lives(0, new["forward"].to_numpy(), new["failed"].to_numpy())
    joint = JointTable.from_lives(
        old["entry"], forward=old["forward"], failed=old["failed"], given=old["given"]
    )
    assumed = _scale(
        fit(
            RiskTable.from_lives(
                lives["assumed_entry"].to_numpy(),
                lives["assumed_exit"].to_numpy(),
                lives["failed"].to_numpy(),
            )
        )
    )
    ours = _renewed(joint, known, float(lives["other"].sum()))
    yield "scale_years", truth.life[1], ours, assumed, [_scale(fit(known)), assumed]


def loss_company(truth: loss_world.LossTruth, seed: int) -> Iterator[Measured]:
    """Scale of each part's life from call-out units alone."""
    rows, naive = loss_world.loss_rows(loss_world.simulate(truth, seed), list(truth.parts))
    try:
        found = silent_loss(rows)
    except FitError:
        found = None
    for part, (_, scale) in truth.parts.items():
        mine = naive[naive["part"] == part]
        to_end = _scale(_lives(0, mine["to_the_end"], mine["failed"]))
        contact = _scale(_lives(0, mine["contact_plus_a_year"], mine["failed"]))
        ours = None
        if found is not None and part not in found.fixed_shape:
            low, high = found.interval(f"{part} scale")
            ours = (found.life(part).parameters["scale"] / YEAR, low / YEAR, high / YEAR)
        yield f"{part}_scale_years", scale, ours, to_end, [to_end, contact]


def hidden_company(truth: hidden_world.HiddenTruth, seed: int) -> Iterator[Measured]:
    """Life of the part that fails unseen, the multiplier, the partner's own life.

    The bracket is the pair of answers to "what does it mean that nobody tested?": nothing, or
    that the part looked good; where units differ, the pair with and without their variance.
    """
    rows, naive = hidden_world.simulate(truth, seed)
    ways: list[dict[str, Any]] = [{"untested": "nothing"}, {"untested": "passed"}]
    if truth.frailty:  # the variance is told; the other answer takes units to be alike
        ways = [{"variance": truth.frailty}, {"variance": 0.0}]
    yield from _hidden_measured(truth, rows, naive, ways)


def _hidden_measured(
    truth: hidden_world.HiddenTruth | both_world.BothTruth,
    rows: HiddenRows,
    naive: pd.DataFrame,
    ways: list[dict[str, Any]],
) -> Iterator[Measured]:
    plain_fit = _lives(0, naive["days"], naive["failed"])
    discovery = _scale(plain_fit)
    fits = []
    for way in ways:
        try:
            fits.append(hidden_state_fit(rows, **way))
        except FitError:
            fits.append(None)
    asked = {
        "hidden scale": ("hidden_scale_years", truth.hidden[1], YEAR, discovery),
        "multiplier": ("multiplier", truth.multiplier, 1.0, (np.nan, np.nan, np.nan)),
        "own scale": ("own_scale_years", truth.own[1], YEAR, (np.nan, np.nan, np.nan)),
    }
    for name, (label, value, unit, plain) in asked.items():
        answers = [
            None
            if one is None
            else tuple(
                x / unit for x in (np.exp(one.peak.theta[one.peak.at(name)]), *one.interval(name))
            )
            for one in fits
        ]
        yield label, value, answers[0], plain, [a for a in answers if a is not None]  # type: ignore[misc]
    shape, scale = truth.hidden
    value = 1 - np.exp(-((5 / scale) ** shape))
    answers = [None if one is None else _failed_by(one.hidden, 5 * YEAR) for one in fits]
    plain = _failed_by(plain_fit, 5 * YEAR) if isinstance(plain_fit, FittedLife) else discovery
    yield (
        "hidden_failed_by_5_years",
        value,
        answers[0],
        plain,
        [a for a in answers if a is not None],
    )


def both_company(truth: both_world.BothTruth, seed: int) -> Iterator[Measured]:
    """Two selections at once: the default answer for the visible parts, births by renewal on
    contract, and (where the company has one) the pair that fails unseen."""
    both = both_world.simulate(truth, seed)
    try:
        found = silent_loss(both.loss)
    except FitError:
        found = None
    for part, (_, scale) in truth.parts.items():
        mine = both.naive[both.naive["part"] == part]
        to_end = _scale(_lives(0, mine["to_the_end"], mine["failed"]))
        contact = _scale(_lives(0, mine["contact_plus_a_year"], mine["failed"]))
        ours = None
        if found is not None and part not in found.fixed_shape:
            low, high = found.interval(f"{part} scale")
            ours = (found.life(part).parameters["scale"] / YEAR, low / YEAR, high / YEAR)
        yield f"{part}_scale_years", scale, ours, to_end, [to_end, contact]
    if not truth.pair:
        assumed = _scale(fit(both.assumed))
        ours = _renewed(both.unknown, both.known, 0.0)
        ends = [_scale(fit(both.known)), assumed]
        yield "coil_scale_years_by_renewal", truth.parts["coil"][1], ours, assumed, ends
    elif both.hidden is not None and both.found is not None:
        yield from _hidden_measured(truth, both.hidden, both.found, [{}])


def units_company(truth: units_world.UnitsTruth, seed: int) -> Iterator[Measured]:
    """Share of coils failed by 5 years in a new unit, and how much units differ.

    Naive: lives pooled as if units were alike; the bracket: first-fitted lives alone beside it.
    """
    lives = units_world.simulate(truth, seed)
    coil = lives[lives["part"] == "coil"]
    pooled, first = (
        _lives(0, rows["days"], rows["failed"]) for rows in (coil, coil[coil["first"]])
    )
    five = 5 * YEAR
    try:
        found = unit_frailty(
            lives["unit"], law=lives["part"], entry=0.0, exit=lives["days"], failed=lives["failed"]
        )
    except FitError:
        found = None
    ours = variance = None
    if found is not None:
        low, high = found.new_unit_interval(five, law="coil")
        value = 1 - float(found.new_unit_survival(five, law="coil"))
        ours = (value, 1 - high, 1 - low)
        variance = (found.variance, *found.interval())
    told = units_world.failed_by(truth, "coil", 5)
    ends = [_failed_by(one, five) for one in (pooled, first)]  # type: ignore[arg-type]
    yield "coil_failed_by_5_years_in_a_new_unit", told, ours, ends[0], ends
    nothing = (np.nan, np.nan, np.nan)
    yield "variance", truth.variance, variance, nothing, [variance or nothing]


RENEWAL, LOSS, HIDDEN = (
    renewal_world.RenewalTruth(),
    loss_world.LossTruth(),
    hidden_world.HiddenTruth(maintenance=0.0, hot_at_failure=0.25, pair_habit=0.1),
)
SCENARIOS: dict[str, tuple[Callable[..., Iterator[Measured]], object, str]] = {
    "renewal_births": (renewal_company, RENEWAL, "contract units that join at any age"),
    "renewal_births_call_out": (
        renewal_company,
        replace(RENEWAL, call_out=True),
        "call-out units, watched by silence",
    ),
    "renewal_births_frailty": (
        renewal_company,
        replace(RENEWAL, frailty=0.5),
        "broken on purpose: units differ, variance 0.5",
    ),
    "silent_loss": (loss_company, LOSS, "call-out units that leave without a word"),
    "silent_loss_after_repair": (
        loss_company,
        replace(LOSS, leaves_after_repair=0.3),
        "broken on purpose: three in ten repairs drive the customer away",
    ),
    "hidden_state": (hidden_company, HIDDEN, "few looks at the part that fails unseen"),
    "hidden_state_frailty": (
        hidden_company,
        replace(HIDDEN, frailty=0.3),
        "two at once: failures unseen in units that differ, variance 0.3 told",
    ),
    "late_and_silent": (
        both_company,
        both_world.BothTruth(),
        "two at once: contract units that join late, call-out units that leave",
    ),
    "silent_and_hidden": (
        both_company,
        both_world.BothTruth(pair=True, units=5000),
        "two at once: call-out units that leave, a pair that fails unseen",
    ),
    "units_differ": (
        units_company,
        units_world.UnitsTruth(),
        "units differ, variance 0.5: what a new unit does",
    ),
    "hidden_state_tests_by_state": (
        hidden_company,
        replace(HIDDEN, hot_if_bad=0.5),
        "broken on purpose: bad parts are tested hot twice as often",
    ),
}


def run(scenario: str, companies: int, seed: int) -> pd.DataFrame:
    """The table of one scenario: one row per quantity."""
    company, truth, what = SCENARIOS[scenario]
    kept: dict[str, list[Measured]] = {}
    for number in range(companies):
        for one in company(truth, seed * 100_000 + number):
            kept.setdefault(one[0], []).append(one)
    return pd.DataFrame([_row(scenario, what, name, ones) for name, ones in kept.items()])


def _row(scenario: str, what: str, name: str, ones: list[Measured]) -> dict[str, object]:
    truth = ones[0][1]
    ours = np.array([one[2] for one in ones if one[2] is not None], dtype=float).reshape(-1, 3)
    naive = np.array([one[3] for one in ones], dtype=float)
    held = int(((ours[:, 1] <= truth) & (truth <= ours[:, 2])).sum())
    low, high = wilson(held, of=len(ours)) if len(ours) else (np.nan, np.nan)
    ends = [np.array(one[4], dtype=float).reshape(-1, 3) for one in ones]
    bracketed = sum(
        bool(len(end) == 0 or (np.nanmin(end[:, 1]) <= truth <= np.nanmax(end[:, 2])))
        for end in ends
    )
    width = [float(np.log(end[0, 2] / end[0, 1])) for end in ends if len(end)]
    mine = np.log(ours[:, 2] / ours[:, 1]) if len(ours) else np.array([np.nan])
    numbers = {
        "truth": truth,
        "naive_median": _median(naive[:, 0]),
        "ours_median": _median(ours[:, 0]),
        "ours_mean": float(ours[:, 0].mean()) if len(ours) else np.nan,
        "bracket_low_median": _median([np.nanmin(end[:, 0]) for end in ends if len(end)]),
        "bracket_high_median": _median([np.nanmax(end[:, 0]) for end in ends if len(end)]),
        "coverage": held / max(len(ours), 1),
        "coverage_low": low,
        "coverage_high": high,
        "bracket_or_refused": bracketed / len(ones),
        "width_against_first_of_bracket": _median(mine) / _median(width),
    }
    return {
        "scenario": scenario,
        "what": what,
        "quantity": name,
        "companies": len(ones),
        "refused": len(ones) - len(ours),
        **{key: _round(value) for key, value in numbers.items()},
    }


def _median(values: object) -> float:
    held = np.asarray(values, dtype=float)
    held = held[np.isfinite(held)]
    return float(np.median(held)) if held.size else np.nan


def _round(value: float) -> float:
    return float(f"{value:.4g}")


def main() -> None:
    """Run one scenario and write its table beside this file."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("scenario", choices=[*SCENARIOS])
    parser.add_argument("--companies", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    began = time.monotonic()
    table = run(options.scenario, options.companies, options.seed)
    table["seed"] = options.seed
    table["command"] = "python tests/simulation/selection/run_coverage.py " + " ".join(sys.argv[1:])
    table["date"] = dt.date.today().isoformat()
    path = HERE / f"{options.scenario}.csv"
    before = pd.read_csv(path) if path.exists() else table.iloc[:0]
    table = pd.concat([before[before["seed"] != options.seed], table])  # one block per seed
    table.to_csv(path, index=False, lineterminator="\n")
    print(table.T.to_string(), f"\n{time.monotonic() - began:.0f} s")


if __name__ == "__main__":
    main()
