"""Does one part break the other, or do units differ? Hidden state and frailty, side by side."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

from failstats.answers.lives_selected import hidden_pair
from failstats.answers.pairs_known import cut_by_vents, known_columns, known_of_units
from failstats.answers.pairs_rows import DependenceFound, Frailty, Hidden, HiddenEnd, HiddenLife
from failstats.answers.wording import words
from failstats.counts.row_pass import (
    hidden_arrays,
    hidden_rows,
    hidden_stretches,
    watched_from_installation,
)
from failstats.errors import FitError
from failstats.estimate.dependence import Dependence, dependence, frailty_beyond
from failstats.estimate.frailty_profile import VarianceProfile, shared_tau
from failstats.progress import each
from failstats.warehouse.session import Session

__all__ = ["frailties", "hidden_of", "told_apart"]

HIDDEN_TAKES = 20.0  # times as long as a pair that fails visibly
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


def _starts(session: Session, first: str, second: str) -> list[np.ndarray]:
    """Where the fit of all rows ended, to begin from."""
    fit = hidden_pair(session, first, second).fit
    return [] if fit is None else [np.array(fit.peak.theta)]


def told_apart(session: Session, first: str, second: str) -> Dependence | None:
    """Hidden failure and frailty on the same rows; None where the pair is no such pair, or where
    too little was found. Once for a session."""
    key = f"dependence {first} {second}"
    if key not in session.kept:
        found = None
        if _trips(session, first, second):
            rows = hidden_rows(session.some_units(), first, second, from_installation=True)
            try:
                found = dependence(rows, starts=_starts(session, first, second))
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
    session: Session,
    pairs: Sequence[tuple[str, str]],
    level: float,
    progress: Callable[[str], None] | None = None,
) -> dict[frozenset[str], Frailty]:
    """Unordered pair -> Kendall's tau of a gamma frailty of units, with its interval, beyond what
    is known of the units and plain.

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
    some = session.some_units()
    units = known_of_units(some)
    parts = sorted({part for pair in pairs for part in pair} - hidden_out)
    lives = None
    if parts:
        lives = some.run("pairs_stretches", parts=parts).merge(units, on="unit_id", how="left")
    out: dict[frozenset[str], Frailty] = {}

    def linked(first: str, second: str) -> bool:
        return tripped.get(second) == first or tripped.get(first) == second

    asked = {frozenset(pair): pair for pair in reversed(pairs)}  # once, as they first come
    both = [pair for pair in pairs if asked[frozenset(pair)] == pair]
    fitted = [pair for pair in both if linked(*pair) or not set(pair) & hidden_out]
    for first, second in each(
        progress,
        fitted,
        lambda pair: (
            f"which parts break early in the same dryers: {words(pair[0])} and {words(pair[1])}"
        ),
        weigh=lambda pair: HIDDEN_TAKES if linked(*pair) else 1.0,
    ):
        key = frozenset((first, second))
        found = None
        if linked(first, second):
            one, other = (first, second) if tripped.get(second) == first else (second, first)
            found = _unseen(session, one, other, units, level)
        elif lives is not None and not key & hidden_out:
            found = _frailty(lives[lives["part"].isin(key)], level)
        if found is not None:
            out[key] = found
    return out


def _row(
    plain: VarianceProfile, beyond: VarianceProfile | None, names: list[str], level: float
) -> Frailty:
    """In the keys of the answer; without covariates the plain fit is the adjusted one."""
    stated = plain if beyond is None else beyond
    low, high = stated.tau_interval(level)
    plain_low, plain_high = plain.tau_interval(level)
    return Frailty(
        tau=stated.tau,
        ci=(float(low), float(high)),
        variance=stated.variance,
        allowed_for=[] if beyond is None else names,
        plain_tau=plain.tau,
        plain_ci=(float(plain_low), float(plain_high)),
    )


def _unseen(
    session: Session, first: str, second: str, units: pd.DataFrame, level: float
) -> Frailty | None:
    """Of a part that fails unseen and the one it trips, through the rows of the hidden state."""
    told = told_apart(session, first, second)
    if told is None:
        return None
    some = session.some_units()
    frame = watched_from_installation(hidden_stretches(some, first, second))
    frame = cut_by_vents(frame, some.run("pairs_neglect")).merge(units, on="unit_id", how="left")
    failures = [frame["a_failed"], (frame["found"] > 0) | frame["visible"]]
    columns, names = known_columns(frame, failures)
    if not names:
        return _row(told.profile, None, [], level)
    frame = frame.assign(**columns)
    starts = _starts(session, first, second)
    try:
        beyond = frailty_beyond(hidden_arrays(frame, list(columns)), starts=starts)
        return _row(told.profile, beyond, names, level)
    except FitError:
        return _row(told.profile, None, [], level)


def _frailty(lives: pd.DataFrame, level: float) -> Frailty | None:
    """Of two parts that fail visibly, in units that have both."""
    both = lives.groupby("unit_id")["part"].nunique()
    lives = lives[lives["unit_id"].isin(both.index[both == 2])]
    failures = lives.groupby("part")["failed"].sum()
    if len(failures) < 2 or failures.min() < FEWEST_OF_EACH:
        return None
    law = [lives["part"] == part for part in failures.index]
    columns, names = known_columns(lives, [lives["failed"] & mine for mine in law])
    own = [columns.mul(mine.astype(float), axis=0).to_numpy() for mine in law]

    def fitted(covariates: np.ndarray | None) -> VarianceProfile:
        return shared_tau(
            lives["unit_id"].to_numpy(),
            law=lives["part"].to_numpy(),
            entry=lives["start_days"].to_numpy(float),
            exit=lives["stop_days"].to_numpy(float),
            failed=lives["failed"].to_numpy(bool),
            covariates=covariates,
            whole=True,
        )

    try:
        return _row(fitted(None), fitted(np.column_stack(own)) if names else None, names, level)
    except FitError:
        return None
