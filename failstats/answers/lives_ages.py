"""What a life is held against, age by age: bands, a plot, life left, swaps, repeats."""

from __future__ import annotations

import numpy as np
import pandas as pd

from failstats.answers.lives_fits import Asked, Selection, number, pair, scale_of
from failstats.answers.lives_rows import (
    YEAR_DAYS,
    AgeBand,
    BracketEnd,
    FoundLater,
    LifeLeft,
    PlotPoint,
    Replaced,
)
from failstats.counts.risk_table import RiskTable
from failstats.errors import FailstatsError
from failstats.estimate.intervals import poisson_exact
from failstats.estimate.life_checks import observed_expected, probability_plot
from failstats.estimate.life_intervals import fit_intervals
from failstats.estimate.life_models import FittedLife, NoFit, fit
from failstats.estimate.mean_life import life_left
from failstats.warehouse.session import Session

__all__ = [
    "UNIT_COLUMNS",
    "age_bands",
    "between_looks",
    "left_at_ages",
    "plot_points",
    "replaced_bounds",
]

BAND_LOADS = 250.0  # about ten months of a dryer used six times a week
LEFT_AT_YEARS = (1, 2, 3, 5, 8, 12)
LEFT_AT_LOADS = (250, 500, 1000, 2000)
LOOK_AHEAD_YEARS, LOOK_AHEAD_LOADS = 5, 1500.0
MOST_BANDS = 12
SOUND_COUNT = 10  # lives; fewer make a curve jump about
#: Columns that belong to a unit, not to a life: by these units can be told apart.
UNIT_COLUMNS = ("family", "fuel", "van_id", "duct_material", "termination")


def age_bands(table: RiskTable, found: FittedLife | NoFit | None, level: float) -> list[AgeBand]:
    """Failures seen in each year of age (or every 250 loads) beside those the fit expects."""
    own = table.only("failed")
    if not own.lives or not own.exposure > 0:
        return []
    edges = _edges(own)
    if edges.size < 2:
        return []
    known = found if isinstance(found, FittedLife) else None
    bands = observed_expected(known, table=own, bands=edges, cause="failed")
    low, high = bands.interval(level)
    at_risk = own.at_risk_at(edges[:-1] + 1e-9)
    rows = []
    for i in np.flatnonzero(bands.exposure > 0):
        lived, expected = float(bands.exposure[i]), float(bands.expected[i])
        seen = known is not None and expected > 0
        # the exact limits of the count, over what was lived
        scale = expected / lived if seen else 1 / lived
        limits = (low[i], high[i]) if seen else _count_limits(bands.observed[i], level)
        rows.append(
            AgeBand(
                from_days=float(bands.lower[i]),
                to_days=float(bands.upper[i]),
                at_risk=int(at_risk[i]),
                person_days=lived,
                failures=int(bands.observed[i]),
                expected=expected if seen else None,
                ratio=float(bands.ratio[i]) if seen else None,
                ratio_ci=(float(low[i]), float(high[i])) if seen else None,
                rate=float(bands.observed[i]) / lived,
                rate_ci=(float(limits[0]) * scale, float(limits[1]) * scale),
            )
        )
    return rows


def _edges(table: RiskTable) -> np.ndarray:
    """Whole years (or 250 loads), wider where the records are long; the thin end is one band."""
    every, last = YEAR_DAYS if table.unit == "days" else BAND_LOADS, float(table.age.max())
    sound = table.age[table.at_risk_at(table.age) >= SOUND_COUNT]
    reached = float(sound.max(initial=0)) or last
    while reached / every > MOST_BANDS:
        every *= 2
    edges = every * np.arange(max(1, int(reached // every)) + 1)
    return edges if edges[-1] >= last else np.append(edges, every * np.ceil(last / every))


def _count_limits(count: float, level: float) -> tuple[float, float]:
    low, high = poisson_exact(count, confidence_level=level)
    return float(low), float(high)


def plot_points(table: RiskTable, model: str) -> list[PlotPoint]:
    """Each age with failures on the family's paper; empty where there is none of that family."""
    try:
        found = probability_plot(table, model=model, cause="failed")
    except FailstatsError:
        return []
    return [
        PlotPoint(age_days=float(a), share_failed=float(s), across=float(x), up=float(y))
        for a, s, x, y in zip(found.age, found.failed_share, found.across, found.up, strict=True)
        if np.isfinite(y)
    ]


def left_at_ages(
    table: RiskTable, found: FittedLife | NoFit | None, level: float
) -> list[LifeLeft]:
    """What parts of a few round ages may still expect."""
    in_days = table.unit == "days"
    ages = [YEAR_DAYS * y for y in LEFT_AT_YEARS] if in_days else list(LEFT_AT_LOADS)
    ahead = LOOK_AHEAD_YEARS * YEAR_DAYS if in_days else LOOK_AHEAD_LOADS
    last = float(table.age.max(initial=0))
    rows = []
    for age in ages:
        if age >= last or table.at_risk_at(age + 1e-9) < SOUND_COUNT:
            continue
        try:
            left = life_left(
                table,
                age=age,
                horizon=min(age + ahead, last),
                cause="failed",
                confidence_level=level,
            )
        except FailstatsError:  # all that reached this age failed before others came under watch
            continue
        low, high = left.mean.interval(level)
        rows.append(
            LifeLeft(
                age_days=age,
                at_risk=int(left.at_risk),
                median_days=number(left.median),
                median_ci=pair(left.median_interval) or (None, None),
                mean_days=left.mean.mean,
                mean_ci=(low, high),
                mean_until_days=left.mean.horizon,
                fitted_median_days=_fitted_median_left(found, age),
            )
        )
    return rows


def _fitted_median_left(found: FittedLife | NoFit | None, age: float) -> float | None:
    if not isinstance(found, FittedLife):
        return None
    hazard = float(found.cumulative_hazard(age)) + np.log(2)
    return number(float(np.asarray(found.family.age_at(found.theta, np.array(hazard)))) - age)


def replaced_bounds(
    session: Session, part: str, asked: Asked, selection: Selection, table: RiskTable
) -> Replaced | None:
    """How far parts swapped while working, or untested, could move the answer; None without any."""
    rows = session.run("lives_replaced", clock=selection.clock, **selection.params(part))
    if rows.empty:
        return None
    by_ending = rows.groupby("ending")["lives"].sum()
    working, unknown = (
        int(by_ending.get(name, 0)) for name in ("replaced_working", "replaced_unknown")
    )
    own = table.only("failed")
    cells = pd.concat(
        [
            pd.DataFrame(
                {
                    "age": own.age, "entered": own.entered,
                    "failed_failed": own.failed_total, "left": own.left,
                }
            ),
            pd.DataFrame({"age": rows["exit_age"], "left": -rows["lives"]}),
            pd.DataFrame({"age": rows["until_age"], "left": rows["lives"]}),
        ]
    )  # fmt: skip
    cells = cells.fillna(0).groupby("age", as_index=False).sum().astype("int64")
    worked_on = RiskTable.from_cells(cells, unit=table.unit)
    swapped = ["failed", "replaced_working", "replaced_unknown"]
    present = [name for name in swapped if name in table.failed]
    failed = table.only(present).merge_causes("failed", present)
    ends = [
        ("as_recorded", own),
        ("all_swapped_had_failed", failed),
        ("all_swapped_worked_on", worked_on),
    ]
    return Replaced(
        working=working,
        unknown=unknown,
        share=(working + unknown) / max(working + unknown + own.failures, 1),
        bounds=[_end(name, counts, asked.level) for name, counts in ends],
    )


def _end(name: str, table: RiskTable, level: float) -> BracketEnd:
    found = fit(table, cause="failed")
    scale, ci = scale_of(found, level)
    return BracketEnd(assumption=name, failures=int(found.failures), scale_days=scale, ci=ci)


def between_looks(
    session: Session, part: str, asked: Asked, selection: Selection
) -> FoundLater | None:
    """What the life would be if failures that maintenance found lie anywhere since the last look.

    None where maintenance found none, or on the loads clock.
    """
    if selection.clock != "days":
        return None
    params = {k: v for k, v in selection.params(part).items() if k != "bracket"}
    rows = session.run("lives_looked", **params)
    upper = rows["found_days"].astype(float).fillna(np.inf).to_numpy()
    seen, weight = rows["seen_days"].to_numpy(float), rows["lives"].to_numpy(float)
    apart = np.isfinite(upper) & (seen < upper)
    if not apart.any():
        return None
    # failures of day 0 stand at half a day, as in the counts
    at_birth = upper == 0
    seen, upper = np.where(at_birth, 0.0, seen), np.where(at_birth, 0.5, upper)
    useful = np.isfinite(upper) | (seen > 0)
    found = fit_intervals(
        seen[useful],
        upper=upper[useful],
        entry=rows["entry_days"].to_numpy(float)[useful],
        counts=weight[useful],
    )
    count = int(weight[apart].sum())
    if not isinstance(found, FittedLife):
        return FoundLater(found=count, scale_days=None, ci=None)
    low, high = found.interval(asked.level, method="normal")["scale"]
    return FoundLater(found=count, scale_days=found.parameters["scale"], ci=(low, high))
