"""Life curves and fitted lives again, from raw rows through lifelines and scikit-survival."""

from __future__ import annotations

import warnings as python_warnings
from typing import Any

import numpy as np
import pandas as pd

from failstats.answers.lives import Selection, chosen_parts, risk_table, single_life
from failstats.answers.lives_fits import silent_parts
from failstats.answers.verify_figures import Checked, checked
from failstats.answers.verify_rows import RawRecords
from failstats.estimate.curves import kaplan_meier
from failstats.estimate.life_models import FittedLife
from failstats.warehouse.session import Session

__all__ = ["lives_again"]

YEAR_DAYS = 365.25
LOOKED_AT_YEARS = 5
# lifelines stops its Weibull fit a little early (reference checks, row W4): about six digits.
SAME_FIT = 1e-4
EARLY = "theirs stops a little early"
WAYS = {
    "": Selection(),
    " (contract units)": Selection(followed=("contract",)),
}


def lives_again(session: Session, raw: RawRecords, level: float = 0.95) -> list[Checked]:
    """Share working at 5 years, Weibull shape and scale, and the age by which one in ten failed.

    Notes
    -----
    Lives with known birth, in all units and in contract units alone. No law is fitted to parts
    that fail unseen or are tripped. The curve of all units is lifelines', that of contract units
    scikit-survival's where it is installed.
    """
    hidden = set(silent_parts(session))
    out: list[Checked] = []
    for part in chosen_parts(session, ()):
        for word, selection in WAYS.items():
            rows = raw.lives[
                (raw.lives["part"] == part)
                & (raw.lives["birth"] == "known")
                & raw.lives["followed_as"].isin(selection.followed)
            ]
            out += _curve(session, part, word, selection, rows)
            if part not in hidden:
                out += _law(session, part, word, selection, rows, level)
    return out


def _arrays(rows: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Entry, exit and failed; who enters and leaves at one age above 0 was never at risk."""
    entry, leaves = rows["entry_days"].to_numpy(float), rows["exit_days"].to_numpy(float)
    failed = (rows["ending"] == "failed").to_numpy()
    used = (leaves > entry) | ((leaves == 0) & (entry == 0))
    return entry[used], leaves[used], failed[used]


def _survival(
    entry: np.ndarray, leaves: np.ndarray, failed: np.ndarray, at: float, *, second: bool
) -> tuple[float, str]:
    if second:
        try:
            from sksurv.nonparametric import kaplan_meier_estimator
        except ImportError:
            pass
        else:
            # it wants entry before exit: a life that ends on the day it began counts half a day
            ages, curve = kaplan_meier_estimator(
                failed, np.where(leaves > entry, leaves, 0.5), time_enter=entry
            )
            return float(curve[ages <= at][-1]), "scikit-survival"
    from lifelines import KaplanMeierFitter

    theirs = KaplanMeierFitter().fit(leaves, failed, entry=entry)
    return float(theirs.survival_function_at_times(at).iloc[0]), "lifelines"


def _curve(
    session: Session, part: str, word: str, selection: Selection, rows: pd.DataFrame
) -> list[Checked]:
    tables = risk_table(session, part, selection)
    entry, leaves, failed = _arrays(rows)
    if not tables and not len(leaves):
        return []
    if not tables or not len(leaves):
        return [
            checked("lives", f"{part}{word}: lives", float(len(tables)), float(len(leaves)), "rows")
        ]
    curve = kaplan_meier(next(iter(tables.values())), cause="failed")
    at = min(LOOKED_AT_YEARS * YEAR_DAYS, curve.followed_to)
    with python_warnings.catch_warnings():
        python_warnings.simplefilter("ignore")
        theirs, library = _survival(entry, leaves, failed, at, second=bool(word))
    return [
        checked(
            "lives",
            f"{part}{word}: share working at {at / YEAR_DAYS:.1f} years",
            float(curve.survival_at([at])[0]),
            theirs,
            library,
        )
    ]


def _law(
    session: Session, part: str, word: str, selection: Selection, rows: pd.DataFrame, level: float
) -> list[Checked]:
    found = single_life(session, part, selection)
    if not isinstance(found, FittedLife):
        return []
    from lifelines import WeibullFitter
    from scipy.stats import weibull_min

    entry, leaves, failed = _arrays(rows)
    with python_warnings.catch_warnings():
        python_warnings.simplefilter("ignore")
        fitted: Any = WeibullFitter(alpha=1 - level).fit(
            np.maximum(leaves, 0.5), failed, entry=entry
        )
    shape, scale = float(fitted.rho_), float(fitted.lambda_)
    penalised = found.label == "penalised"
    why = f"{EARLY}; with few failures ours carries a penalty" if penalised else EARLY
    tenth = float(weibull_min.ppf(0.1, shape, scale=scale))
    mine = found.parameters
    said = [
        ("Weibull shape", mine["shape"], shape, "lifelines"),
        ("Weibull scale in days", mine["scale"], scale, "lifelines"),
        ("days until one in ten has failed", float(found.quantile(0.1)), tenth, "lifelines, SciPy"),
    ]
    out = [
        checked(
            "lives", f"{part}{word}: {name}", ours, theirs, library,
            within=SAME_FIT, why=why, convention=penalised,
        )
        for name, ours, theirs, library in said
    ]  # fmt: skip
    row = fitted.summary.loc["lambda_"]
    ours_low = found.interval(level)["scale"][0]
    out.append(
        checked(
            "lives",
            f"{part}{word}: lower end of the scale's interval",
            float(ours_low),
            float(row.filter(like="coef lower").iloc[0]),
            "lifelines",
            why="theirs is symmetric in days, and takes every life for a unit of its own; ours is "
            "by likelihood or on the log scale, lives of one unit together where units give two",
            convention=True,
        )
    )
    return out
