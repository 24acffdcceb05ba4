"""Does the true hazard ratio come back? Simulates companies and writes a table.

    python tests/simulation/vents/run_coverage.py ratio_2.00 --companies 1000 --seed 1

One row per figure of a scenario: the truth, the geometric mean of the estimates, their spread
and the mean standard error (of the logarithms), and how often the 95 % interval held the truth.
Verdicts and what the control said are rows of their own, as shares of companies.
"""

from __future__ import annotations

import argparse
import contextlib
import datetime as dt
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import vent_world
from vent_world import BANDS, World

from failstats.answers.vents_checks import future_exposure, within_unit
from failstats.answers.vents_models import adjusters, fit_ratios, indicators
from failstats.answers.vents_parts import control_of
from failstats.answers.vents_verdict import Evidence, verdict
from failstats.errors import FitError
from failstats.estimate.belief import calibrated_interval
from failstats.estimate.intervals import wilson

HERE = Path(__file__).resolve().parent
STATES = BANDS[1:]
Z = 1.959963984540054
# An unrecorded cause shows in a control only if the company is large.
LARGE = 16000
SCENARIOS = {
    "ratio_1.00": (World(ratio=1.0), "no effect; use recorded for 95 % of units"),
    "ratio_1.35": (World(ratio=1.35), "true ratio 1.35; use recorded for 95 % of units"),
    "ratio_2.00": (World(ratio=2.0), "true ratio 2.00; use recorded for 95 % of units"),
    "use_unrecorded_1.00": (
        World(ratio=1.0, recorded=0.0, units=LARGE), "no effect; use not recorded"
    ),
    "use_unrecorded_2.00": (
        World(ratio=2.0, recorded=0.0, units=LARGE), "true ratio 2.00; use not recorded"
    ),
}  # fmt: skip


def measured(world: World, rng: np.random.Generator) -> Iterator[tuple[str, float, float, float]]:
    """(figure, truth, log estimate, standard error) of one company; words have no error."""
    company = vent_world.simulate(world, rng)
    coil = vent_world.episodes(company, "coil")
    switch = vent_world.episodes(company, "switch")
    states = indicators(coil["band"], reference=BANDS[0], levels=STATES)
    ours = fit_ratios(coil, exposure=states, others=adjusters(coil))
    control = fit_ratios(
        switch,
        exposure=indicators(switch["band"], reference=BANDS[0], levels=STATES),
        others=adjusters(switch),
    )
    crude = fit_ratios(coil, exposure=states)
    truth = {"12_to_24": np.sqrt(world.ratio), "over_24": world.ratio}
    for band, true in truth.items():
        yield f"{band}: adjusted", true, ours.log_of(band), ours.error_of(band)
        yield f"{band}: crude", true, crude.log_of(band), crude.error_of(band)
        yield f"{band}: control", 1.0, control.log_of(band), control.error_of(band)
    band, true = "over_24", truth["over_24"]
    plain = float(np.sqrt(ours.fit.covariance[1, 1]))
    yield f"{band}: adjusted, not clustered", true, ours.log_of(band), plain
    calibrated = calibrated_interval(
        ours.log_of(band),
        standard_error=ours.error_of(band),
        control_log_ratios=[control.log_of(band)],
        control_standard_errors=[control.error_of(band)],
    )
    yield f"{band}: calibrated", true, calibrated.log_ratio, calibrated.standard_error
    beside = within_unit(vent_world.in_one_unit(company), names=STATES)
    yield f"{band}: within units", true, beside.log_ratio[band], beside.error[band]
    future = future_exposure(
        vent_world.with_future(company, coil), bands=STATES, reference=BANDS[0]
    )
    yield "next cleaning over a year away", 1.0, future.log_ratio, future.error
    wrong = vent_world.episodes(company, "coil", same_day=True)
    early = fit_ratios(
        wrong,
        exposure=indicators(wrong["band"], reference=BANDS[0], levels=STATES),
        others=adjusters(wrong),
    )
    yield f"{band}: cleaning acts on its own day", true, early.log_of(band), early.error_of(band)
    several = (coil.groupby("unit_id")["life"].transform("nunique") > 1).to_numpy()
    inside = coil[several].reset_index(drop=True)
    pairs = indicators(inside["band"], reference=BANDS[0], levels=STATES)
    with contextlib.suppress(FitError):  # a company may have no such pair
        paired = fit_ratios(inside, exposure=pairs, stratum="unit_id")
        figure = f"{band}: two lives of a unit at one age"
        yield figure, true, paired.log_of(band), paired.error_of(band)
    for name, by_the_end in (("at the failure too", True), ("before the failure", False)):
        log_ratio, error = vent_world.naive(company, "coil", by_the_end=by_the_end)
        yield f"ever cleaned, {name}", 1.0, log_ratio, error
    yield "failures of the coil", np.nan, float(ours.failures), np.nan
    yield "failures of the switch", np.nan, float(control.failures), np.nan
    said = control_of(control, list(truth), 0.95)
    low, high = np.exp(ours.log_of(band) + np.array([-Z, Z]) * ours.error_of(band))
    outlook = abs(future.log_ratio) > Z99 * future.error
    word, _ = verdict(
        Evidence(
            name="coil", when="last cleaned over 24 months ago", against="a clean one",
            ratio=float(np.exp(ours.log_of(band))), ci=(float(low), float(high)),
            error=ours.error_of(band), calibrated=calibrated.interval(),
            controls=(said,), cases=int(coil.loc[coil["band"] == band, "failed"].sum()),
            failures=ours.failures, future="the next cleaning predicts" if outlook else None,
        )
    )  # fmt: skip
    yield f"control says: {said}", np.nan, np.nan, np.nan
    yield f"verdict: {word}", np.nan, np.nan, np.nan
    yield f"next cleaning predicts: {'yes' if outlook else 'no'}", np.nan, np.nan, np.nan


Z99 = 2.5758293035489004  # the next cleaning must predict beyond chance at 1 % to spoil an answer


def table(name: str, companies: int, seed: int) -> pd.DataFrame:
    """One scenario: its figures over many companies."""
    world, what = SCENARIOS[name]
    rows, refused = [], 0
    for company in range(companies):
        rng = np.random.default_rng([seed, company])
        try:
            rows += [(company, *one) for one in measured(world, rng)]
        except FitError as fault:
            refused += 1
            print(company, fault.what, file=sys.stderr)
    frame = pd.DataFrame(rows, columns=["company", "figure", "truth", "log", "error"])
    fitted = companies - refused
    out = []
    for figure, mine in frame.groupby("figure", sort=False):
        entry = {
            "scenario": name, "what": what, "figure": figure, "companies": companies,
            "refused": refused,
        }  # fmt: skip
        if mine["error"].notna().any():
            mine = mine[mine["error"].notna()]
            held = int((np.abs(mine["log"] - np.log(mine["truth"])) <= Z * mine["error"]).sum())
            low, high = wilson(held, of=len(mine))
            entry |= {
                "truth": round(mine["truth"].iloc[0], 4),
                "estimate": round(float(np.exp(mine["log"].mean())), 4),
                "spread": round(float(mine["log"].std()), 4),
                "error": round(float(mine["error"].mean()), 4),
                "coverage": round(held / len(mine), 4),
                "coverage_low": round(float(low), 4),
                "coverage_high": round(float(high), 4),
            }
        elif mine["log"].notna().any():
            entry["estimate"] = round(float(mine["log"].mean()), 1)
        else:
            entry["share"] = round(len(mine) / fitted, 4)
        out.append(entry)
    program = "python tests/simulation/vents/run_coverage.py"
    command = f"{program} {name} --companies {companies} --seed {seed}"
    return pd.DataFrame(out).assign(seed=seed, command=command, date=dt.date.today().isoformat())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("scenario", choices=[*SCENARIOS])
    parser.add_argument("--companies", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    began = time.process_time()
    found = table(given.scenario, given.companies, given.seed)
    found.to_csv(HERE / f"{given.scenario}.csv", index=False)
    print(found.drop(columns=["what", "command", "date"]).to_string())
    print(f"{time.process_time() - began:.0f} s of processor time", file=sys.stderr)


if __name__ == "__main__":
    main()
