"""The shape of the effect: smooth over months, cumulative, by pressure drop, by length."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from failstats.answers.vents_models import (
    UNKNOWN,
    adjusters,
    fit_ratios,
    indicators,
    smooth,
)
from failstats.answers.vents_records import Bands
from failstats.errors import FitError
from failstats.estimate.hazard_model import baseline_hazard
from failstats.estimate.natural_spline import natural_spline
from failstats.estimate.neglect_curve import NeglectCurve

__all__ = [
    "DOSE_MONTHS",
    "DOSE_REFERENCE",
    "STEP_DAYS",
    "cumulative_neglect",
    "dose_curve",
    "dose_response",
    "length_against_neglect",
    "life_curves",
    "pressure_scale",
]

DOSE_MONTHS = tuple(range(2, 61, 2))  # two-month bins up to five years
DOSE_KNOTS = (3.0, 12.0, 24.0, 48.0)
DOSE_REFERENCE = 6.0  # months: the middle of a year between cleanings
CLEAN_MONTHS = 12.0  # the rate that the curve is hung on is that of the first year
LAST_BIN = 66.0  # months taken for "over 60"
STEP_DAYS = 91  # neglect so far is counted in quarters of a year
YEAR_DAYS = 365.0
PRESSURE_UNIT = 100.0  # pascals
CURVE_POINTS = 60
FEWEST_IN_CELL = 5  # failures; a cell with fewer shows none of its own


def _limits(estimate: float, error: float, z: float) -> tuple[float, tuple[float, float]] | None:
    if not (np.isfinite(estimate) and np.isfinite(error) and error > 0):
        return None
    return float(np.exp(estimate)), (
        float(np.exp(estimate - z * error)),
        float(np.exp(estimate + z * error)),
    )


def dose_curve(frame: pd.DataFrame) -> NeglectCurve | None:
    """Failures per day by months since the last cleaning, as a natural spline of its logarithm.

    Parameters
    ----------
    frame : stretches at risk in bands of two months.

    Returns
    -------
    The curve with the covariance of its coefficients and of the rate in the first twelve months;
    None where it cannot be fitted. Neglect of unknown length is a level of its own.
    """
    places = {"under_2": 1.0, "over_60": LAST_BIN}
    places |= {f"{a}_to_{a + 2}": a + 1.0 for a in DOSE_MONTHS[:-1]}
    words = [*places, UNKNOWN]
    band = frame["band"].astype(object)
    code = band.map({word: k for k, word in enumerate(words)}).to_numpy(np.int64)
    basis = natural_spline(list(places.values()), knots=DOSE_KNOTS)
    level = natural_spline([DOSE_REFERENCE], knots=DOSE_KNOTS)  # of the unknown: any would do
    values = np.column_stack([np.vstack([basis, level]), np.append(np.zeros(len(places)), 1.0)])
    names = [f"months_{k + 1}" for k in range(basis.shape[1])]
    month = band.map(places)  # NaN where unknown
    clean = month < CLEAN_MONTHS
    try:
        found = fit_ratios(
            frame,
            exposure=smooth(code, values, [*names, UNKNOWN]),
            others=adjusters(frame),
            reference=clean,
        )
    except FitError:
        return None
    if found.rate_per_day is None or found.joint is None:
        return None
    k = len(names)
    of_curve = [*range(k), k + 1]  # without the level of the unknown
    days = (frame["stop_days"] - frame["start_days"])[clean].groupby(month[clean]).sum()
    days = days[days > 0]
    longest = float(month[frame["failed"]].max())
    try:
        return NeglectCurve(
            kind="smooth",
            months=np.array(DOSE_KNOTS),
            coefficients=found.log_ratio[:k],
            rate_per_day=found.rate_per_day,
            reference_months=days.index.to_numpy(float),
            reference_shares=days.to_numpy(float) / float(days.sum()),
            covariance=found.joint[np.ix_(of_curve, of_curve)],
            watched_months=min(longest, float(DOSE_MONTHS[-1])),
        )
    except FitError:
        return None


def dose_response(curve: NeglectCurve, z: float) -> list[dict[str, float]]:
    """Hazard ratio by months since the last cleaning, against six months.

    Parameters
    ----------
    curve : as `dose_curve` fits it. z : half width of the interval in errors.

    Returns
    -------
    months, hazard_ratio, low, high up to the longest neglect of a failure.
    """
    shown = np.arange(0.0, curve.watched_months + 0.5, 2.0)
    basis = natural_spline([*shown, DOSE_REFERENCE], knots=curve.months)
    away = basis[:-1] - basis[-1]
    k = curve.coefficients.size
    log_ratio = away @ curve.coefficients
    error = np.sqrt(np.einsum("ij,jk,ik->i", away, curve.covariance[:k, :k], away))
    return [
        {
            "months": float(m),
            "hazard_ratio": float(np.exp(r)),
            "low": float(np.exp(r - z * e)),
            "high": float(np.exp(r + z * e)),
        }
        for m, r, e in zip(shown, log_ratio, error, strict=True)
    ]


def cumulative_neglect(frame: pd.DataFrame, z: float) -> dict[str, Any] | None:
    """Hazard ratio per year of its life that a part has spent behind a neglected vent so far."""
    step = frame["step"].to_numpy(np.int64)
    longest = int(step.max(initial=0))
    years = (np.arange(longest + 1) + 0.5) * STEP_DAYS / YEAR_DAYS
    years[0] = 0.0  # hardly any: counted from birth in a clean vent
    values = np.vstack([[0.0, 1.0], np.column_stack([years, np.zeros(longest + 1)])])
    try:
        found = fit_ratios(
            frame,
            exposure=smooth(step + 1, values, ["per_year", UNKNOWN]),
            others=adjusters(frame),
        )
    except FitError:
        return None
    limits = _limits(found.log_of("per_year"), found.error_of("per_year"), z)
    known = int(frame.loc[frame["step"] >= 0, "failed"].sum())
    if limits is None:
        return None
    return {"hazard_ratio_per_year": limits[0], "ci": limits[1], "failures": known}


def pressure_scale(
    frame: pd.DataFrame, drops: np.ndarray, bands: Bands, z: float
) -> dict[str, Any] | None:
    """Hazard ratio per 100 pascals more that the fan must push, in ten bins of runs."""
    code = frame["drop_bin"].to_numpy(np.int64)
    if not (code > 0).any() or np.ptp(drops[np.unique(code[code > 0])]) == 0:
        return None
    level = drops / PRESSURE_UNIT
    values = np.column_stack(
        [np.where(np.arange(level.size) > 0, level, 0.0), np.eye(level.size)[0]]
    )
    others = [
        indicators(frame["band"], reference=bands.reference, levels=bands.names),
        *adjusters(frame, ("loads_bin", "unit_age", "fuel", "van")),
    ]
    try:
        found = fit_ratios(
            frame, exposure=smooth(code, values, ["per_100_pa", "drop_unknown"]), others=others
        )
    except FitError:
        return None
    limits = _limits(found.log_of("per_100_pa"), found.error_of("per_100_pa"), z)
    if limits is None:
        return None
    return {"hazard_ratio_per_100_pa": limits[0], "ci": limits[1]}


def length_against_neglect(frame: pd.DataFrame, bands: Bands, z: float) -> list[dict[str, Any]]:
    """Hazard ratio of every combination of run length and neglect, against the best one."""
    states = (bands.reference, *bands.rising)
    pairs = [(length, band) for length in ("within", "over_limit") for band in states]
    word = frame["length"].astype(object) + " " + frame["band"].astype(object)
    other = "not known"
    word = word.where(word.isin([f"{a} {b}" for a, b in pairs]), other)
    levels = [f"{a} {b}" for a, b in pairs[1:]]
    failures = frame["failed"].groupby(word).sum()
    units = frame["unit_id"].groupby(word).nunique()
    if (
        not failures.get("over_limit " + bands.worst, 0)
        and not (frame["length"] == "over_limit").any()
    ):
        return []
    try:
        found = fit_ratios(
            frame,
            exposure=indicators(
                word, reference=f"within {bands.reference}", levels=[*levels, other]
            ),
            others=adjusters(frame, ("loads_bin", "unit_age", "fuel", "van")),
        )
    except FitError:
        return []
    out = []
    for length, band in pairs:
        name = f"{length} {band}"
        count = int(failures.get(name, 0))
        best = name == f"within {bands.reference}"
        limits = None
        if not best and count >= FEWEST_IN_CELL:
            limits = _limits(found.log_of(name), found.error_of(name), z)
        out.append(
            {
                "length": length,
                "neglect": band,
                "hazard_ratio": 1.0 if best else (limits[0] if limits else None),
                "ci": None if limits is None else limits[1],
                "failures": count,
                "units": int(units.get(name, 0)),
            }
        )
    return out


def life_curves(frame: pd.DataFrame, bands: Bands, z: float) -> list[dict[str, Any]]:
    """Share still working by age, were the vent kept in one state for life (from the model).

    Notes
    -----
    Strata enter as covariates here, at their mean, so that there is one baseline; the band is that
    of the cumulative hazard, from the model's own errors. Ages end at the last failure.
    """
    rows = frame["stratum"].astype(object).value_counts()
    strata = sorted(rows.index, key=lambda name: (-rows[name], name))
    states = (bands.reference, *bands.rising)
    pooled = frame.assign(everyone="all")
    try:
        found = fit_ratios(
            pooled,
            exposure=indicators(frame["band"], reference=bands.reference, levels=bands.names),
            others=[
                indicators(frame["stratum"], reference=strata[0], levels=strata[1:], prefix="s_"),
                *adjusters(frame),
            ],
            stratum="everyone",
        )
    except FitError:
        return []
    fit, _ = found.counted()
    if not fit.estimable[fit.kept].all():
        return []
    out = []
    for name in states:
        place = np.array(fit.centre)
        place[: len(bands.names)] = [float(b == name) for b in bands.names]
        base = baseline_hazard(fit, covariates=place)
        thin = np.unique(np.linspace(0, base.age.size - 1, CURVE_POINTS).astype(int))
        cumulative = np.asarray(base.cumulative)[thin]
        half = z * np.sqrt(np.asarray(base.variance)[thin]) / np.maximum(cumulative, 1e-300)
        here = frame[frame["band"] == name]
        ages = np.asarray(base.age)[thin]
        watched = _at_risk(here, ages)
        out += [
            {
                "band": name,
                "age_days": int(age),
                "survival": float(np.exp(-h)),
                "low": float(np.exp(-h * np.exp(e))),
                "high": float(np.exp(-h * np.exp(-e))),
                "at_risk": int(n),
            }
            for age, h, e, n in zip(ages, cumulative, half, watched, strict=True)
        ]
    return out


def _at_risk(frame: pd.DataFrame, ages: Sequence[int]) -> np.ndarray:
    """How many parts were watched in this state at each age: start < age <= stop."""
    start = np.sort(frame["start_days"].to_numpy())
    stop = np.sort(frame["stop_days"].to_numpy())
    at = np.asarray(ages)
    return np.searchsorted(start, at, side="left") - np.searchsorted(stop, at, side="left")
