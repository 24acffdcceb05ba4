"""Do units differ, and what does that do to a new one and to replacements?

Some dryers are hard on every part. Lives pooled over all of them mix the two questions "how long
will it last in a new unit" and "does a replaced part last less than the first one": units that
fail early give most of the replacements. A frailty of the unit tells them apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from failstats.answers.lives_fits import silent_parts
from failstats.answers.units_differ_rows import Replacements, UnitsDiffer, Verdict
from failstats.counts.frailty_pass import frailty_lives
from failstats.counts.risk_table import RiskTable
from failstats.errors import FitError
from failstats.estimate.frailty import UnitFrailty, unit_frailty
from failstats.estimate.life_models import FEWEST_FAILURES, FittedLife, fit
from failstats.warehouse.session import Session

__all__ = ["units_differ"]

FIVE_YEARS = 5 * 365.25
FEWEST_LATER = 10  # failures of replaced parts, below which they get no law of their own


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Shared:
    """One fit over all parts of a session, or why there is none."""

    lives: pd.DataFrame
    found: UnitFrailty | None
    reason: str


def _shared(session: Session) -> _Shared | None:
    """All visible parts at once, first and later lives apart where enough failed."""
    key = "units differ"
    if key not in session.kept:
        silent = silent_parts(session)
        parts = [p for p in map(str, session.run("lives_kept")["part"].unique()) if p not in silent]
        lives = frailty_lives(session.some_units(), parts) if parts else pd.DataFrame()
        session.kept[key] = None if lives.empty else _fitted(lives)
    kept = session.kept[key]
    assert kept is None or isinstance(kept, _Shared)
    return kept


def _fitted(lives: pd.DataFrame) -> _Shared:
    later = lives[~lives["first"]].groupby("law")["failed"].sum()
    apart = set(later[later >= FEWEST_LATER].index)
    word = np.where(lives["first"], " first", " later")
    split = lives["law"].isin(apart).to_numpy()
    lives = lives.assign(part=lives["law"], law=lives["law"] + np.where(split, word, ""))
    failures = lives.groupby("law")["failed"].sum()
    used = lives[lives["law"].isin(failures[failures >= FEWEST_FAILURES].index)]
    try:
        found = unit_frailty(
            used["unit"].to_numpy(),
            law=used["law"].to_numpy(),
            entry=0.0,
            exit=used["exit"].to_numpy(float),
            failed=used["failed"].to_numpy(bool),
        )
    except FitError as fault:
        return _Shared(lives=lives, found=None, reason=fault.what)
    return _Shared(lives=lives, found=found, reason="")


def units_differ(session: Session, part: str, *, level: float) -> UnitsDiffer | None:
    """Whether units differ, and what that does to one part; None where nothing can be said.

    Parameters
    ----------
    part : one that fails visibly. level : of the intervals.
    """
    shared = _shared(session)
    if shared is None:
        return None
    mine = shared.lives[shared.lives["part"] == part]
    failures = int(mine["failed"].sum())
    facts: dict[str, Any] = {"units": int(mine["unit"].nunique()), "failures": failures}
    if failures < FEWEST_FAILURES:
        return None
    pooled = _weibull(mine)
    alike = None if pooled is None else float(pooled.survival(FIVE_YEARS))
    found = shared.found
    law = f"{part} first" if f"{part} first" in set(mine["law"]) else part
    if found is None or law not in found.laws:
        nothing: dict[str, Any] = dict.fromkeys(
            ("variance", "variance_ci", "tau", "p_value", "new_unit_survival_5y",
             "new_unit_survival_5y_ci", "changes", "replacements")
        )  # fmt: skip
        label = shared.reason or "too few failures beside those of other parts"
        return UnitsDiffer(**facts, **nothing, alike_survival_5y=alike, label=label)
    low, high = found.interval("variance", level)
    ends = found.new_unit_interval(FIVE_YEARS, law=law, confidence_level=level)
    return UnitsDiffer(
        **facts,
        variance=found.variance,
        variance_ci=(float(low), float(high)),
        tau=found.tau,
        p_value=found.p_value,
        new_unit_survival_5y=float(found.new_unit_survival(FIVE_YEARS, law=law)),
        new_unit_survival_5y_ci=(float(ends.low), float(ends.high)),
        alike_survival_5y=alike,
        changes=None if alike is None else not ends.low <= alike <= ends.high,
        replacements=_replacements(found, mine, part, level),
        label="histories from installation, gamma frailty of units",
    )


def _weibull(lives: pd.DataFrame) -> FittedLife | None:
    days = lives["exit"].to_numpy(float).round().clip(1)
    found = fit(RiskTable.from_lives(0, days, lives["failed"].to_numpy(bool)))
    return found if isinstance(found, FittedLife) else None


def _replacements(
    found: UnitFrailty, lives: pd.DataFrame, part: str, level: float
) -> Replacements | None:
    if f"{part} later" not in found.laws or f"{part} first" not in found.laws:
        return None
    reach = float(stats.norm.ppf(0.5 + level / 2))
    one, two = (found.peak.at(f"{part} {word} scale") for word in ("first", "later"))
    gap = float(found.peak.theta[two] - found.peak.theta[one])
    cov = found.peak.covariance
    error = float(np.sqrt(cov[one, one] + cov[two, two] - 2 * cov[one, two]))
    first, later = (_weibull(rows) for rows in (lives[lives["first"]], lives[~lives["first"]]))
    if first is None or later is None:
        return None
    plain = float(later.theta[1] - first.theta[1])
    plain_error = float(np.hypot(first.std_errors["scale"], later.std_errors["scale"]))
    ci, pooled_ci = ((float(np.exp(at - reach * e)), float(np.exp(at + reach * e)))
                     for at, e in ((gap, error), (plain, plain_error)))  # fmt: skip
    if ci[1] < 1:
        verdict: Verdict = "shorter"
    elif ci[0] > 1:
        verdict = "longer"
    else:
        verdict = "only_selection" if pooled_ci[1] < 1 else "no_difference_shown"
    return Replacements(
        failures=int(lives.loc[~lives["first"], "failed"].sum()),
        scale_ratio=float(np.exp(gap)),
        ci=ci,
        pooled_ratio=float(np.exp(plain)),
        pooled_ci=pooled_ci,
        verdict=verdict,
    )
