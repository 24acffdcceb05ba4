"""Do 95 % intervals hold the truth 95 times in 100? Simulates companies and writes a table.

    python tests/simulation/lives/run_coverage.py right_censored --companies 2000 --seed 1

One row per true law, quantity and kind of interval. ``within`` says which limits the issue sets
for the row; rows without limits stand beside for comparison, or are broken on purpose.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import life_worlds as worlds
import numpy as np
import pandas as pd
from life_worlds import YEAR, Law, Watched

from failstats.counts.risk_table import RiskTable
from failstats.estimate.curves import kaplan_meier
from failstats.estimate.intervals import wilson
from failstats.estimate.life_intervals import fit_intervals
from failstats.estimate.life_models import FEW_FAILURES, FEWEST_FAILURES, FittedLife, fit
from failstats.estimate.life_robust import sandwich
from failstats.estimate.life_sharing import shrink_families
from failstats.estimate.likelihood import ShapePenalty
from failstats.estimate.turnbull import turnbull

HERE = Path(__file__).resolve().parent
LIMITS = "0.93 to 0.97"
LAWS = (Law(shape=1.8, scale=9.0), Law(shape=1.0, scale=6.0))
FIVE_YEARS = round(5 * YEAR)
FIFTH_LOOK = 5 * round(YEAR)

#: The prior of the few-failures scenarios: log shape is normal with this centre and variance.
PRIOR = ShapePenalty(centre=float(np.log(1.7)), variance=0.3**2)
EXPECTED_FAILURES = 11.0
SIBLINGS, SIBLING_FAILURES = 8, 60.0

#: One interval of one company: quantity, kind, limits set, truth, estimate, low, high.
Measured = tuple[str, str, str, float, float, float, float]


def _three(
    found: FittedLife, law: Law, kind: str, limits: str, *, method: str | None = None
) -> Iterator[Measured]:
    """Shape, scale and B10 with the intervals of one kind."""
    pairs = found.interval(method=method)
    b10 = found.quantile_interval(0.1, method=method)
    shape, scale = found.parameters["shape"], found.parameters["scale"] / YEAR
    yield "shape", kind, limits, law.shape, shape, *pairs["shape"]
    yield "scale_years", kind, limits, law.scale, scale, *(np.array(pairs["scale"]) / YEAR)
    yield "b10_years", kind, limits, law.b10, found.quantile(0.1) / YEAR, *(np.array(b10) / YEAR)


def _watched(lives: Watched, law: Law) -> Iterator[Measured]:
    """What `lives` prints: profile intervals, or clustered ones; and the curve at five years."""
    table = RiskTable.from_lives(lives.entry, lives.exit, lives.failed)
    found = fit(table)
    if not isinstance(found, FittedLife):
        yield "shape", "profile", LIMITS, law.shape, np.nan, np.nan, np.nan
        return
    yield from _three(found, law, "profile", LIMITS)
    together = sandwich(
        found, entry=lives.entry, exit=lives.exit, failed=lives.failed, cluster=lives.unit
    )
    yield from _three(found.clustered(together), law, "clustered by unit", LIMITS)
    yield from _three(found, law, "normal", "", method="normal")
    curve = kaplan_meier(table)
    at = int(np.searchsorted(curve.age, FIVE_YEARS, side="right")) - 1
    if curve.conditioned_on == 0 and curve.followed_to >= FIVE_YEARS and at >= 0:
        low, high = curve.interval()
        truth = float(law.survival(np.array(FIVE_YEARS)))
        seen = curve.survival[at], low[at], high[at]
        yield "survival_5y", "Kaplan-Meier, log-log", LIMITS, truth, *seen


def right_censored(law: Law, rng: np.random.Generator) -> Iterator[Measured]:
    yield from _watched(worlds.right_censored(law, rng, units=250, span=8.0), law)


def late_joiners_known_births(law: Law, rng: np.random.Generator) -> Iterator[Measured]:
    yield from _watched(worlds.late_joiners(law, rng, units=400, span=9.0)[0], law)


def late_joiners_known_ages(law: Law, rng: np.random.Generator) -> Iterator[Measured]:
    yield from _watched(worlds.late_joiners(law, rng, units=250, span=8.0)[1], law)


def call_out_reported(law: Law, rng: np.random.Generator) -> Iterator[Measured]:
    yield from _watched(worlds.call_out(law, rng, units=900, span=10.0), law)


def _thin(law: Law, rng: np.random.Generator) -> RiskTable:
    """A family in which 5 to 20 parts failed; others are drawn again."""
    while True:
        lives = worlds.few_failures(law, rng, expected=EXPECTED_FAILURES, span=8.0)
        if FEWEST_FAILURES <= lives.failed.sum() <= FEW_FAILURES:
            return RiskTable.from_lives(lives.entry, lives.exit, lives.failed)


def _drawn(law: Law, rng: np.random.Generator, off: float = 0.0) -> Law:
    """A family's own law: log shape about the prior's centre, ``off`` deviations beside it."""
    centre = PRIOR.centre + off * np.sqrt(PRIOR.variance)
    spread = 0.0 if off else np.sqrt(PRIOR.variance)
    return Law(shape=float(np.exp(rng.normal(centre, spread))), scale=law.scale)


def few_failures(law: Law, rng: np.random.Generator) -> Iterator[Measured]:
    """The true prior is known; beside it the same records without any penalty."""
    own = _drawn(law, rng)
    table = _thin(own, rng)
    yield from _fitted(table, own, "penalised profile", LIMITS, penalty=PRIOR)
    yield from _fitted(table, own, "profile, no penalty", "")


def few_failures_shared(law: Law, rng: np.random.Generator) -> Iterator[Measured]:
    """The prior comes from eight sibling families with about 60 failures each."""
    fits, laws = {}, [_drawn(law, rng) for _ in range(SIBLINGS)]
    for number, sibling in enumerate(laws):
        lives = worlds.few_failures(sibling, rng, expected=SIBLING_FAILURES, span=8.0)
        fits[number] = fit(RiskTable.from_lives(lives.entry, lives.exit, lives.failed))
    shared = shrink_families(fits)
    own = _drawn(law, rng)
    yield from _fitted(
        _thin(own, rng), own, "penalised profile", LIMITS, penalty=shared.shape_penalty()
    )
    first = shared.parameters(0)
    low, high = shared.interval(0)["shape"]
    yield "shape", "a sibling, shared", LIMITS, laws[0].shape, first["shape"], low, high


def few_failures_prior_off(law: Law, rng: np.random.Generator) -> Iterator[Measured]:
    """Broken on purpose: every family's true log shape lies one deviation beside the centre."""
    own = _drawn(law, rng, off=1.0)
    yield from _fitted(_thin(own, rng), own, "penalised profile", "", penalty=PRIOR)


def _fitted(
    table: RiskTable, law: Law, kind: str, limits: str, *, penalty: ShapePenalty | None = None
) -> Iterator[Measured]:
    found = fit(table, penalty=penalty)
    if isinstance(found, FittedLife):
        yield from _three(found, law, kind, limits)
    else:
        yield "shape", kind, limits, law.shape, np.nan, np.nan, np.nan


def maintenance_findings(law: Law, rng: np.random.Generator) -> Iterator[Measured]:
    """Beside it, what taking the day of the finding for the day of the failure would give."""
    seen = worlds.maintenance_findings(law, rng, units=250, span=8.0)
    found = fit_intervals(seen.lower, upper=seen.upper, entry=seen.entry)
    if isinstance(found, FittedLife):
        yield from _three(found, law, "profile", LIMITS)
        yield from _three(found, law, "normal", "", method="normal")
    else:
        yield "shape", "profile", LIMITS, law.shape, np.nan, np.nan, np.nan
    yield from _looked(seen, law, "")  # every look has its own age: too narrow, for comparison
    failed = np.isfinite(seen.upper)
    exits = np.where(failed, seen.upper, seen.lower)
    naive = RiskTable.from_lives(seen.entry, exits, failed)
    yield from _fitted(naive, law, "profile, finding taken for failure", "")


def maintenance_on_schedule(law: Law, rng: np.random.Generator) -> Iterator[Measured]:
    """Looks at whole years of age: the curve without a shape is known at each of them."""
    seen = worlds.maintenance_findings(law, rng, units=250, span=8.0, on_schedule=True)
    yield from _three(
        fit_intervals(seen.lower, upper=seen.upper, entry=seen.entry), law, "profile", LIMITS
    )
    yield from _looked(seen, law, LIMITS)


def _looked(seen: worlds.Looked, law: Law, limits: str) -> Iterator[Measured]:
    """Turnbull's curve at the fifth look."""
    curve = turnbull(seen.lower, upper=seen.upper, entry=seen.entry)
    low, high = curve.interval()
    at = int(np.searchsorted(curve.upper, FIFTH_LOOK, side="right")) - 1
    truth = float(law.survival(np.array(FIFTH_LOOK)))
    kind = "Turnbull, log-log"
    yield "survival_5y", kind, limits, truth, curve.survival[at], low[at], high[at]


Company = Callable[[Law, np.random.Generator], Iterator[Measured]]
SCENARIOS: dict[str, tuple[Company, str]] = {
    "right_censored": (right_censored, "contract from installation, 250 units, 8 years"),
    "late_joiners_known_births": (
        late_joiners_known_births, "400 units join at any age; lives born under contract only"),
    "late_joiners_known_ages": (
        late_joiners_known_ages, "250 units join at any age; the part found has a known age"),
    "call_out_reported": (
        call_out_reported, "900 call-out units, watched from the first visit, leaving is reported"),
    "few_failures": (
        few_failures, "5 to 20 failures; log shape normal, centre log 1.7, deviation 0.3, known"),
    "few_failures_shared": (
        few_failures_shared,
        "5 to 20 failures; centre and deviation estimated from 8 families of 60"),
    "few_failures_prior_off": (
        few_failures_prior_off,
        "broken on purpose: 5 to 20 failures, truth one deviation off the centre"),
    "maintenance_findings": (
        maintenance_findings,
        "250 units looked at about once a year, failures known to an interval"),
    "maintenance_on_schedule": (
        maintenance_on_schedule,
        "250 units looked at on whole years of the part's age"),
}  # fmt: skip


def run(scenario: str, companies: int, seed: int) -> pd.DataFrame:
    """The table of one scenario: one row per law, quantity and kind of interval."""
    company, what = SCENARIOS[scenario]
    rows = []
    for place, law in enumerate(LAWS):
        kept: dict[tuple[str, str], list[Measured]] = {}
        for number in range(companies):
            rng = np.random.Generator(np.random.PCG64([seed, place, number]))
            for one in company(law, rng):
                kept.setdefault(one[:2], []).append(one)
        shape = "drawn" if scenario.startswith("few_failures") else f"{law.shape:g}"
        named = f"shape {shape}, scale {law.scale:g} years"
        first = {"scenario": scenario, "what": what, "law": named}
        rows += [{**first, **_row(companies, ones)} for ones in kept.values()]
    return pd.DataFrame(rows)


def _row(companies: int, ones: list[Measured]) -> dict[str, object]:
    quantity, kind, limits = ones[0][:3]
    values = np.array([one[3:] for one in ones], dtype=float)
    values = values[np.isfinite(values[:, 1])]
    truth, estimate, low, high = values.T
    below, above = int((high < truth).sum()), int((low > truth).sum())
    held = int(((low <= truth) & (truth <= high)).sum())
    cover = wilson(held, of=len(values)) if len(values) else (np.nan, np.nan)
    return {
        "quantity": quantity, "interval": kind, "within": limits,
        "companies": companies, "answered": len(values),
        "truth_median": _round(np.median(truth)), "estimate_median": _round(np.median(estimate)),
        "mean_log_error": _round(np.mean(np.log(estimate / truth))),
        "coverage": _round(held / max(len(values), 1)),
        "coverage_low": _round(cover[0]), "coverage_high": _round(cover[1]),
        "wholly_below": below, "wholly_above": above,
    }  # fmt: skip


def _round(value: float) -> float:
    return float(f"{value:.4g}")


def main() -> None:
    """Run one scenario and write its table beside this file."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("scenario", choices=[*SCENARIOS])
    parser.add_argument("--companies", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--into", type=Path, default=HERE, help="folder to write to")
    options = parser.parse_args()
    began = time.monotonic()
    table = run(options.scenario, options.companies, options.seed)
    table["seed"] = options.seed
    table["command"] = (
        f"python tests/simulation/lives/run_coverage.py {options.scenario} "
        f"--companies {options.companies} --seed {options.seed}"
    )
    table["date"] = dt.date.today().isoformat()
    table.to_csv(options.into / f"{options.scenario}.csv", index=False, lineterminator="\n")
    shown = ["law", "quantity", "interval", "answered", "coverage", "wholly_below", "wholly_above"]
    print(table[shown].to_string(), f"\n{time.monotonic() - began:.0f} s", file=sys.stdout)


if __name__ == "__main__":
    main()
