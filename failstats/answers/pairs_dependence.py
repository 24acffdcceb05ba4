"""Does one part break the other, or do units differ? Hidden state and frailty, side by side."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from failstats.answers.lives_selected import hidden_pair
from failstats.answers.pairs_rows import DependenceFound, Frailty, Hidden, HiddenEnd, HiddenLife
from failstats.counts.row_pass import frailty_lives, hidden_rows
from failstats.errors import FitError
from failstats.estimate.dependence import Dependence, dependence
from failstats.estimate.frailty_profile import shared_tau
from failstats.warehouse.session import Session

__all__ = ["frailties", "hidden_of", "told_apart"]

FEWEST_OF_EACH = 30  # failures of either part in units watched from installation


def hidden_of(session: Session, first: str, second: str, level: float) -> Hidden | None:
    """The two-state model, where the second part fails unseen and trips the first."""
    if not _trips(session, first, second):
        return None
    model = hidden_pair(session, first, second)
    found = model.fit
    if found is None:
        return None
    life = found.hidden.parameters
    low, high = found.interval("multiplier", level)
    scale_low, scale_high = found.interval("hidden scale", level)
    return Hidden(
        multiplier=found.multiplier,
        multiplier_ci=(float(low), float(high)),
        life=HiddenLife(shape=life["shape"], scale_days=life["scale"]),
        scale_ci=(float(scale_low), float(scale_high)),
        induced_share=found.induced_share,
        bracket=[
            HiddenEnd(
                assumption=name,
                multiplier=other.multiplier,
                ci=(
                    float(other.interval("multiplier", level)[0]),
                    float(other.interval("multiplier", level)[1]),
                ),
            )
            for name, other in model.others.items()
        ],
    )


def _trips(session: Session, first: str, second: str) -> bool:
    """Whether the second part fails silently, trips the first, and did so in these records."""
    part = session.vocabulary.parts.get(second)
    if part is None or part.trips != first or not part.silent_modes:
        return False
    return second in set(session.run("lives_silent")["part"])


def told_apart(session: Session, first: str, second: str) -> Dependence | None:
    """Hidden failure and frailty on the same rows; None where the pair is no such pair, or where
    too little was found. Once for a session."""
    key = f"dependence {first} {second}"
    if key not in session.kept:
        found = None
        if _trips(session, first, second):
            model = hidden_pair(session, first, second)
            rows = hidden_rows(session, first, second, from_installation=True)
            starts = [] if model.fit is None else [np.array(model.fit.peak.theta)]
            try:
                found = dependence(rows, starts=starts)
            except FitError:
                found = None
        session.kept[key] = found
    kept = session.kept[key]
    assert kept is None or isinstance(kept, Dependence)
    return kept


def found_row(found: Dependence) -> DependenceFound:
    """In the words and keys of the answer."""
    return DependenceFound(
        verdict=found.verdict,
        hidden_p_value=found.hidden_p_value,
        frailty_p_value=found.frailty_p_value,
        multiplier_where_units_differ=found.multiplier,
        gain_hidden=found.hidden - found.neither,
        gain_frailty=found.frailty - found.neither,
        gain_both=found.both - found.neither,
    )


def frailties(
    session: Session, pairs: Sequence[tuple[str, str]], level: float
) -> dict[frozenset[str], Frailty]:
    """Unordered pair -> Kendall's tau of a gamma frailty of units, with its interval.

    A part that fails unseen has no lives of its own here: its pair with the part it trips is
    fitted through the hidden-state rows, its other pairs are left out.
    """
    silent = set(session.run("lives_silent")["part"])
    tripped = {
        str(one): str(session.vocabulary.parts[one].trips)
        for one in silent
        if one in session.vocabulary.parts
    }
    hidden_out = silent | set(tripped.values())
    parts = sorted({part for pair in pairs for part in pair} - hidden_out)
    lives = frailty_lives(session, parts) if parts else None
    out: dict[frozenset[str], Frailty] = {}
    for first, second in pairs:
        key = frozenset((first, second))
        if key in out:
            continue
        found = None
        if tripped.get(second) == first or tripped.get(first) == second:
            one, other = (first, second) if tripped.get(second) == first else (second, first)
            told = told_apart(session, one, other)
            if told is not None:
                low, high = told.tau_interval(level)
                found = Frailty(
                    tau=told.tau, ci=(low, high), variance=told.variance, allowed_for=[]
                )
        elif lives is not None and not key & hidden_out:
            found = _frailty(lives[lives["law"].isin(key)], level)
        if found is not None:
            out[key] = found
    return out


def _frailty(lives: pd.DataFrame, level: float) -> Frailty | None:
    """Of two parts that fail visibly, in units that have both."""
    both = lives.groupby("unit")["law"].nunique()
    lives = lives[lives["unit"].isin(both.index[both == 2])]
    failures = lives.groupby("law")["failed"].sum()
    if len(failures) < 2 or failures.min() < FEWEST_OF_EACH:
        return None
    x, names = _covariates(lives)
    try:
        found = shared_tau(
            lives["unit"].to_numpy(),
            law=lives["law"].to_numpy(),
            entry=np.zeros(len(lives)),
            exit=lives["exit"].to_numpy(float),
            failed=lives["failed"].to_numpy(bool),
            covariates=x,
        )
        low, high = found.tau_interval(level)
    except FitError:
        return None
    return Frailty(
        tau=found.tau, ci=(float(low), float(high)), variance=found.variance, allowed_for=names
    )


def _covariates(lives: pd.DataFrame) -> tuple[np.ndarray | None, list[str]]:
    """Use (log loads a week, unknown as a level) and family, apart for each of the two parts."""
    columns, names = [], []
    loads = lives["loads_per_week"].astype(float)
    laws = sorted(lives["law"].unique())
    known = loads.notna()
    if known.mean() > 0.5 and loads[known].std() > 0:
        use = np.log(loads.where(known, loads[known].median())).to_numpy()
        use = use - use.mean()
        columns += [use * (lives["law"] == law).to_numpy(float) for law in laws]
        if (~known).sum() >= FEWEST_OF_EACH:
            columns.append((~known).to_numpy(float))
        names.append("loads_per_week")
    families = sorted(lives["family"].unique())
    for law in laws:
        mine = (lives["law"] == law).to_numpy(float)
        columns += [mine * (lives["family"] == f).to_numpy(float) for f in families[1:]]
    if len(families) > 1:
        names.append("family")
    return (np.column_stack(columns) if columns else None), names
