"""Hazard ratios of neglect again, from raw rows through lifelines and statsmodels."""

from __future__ import annotations

import datetime as dt
import warnings as python_warnings
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from failstats.answers.vents import Vents
from failstats.answers.vents_runs import run_lengths, runs_of_units
from failstats.answers.verify_figures import Checked, checked
from failstats.answers.verify_rows import RawRecords
from failstats.progress import each
from failstats.warehouse.session import Session

__all__ = ["vents_again"]

STATES = ("12_to_24", "over_24", "unknown")
REFERENCE = "under_12"
FIVE_YEARS, TEN_YEARS = 1826, 3653
FEWEST_AT_LEVEL = 5
# Newton steps end at about 1e-7 of a log ratio in either library.
SAME_RATIO = 1e-5
MODEL_BASED = (
    "theirs takes every stretch for a unit of its own; ours takes those of one unit or building "
    "together"
)


def vents_again(
    session: Session,
    found: Vents,
    raw: RawRecords,
    progress: Callable[[str], None] | None = None,
) -> list[Checked]:
    """Adjusted and crude hazard ratios of the longest neglect, for every part compared.

    Parameters
    ----------
    found : our answer. raw : the records. progress : called with each part.

    Notes
    -----
    Cox, Efron's ties, strata of family and first or later life. lifelines refits the adjusted
    model and statsmodels the crude one (with entry half a day later: it counts who enters on a day
    as at risk on it). Bins and levels of what is adjusted for are built again from the raw rows;
    the length of the exhaust run by code is ours.
    """
    known = run_lengths(session, found.settings["edition"]).known
    length = runs_of_units(session, known).set_index("unit_id")["length"]
    out = []
    parts = list(dict.fromkeys(row.part for row in found.results))
    for part in each(progress, parts, lambda part: f"vents, by other libraries: {part}"):
        row = next(
            (r for r in found.results if r.part == part and r.contrast == "over_24_vs_under_12"),
            None,
        )
        if row is None or row.hazard_ratio is None:
            continue
        on_contract = raw.exposures["followed_as"] == "contract"
        frame = raw.exposures[raw.exposures["part"] == part]
        if int(frame.loc[on_contract, "failed"].sum()) >= row.failures:
            frame = frame[on_contract.loc[frame.index]]
        if int(frame["failed"].sum()) != row.failures:
            out.append(
                checked(
                    "vents", f"{part}: failures", float(row.failures),
                    float(frame["failed"].sum()), "raw rows",
                )
            )  # fmt: skip
            continue
        out += _part(row, _covariates(frame, raw, length), found.settings["confidence_level"])
    return out


def _covariates(frame: pd.DataFrame, raw: RawRecords, length: pd.Series) -> pd.DataFrame:
    """The stretches of one part with what the ratios are adjusted for."""
    units = {unit["unit_id"]: unit for unit in raw.units}
    known = sorted(
        (u["loads_per_week"], u["unit_id"]) for u in raw.units if u["loads_per_week"] is not None
    )
    use = {
        unit: bin_
        for bin_, chunk in enumerate(np.array_split(np.arange(len(known)), 10), start=1)
        for _, unit in (known[k] for k in chunk)
    }

    def age(row: Any) -> str:
        installed = units[row.unit_id]["installed_on"]
        if row.first_or_later == "first":
            return "first"
        if installed is None:
            return "unknown"
        days = (row.born_on - installed) / dt.timedelta(days=1)
        return "under_5" if days < FIVE_YEARS else "5_to_10" if days < TEN_YEARS else "over_10"

    return frame.assign(
        stratum=frame["family"] + " " + frame["first_or_later"],
        cluster=frame["building_id"].fillna(frame["unit_id"]),
        loads_bin=[use.get(unit, 0) for unit in frame["unit_id"]],
        unit_age=[age(row) for row in frame.itertuples()],
        length=frame["unit_id"].map(length).fillna("unknown"),
        fuel=frame["fuel"].fillna("unknown"),
        van=frame["van_id"].fillna("unknown"),
        failed=frame["failed"].astype(bool),
    )


def _columns(frame: pd.DataFrame, *, adjusted: bool) -> pd.DataFrame:
    """Indicators of the state of the vent, and of every other level against its most frequent."""
    columns = {state: frame["state"] == state for state in STATES}
    for name in ("loads_bin", "unit_age", "length", "fuel", "van") if adjusted else ():
        failures = frame["failed"].groupby(frame[name]).sum().sort_values(ascending=False)
        if name == "loads_bin":
            levels = [level for level in failures.index if level != 5]
        elif name == "length":
            levels = [level for level in ("over_limit", "unknown") if level in failures.index]
        else:
            levels = [level for level, n in failures.items() if n >= FEWEST_AT_LEVEL][1:]
        columns |= {f"{name} {level}": frame[name] == level for level in levels}
    x = pd.DataFrame(columns).astype(float)
    within = x - x.groupby(frame["stratum"]).transform("mean")
    triangle = np.abs(np.diag(np.linalg.qr(within.to_numpy(), mode="r")))
    return x.loc[:, triangle > 1e-6 * np.linalg.norm(within.to_numpy(), axis=0).max()]


def _part(row: Any, frame: pd.DataFrame, level: float) -> list[Checked]:
    from lifelines import CoxPHFitter
    from lifelines.exceptions import ConvergenceError
    from statsmodels.duration.hazard_regression import PHReg

    part, state = row.part, "over_24"
    x, plain = _columns(frame, adjusted=True), _columns(frame, adjusted=False)
    data = x.assign(start=frame["start_days"], stop=frame["stop_days"],
                    failed=frame["failed"], stratum=frame["stratum"])  # fmt: skip
    ratio = low = crude = None
    with python_warnings.catch_warnings():
        python_warnings.simplefilter("ignore")
        try:
            cox = CoxPHFitter(alpha=1 - level).fit(
                data, "stop", "failed", entry_col="start", strata="stratum"
            )
            ratio = float(np.exp(cox.params_[state]))
            low = float(np.exp(cox.confidence_intervals_.loc[state].iloc[0]))
        except (ConvergenceError, KeyError):
            pass
        if state in plain:
            second = PHReg(
                frame["stop_days"].to_numpy(float), plain.to_numpy(),
                status=frame["failed"].to_numpy(int), entry=frame["start_days"].to_numpy() + 0.5,
                strata=pd.factorize(frame["stratum"])[0], ties="efron",
            ).fit(disp=0)  # fmt: skip
            crude = float(np.exp(second.params[list(plain.columns).index(state)]))
    name = f"{part}: hazard ratio, last cleaned over 24 months ago"
    return [
        checked("vents", name, row.hazard_ratio, ratio, "lifelines", within=SAME_RATIO),
        checked(
            "vents", f"{name}, crude", row.crude_hazard_ratio, crude, "statsmodels",
            within=SAME_RATIO, why="entry half a day later in theirs, for one convention",
        ),
        checked(
            "vents", f"{name}, lower end", row.ci[0], low, "lifelines",
            why=MODEL_BASED, convention=True,
        ),
    ]  # fmt: skip
