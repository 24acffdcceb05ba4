"""Are the headline figures what independent libraries find from the raw rows?"""

from __future__ import annotations

import warnings as python_warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from failstats.answers import wording as text
from failstats.answers.lives import Selection, chosen_parts, risk_table, single_life
from failstats.answers.lives_fits import silent_parts
from failstats.answers.result import Answer, Warning_
from failstats.counts.risk_table import RiskTable
from failstats.estimate.curves import kaplan_meier
from failstats.estimate.life_models import FittedLife
from failstats.warehouse.session import Session

__all__ = ["Checked", "Verified", "verify"]

YEAR_DAYS = 365.25
LOOKED_AT_YEARS = 5
MOST_LIVES = 1_000_000
SEED = 3
# lifelines stops its Weibull fit a little early (reference checks, row W4): about six digits.
SAME_FIT = 1e-4
SAME_CURVE = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """One figure, ours and theirs."""

    figure: str
    ours: float | None
    theirs: float | None
    library: str
    difference: float | None
    agrees: bool
    why: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verified(Answer):
    """All figures looked at."""

    command: ClassVar[str] = "verify"
    row_type: ClassVar[type | None] = Checked

    def headline(self) -> str:
        """How many figures agree."""
        same = sum(row.agrees for row in self.results)
        return f"{same} of {len(self.results)} figures agree with independent libraries on the same rows."

    def details(self) -> list[str]:
        """A table of figures."""
        rows = [
            {
                "figure": r.figure,
                "ours": "" if r.ours is None else f"{r.ours:.6g}",
                "theirs": "" if r.theirs is None else f"{r.theirs:.6g}",
                "library": r.library,
                "difference": "" if r.difference is None else f"{r.difference:.1e}",
                "agrees": r.agrees,
                "why": r.why,
            }
            for r in self.results
        ]
        return [text.table(rows)]


def verify(session: Session, *, progress: Callable[[str], None] | None = None) -> Verified:
    """Recompute survival and Weibull figures of every part with lifelines, from the rows.

    Returns
    -------
    Verified : survival at 5 years (Kaplan-Meier) and Weibull shape and scale per part, for lives
        with known birth in all units and in contract units alone; no law is fitted to parts that
        fail unseen or are tripped.

    Notes
    -----
    Above a million lives of a part, a sample of that many (seeded) is compared on both sides.
    """
    rows: list[Checked] = []
    hidden = set(silent_parts(session))
    ways = {
        "": Selection(),
        " (contract units)": Selection(followed=("contract",)),
    }
    for part in chosen_parts(session, ()):
        if progress:
            progress(part)
        for word, selection in ways.items():
            rows += _part(session, part, selection, word, fitted=part not in hidden)
    return Verified(
        as_of=session.as_of.isoformat(),
        settings={**session.choices, "most_lives": MOST_LIVES},
        warnings=tuple(Warning_(code=code, text=said) for code, said in session.warnings),
        summary={"figures": len(rows), "agree": sum(r.agrees for r in rows)},
        results=tuple(rows),
    )


def _part(
    session: Session, part: str, selection: Selection, word: str, *, fitted: bool
) -> list[Checked]:
    from lifelines import KaplanMeierFitter, WeibullFitter

    rows = session.run("lives_rows", **selection.params(part))
    sampled = len(rows) > MOST_LIVES
    if sampled:
        rows = rows.sample(MOST_LIVES, random_state=SEED)
        ours = RiskTable.from_lives(
            rows["entry_days"].to_numpy(float),
            rows["exit_days"].to_numpy(float),
            rows["ending"].to_numpy(),
        )
    else:
        tables = risk_table(session, part, selection)
        if not tables:
            return []
        ours = next(iter(tables.values()))
    failed = (rows["ending"] == "failed").to_numpy()
    entry, leaves = rows["entry_days"].to_numpy(float), rows["exit_days"].to_numpy(float)
    note = "a sample of a million lives on both sides" if sampled else ""
    out = []
    curve = kaplan_meier(ours, cause="failed")
    at = min(LOOKED_AT_YEARS * YEAR_DAYS, curve.followed_to)
    with python_warnings.catch_warnings():
        python_warnings.simplefilter("ignore")
        theirs = KaplanMeierFitter().fit(leaves, failed, entry=entry)
        survival = float(theirs.survival_function_at_times(at).iloc[0])
    out.append(
        _checked(
            f"{part}{word}: share working at {at / YEAR_DAYS:.1f} years",
            float(curve.survival_at([at])[0]),
            survival,
            "lifelines",
            SAME_CURVE,
            note,
        )
    )
    if not fitted:
        return out
    found = single_life(session, part, selection, cluster=False)
    if isinstance(found, FittedLife) and not sampled:
        with python_warnings.catch_warnings():
            python_warnings.simplefilter("ignore")
            weibull = WeibullFitter().fit(np.maximum(leaves, 0.5), failed, entry=entry)
        penalised = " (few failures: ours carries a penalty)" if found.label == "penalised" else ""
        for name, value in (("shape", weibull.rho_), ("scale", weibull.lambda_)):
            out.append(
                _checked(
                    f"{part}{word}: Weibull {name}{' in days' if name == 'scale' else ''}",
                    found.parameters[name],
                    float(value),
                    "lifelines",
                    SAME_FIT,
                    f"theirs stops a little early{penalised}",
                )
            )
    return out


def _checked(
    figure: str, ours: float, theirs: float, library: str, within: float, why: str
) -> Checked:
    difference = abs(ours - theirs) / max(abs(theirs), 1e-300)
    known = bool(np.isfinite(difference))
    return Checked(
        figure=figure,
        ours=ours if np.isfinite(ours) else None,
        theirs=theirs if np.isfinite(theirs) else None,
        library=library,
        difference=float(difference) if known else None,
        agrees=known and difference <= within,
        why=why,
    )
