"""The hazard models behind `vents`: one part, adjusted, crude, and a second opinion."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from failstats.answers.lives import Selection, single_life
from failstats.counts.pattern_table import PatternTable
from failstats.estimate.belief import (
    calibrated_interval,
    control_verdict,
)
from failstats.estimate.hazard_model import Design, cluster_robust, cox, proportional_hazards_test
from failstats.estimate.life_models import FittedLife
from failstats.estimate.meaning import attributable_share, time_ratio
from failstats.estimate.poisson_model import agreement, piecewise_exponential
from failstats.warehouse.session import Session

__all__ = [
    "BANDS",
    "REFERENCE",
    "Fitted",
    "attributable_of",
    "calibrated_of",
    "cleanings_of",
    "control_of",
    "fit_part",
    "limits_of",
    "number_or_none",
    "time_ratio_of",
]

BANDS = ("12_to_24", "over_24", "unknown")
REFERENCE = "under_12"
LOADS_REFERENCE = 5  # of ten bins; bin 0 is "not recorded"
AGE_CUTS = tuple(365 * year for year in range(1, 21))
YEAR_DAYS = 365.25


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fitted:
    """One part's models, by band: log ratio, robust error, and the figures around them."""

    part: str
    log_ratio: dict[str, float]
    error: dict[str, float]
    crude: dict[str, float]
    crude_error: dict[str, float]
    second: dict[str, tuple[float | None, float | None, float | None]]
    covariance: np.ndarray
    cases: dict[str, int]
    person_days: dict[str, float]
    failures: int
    lives_failed_share: float
    proportional_p: dict[str, float]
    agree: bool


def _codes(frame: pd.DataFrame, strata: dict[str, int]) -> pd.DataFrame:
    """Stratum and pattern as numbers: pattern = band x 11 + loads bin."""
    band = frame["band"].map({name: k for k, name in enumerate((REFERENCE, *BANDS))})
    return frame.assign(
        stratum=frame["stratum"].map(strata).astype("int64"),
        pattern=(band * 11 + frame["loads_bin"]).astype("int64"),
    )


def _designs() -> tuple[Design, Design]:
    """Adjusted (bands and use) and crude (bands alone), one row per pattern."""
    band, bin_ = np.divmod(np.arange(44), 11)
    bands = np.column_stack([band == k + 1 for k in range(len(BANDS))]).astype(float)
    use = np.column_stack([bin_ == k for k in range(11) if k != LOADS_REFERENCE]).astype(float)
    names = tuple(BANDS)
    use_names = tuple(f"loads_bin_{k}" for k in range(11) if k != LOADS_REFERENCE)
    return (
        Design(values=np.column_stack([bands, use]), names=names + use_names),
        Design(values=bands, names=names),
    )


def fit_part(session: Session, part: str, followed: list[str]) -> Fitted:
    """Cox models (adjusted, crude) with cluster-robust errors, and the Poisson model beside."""
    cells = session.run("vents_cells", part=part, followed=followed)
    strata = {name: k for k, name in enumerate(sorted(cells["stratum"].unique()))}
    coded = _codes(cells, strata)
    counts = coded[["stratum", "pattern", "age", "entered", "failed", "left"]].astype("int64")
    table = PatternTable.from_cells(counts)
    adjusted, crude = _designs()
    rows = _codes(session.run("vents_rows", part=part, followed=followed), strata)
    episodes = {
        "cluster": rows["cluster_id"].to_numpy(),
        "pattern": rows["pattern"].to_numpy(),
        "start": rows["start_days"].to_numpy(),
        "stop": rows["stop_days"].to_numpy(),
        "failed": rows["failed"].to_numpy().astype("int64"),
        "stratum": rows["stratum"].to_numpy(),
    }
    main = cox(table, design=adjusted)
    robust = cluster_robust(main, **episodes)
    plain = cox(table, design=crude)
    plain_robust = cluster_robust(plain, **episodes)
    poisson = piecewise_exponential(table, design=adjusted, cuts=AGE_CUTS)
    limits = poisson.hazard_ratio()
    test = proportional_hazards_test(main, table)
    by_name = dict(zip(test.names, test.p_value, strict=True))
    k = len(BANDS)
    days = (rows["stop_days"] - rows["start_days"]).groupby(rows["band"]).sum()
    cases = rows.groupby("band")["failed"].sum()
    second = {}
    for place, name in enumerate(BANDS):
        entry = limits.iloc[place]
        second[name] = tuple(
            number_or_none(v)
            for v in (np.exp(poisson.coefficients[place]), entry["low"], entry["high"])
        )
    lives = rows[["unit_id"]].assign(failed=rows["failed"]).groupby("unit_id")["failed"].max()
    return Fitted(
        part=part,
        log_ratio=dict(zip(BANDS, main.coefficients[:k], strict=True)),
        error=dict(zip(BANDS, robust.standard_errors[:k], strict=True)),
        crude=dict(zip(BANDS, plain.coefficients[:k], strict=True)),
        crude_error=dict(zip(BANDS, plain_robust.standard_errors[:k], strict=True)),
        second=second,
        covariance=np.asarray(robust.covariance[:k, :k]),
        cases={name: int(cases.get(name, 0)) for name in (REFERENCE, *BANDS)},
        person_days={name: float(days.get(name, 0.0)) for name in (REFERENCE, *BANDS)},
        failures=int(cases.sum()),
        lives_failed_share=float(lives.mean()),
        proportional_p={name: number_or_none(by_name.get(name, np.nan)) for name in BANDS},
        agree=bool(agreement(main, second=poisson).agree),
    )


def number_or_none(value: Any) -> float | None:
    number = float(value)
    return number if np.isfinite(number) else None


def limits_of(log_ratio: float, error: float, z: float) -> tuple[float | None, float | None]:
    return number_or_none(np.exp(log_ratio - z * error)), number_or_none(
        np.exp(log_ratio + z * error)
    )


def control_of(found: Fitted, z: float) -> str:
    """The verdict on one control over both bands that count: the worse of the two."""
    words = [
        control_verdict(
            (
                np.exp(found.log_ratio[b] - z * found.error[b]),
                np.exp(found.log_ratio[b] + z * found.error[b]),
            )
        )
        for b in ("12_to_24", "over_24")
        if np.isfinite(found.error[b])
    ]
    for word in ("confounding_remains", "control_too_small"):
        if word in words:
            return word
    return "clean" if words else "control_too_small"


def calibrated_of(
    fitted: dict[str, Fitted], controls: list[str], part: str, band: str, level: float
) -> tuple[float, float] | None:
    known = [
        fitted[name]
        for name in controls
        if name in fitted
        and name != part
        and np.isfinite(fitted[name].error[band])
        and fitted[name].error[band] > 0
    ]
    mine = fitted[part]
    if not known or not np.isfinite(mine.error[band]):
        return None
    found = calibrated_interval(
        mine.log_ratio[band],
        standard_error=mine.error[band],
        control_log_ratios=[c.log_ratio[band] for c in known],
        control_standard_errors=[c.error[band] for c in known],
    )
    return found.interval(level)


def time_ratio_of(
    session: Session, part: str, ratio: float, error: float, level: float
) -> tuple[float, tuple[float, float]] | None:
    """How long a part lasts behind such a vent, as a multiple; needs an honest Weibull shape."""
    life = single_life(session, part, Selection(followed=("contract",)), cluster=False)
    if not isinstance(life, FittedLife):
        return None
    shape = life.parameters["shape"]
    found = time_ratio(
        ratio, shape=shape, log_ratio_error=error, shape_error=shape * life.std_errors["shape"]
    )
    low, high = found.interval(level)
    return float(found.estimate), (float(low), float(high))


def attributable_of(found: Fitted, band: str, level: float) -> tuple[float, tuple[float, float]]:
    """Share of all failures owed to this band, if the ratio is causal."""
    k = BANDS.index(band)
    covariance = np.zeros((2, 2))
    covariance[1, 1] = found.covariance[k, k]
    answer = attributable_share(
        [found.failures - found.cases[band], found.cases[band]],
        hazard_ratios=[1.0, float(np.exp(found.log_ratio[band]))],
        covariance=covariance,
    )
    low, high = answer.interval(level)
    return float(answer.estimate), (float(low), float(high))


def cleanings_of(found: Fitted, band: str, ratio: float) -> float | None:
    """Yearly cleanings of such units for each failure avoided, if the ratio is causal."""
    if ratio <= 1 or not found.person_days[band]:
        return None
    per_year = found.cases[band] / (found.person_days[band] / YEAR_DAYS)
    return float(1 / (per_year * (1 - 1 / ratio)))
