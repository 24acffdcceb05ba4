"""Does the truth come back from pairs? Simulates companies and writes a table per scenario.

    python tests/simulation/pairs/run_pairs.py no_link --companies 1000 --seed 1

Scenarios: `no_link` (the thermostat does nothing to the cutout), `units_differ` (the same, but a
frailty links all parts of a unit), `link` (a thermostat stuck closed multiplies the cutout's
hazard by 30). In all of them technicians pair the more the older the thermostat is, by habit.
The companies go through the functions that `failstats pairs` uses.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pair_world
import pandas as pd

from failstats.answers.pairs_follow import pair_follow_on, pair_habit
from failstats.answers.pairs_together import CALLED, failed_together
from failstats.errors import FitError
from failstats.estimate.dependence import dependence
from failstats.estimate.follow_on import cumulative_incidence
from failstats.estimate.hidden_state import hidden_state_fit
from failstats.estimate.intervals import wilson

HERE = Path(__file__).resolve().parent
WINDOW = 365
MULTIPLIER = 30.0
SCENARIOS = {
    "no_link": pair_world.PairTruth(units=6000),
    "units_differ": pair_world.PairTruth(frailty=0.5),
    "link": pair_world.PairTruth(multiplier=MULTIPLIER),
}
#: Companies of 20,000 units whose true pairing chances give the true difference.
TRUTH_COMPANIES, TRUTH_UNITS, TRUTH_SEED = 100, 20_000, 900_000
#: The first companies in which both models are fitted (four fits each), or habits asked.
TOLD_APART, BY_HABIT = 100, 100
CHI_SQUARE = 3.841  # 95 % point, one degree
COUNTED = (
    "pairs called failing together",
    "cutout and thermostat called",
    "one-way by the hidden-state model alone",
    "one-way with units that differ allowed for",
    "cannot be told apart",
)
Measured = tuple[str, float, float, float]  # quantity, estimate, low, high


def true_difference(truth: pair_world.PairTruth) -> tuple[float, float]:
    """Alone minus both within a year over all index jobs, and its standard error: weights from the
    chances that pairing was really drawn with, in companies together 660 times as
    large."""
    large = pair_world.replace_units(truth, TRUTH_UNITS)
    found = []
    for seed in range(TRUTH_COMPANIES):
        jobs = pair_world.index_jobs(pair_world.simulate(large, TRUTH_SEED + seed))
        both = jobs["both_replaced"].to_numpy()
        chance = jobs["propensity"].to_numpy()
        weight = 1 / np.where(both, chance, 1 - chance)
        shares = [
            float(
                cumulative_incidence(
                    jobs.loc[arm, "followed_days"],
                    event=jobs.loc[arm, "event"],
                    windows=[WINDOW],
                    weights=weight[arm],
                )[0]
            )
            for arm in (~both, both)
        ]
        found.append(shares[0] - shares[1])
    return float(np.mean(found)), float(np.std(found, ddof=1) / np.sqrt(len(found)))


def measure(company: pair_world.PairCompany, scenario: str, number: int) -> Iterator[Measured]:
    """Every quantity of one company."""
    jobs = pair_world.index_jobs(company)
    found = pair_follow_on(jobs, [WINDOW])
    low, high = found.interval()
    yield "difference, crude", float(found.difference()[0]), float(low[0]), float(high[0])
    weighted, limits = found.weighted_difference(), found.weighted_interval()
    if weighted is not None and limits is not None:
        yield "difference, weighted", float(weighted[0]), float(limits[0][0]), float(limits[1][0])
    habit = pair_habit(jobs, [WINDOW]) if number < BY_HABIT else None
    if habit is not None:
        ends = habit[1].interval()
        yield "difference, by habit", float(habit[1].difference[0]), *map(float, np.ravel(ends))
    together = failed_together(pair_world.failed_counts(company), 0.95)
    called = together[(together["failed_q_value"] < CALLED) & (together["failed_odds_ratio"] > 1)]
    names = {"|".join(sorted(row)) for row in called[["first", "second"]].to_numpy()}
    linked = "cutout|thermostat" in names
    yield "pairs called failing together", float(len(names)), np.nan, np.nan
    yield "cutout and thermostat called", float(linked), np.nan, np.nan
    if scenario == "units_differ" and number < TOLD_APART:
        told = dependence(pair_world.hidden_stretches(company))
        alone = told.hidden - told.neither > CHI_SQUARE / 2 and told.multiplier_alone > 1
        called_one_way = told.verdict in ("hidden_failure", "both")
        yield "one-way by the hidden-state model alone", float(alone), np.nan, np.nan
        yield "one-way with units that differ allowed for", float(called_one_way), np.nan, np.nan
        yield "cannot be told apart", float(told.verdict == "cannot_be_told_apart"), np.nan, np.nan
        yield "Kendall's tau, were units all", told.tau, *told.tau_interval()
    if scenario == "link":
        try:
            fit = hidden_state_fit(pair_world.hidden_stretches(company)).clustered()
        except FitError:
            return
        yield "multiplier", fit.multiplier, *fit.interval("multiplier")
        scale = np.array([fit.hidden.parameters["scale"], *fit.interval("hidden scale")])
        yield "thermostat scale, years", *map(float, scale / pair_world.YEAR)


def run(scenario: str, companies: int, seed: int, *, first: int = 0) -> pd.DataFrame:
    """The table of one scenario."""
    truth = SCENARIOS[scenario]
    rows = []
    for number in range(first, first + companies):
        company = pair_world.simulate(truth, 10_000 * seed + number)
        rows += [(number, *measured) for measured in measure(company, scenario, number)]
    frame = pd.DataFrame(rows, columns=["company", "quantity", "estimate", "low", "high"])
    tau = truth.frailty / (truth.frailty + 2)
    difference, error = (0.0, 0.0) if scenario != "link" else true_difference(truth)
    truths = {
        "multiplier": truth.multiplier,
        "thermostat scale, years": truth.hidden[1],
        "Kendall's tau, were units all": tau,
    }
    truths |= dict.fromkeys(COUNTED, np.nan)
    return pd.DataFrame(
        [
            _summary(name, group, truths.get(name, difference), companies)
            | {"truth_error": error if name.startswith("difference") else 0.0}
            for name, group in frame.groupby("quantity", sort=False)
        ]
    )


def _summary(name: str, group: pd.DataFrame, truth: float, companies: int) -> dict[str, Any]:
    """How often the interval held the truth, or how often a pair was called."""
    estimate = group["estimate"].to_numpy()
    row: dict[str, Any] = {"quantity": name, "companies": companies, "stated": len(group)}
    row |= {"truth": truth, "median": float(np.median(estimate)), "mean": float(estimate.mean())}
    if np.isfinite(truth):
        low, high = group["low"].to_numpy(), group["high"].to_numpy()
        held, what = (low <= truth) & (truth <= high), "interval holds the truth"
        row |= {"above_0": float((low > 0).mean()), "below_0": float((high < 0).mean())}
        row |= {"median_width": float(np.median(high - low))}
    else:
        held, what = estimate > 0, "any called"
        row |= {"above_0": np.nan, "below_0": np.nan, "median_width": np.nan}
    ends = wilson(int(held.sum()), of=len(held))
    return row | {"what": what, "share": float(held.mean()), "share_low": float(ends[0]),
                  "share_high": float(ends[1])}  # fmt: skip


def main() -> None:
    """Simulate one scenario and write its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("scenario", choices=[*SCENARIOS])
    parser.add_argument("--companies", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--no-write", action="store_true")
    options = parser.parse_args()
    began = time.perf_counter()
    table = run(options.scenario, options.companies, options.seed)
    command = "python tests/simulation/pairs/run_pairs.py " + " ".join(sys.argv[1:])
    table = table.assign(
        scenario=options.scenario, seed=options.seed, command=command,
        date=dt.date.today().isoformat(),
    )  # fmt: skip
    print(table.drop(columns=["command"]).to_string())
    print(f"{time.perf_counter() - began:.0f} s")
    if not options.no_write:
        table.to_csv(HERE / f"{options.scenario}.csv", index=False, float_format="%.4g")


if __name__ == "__main__":
    main()
