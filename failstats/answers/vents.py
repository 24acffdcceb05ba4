"""Does vent neglect shorten part life, by how much, and can we believe it?"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from failstats.answers import wording as text
from failstats.answers.costs import CLEANING, Costs, read_costs
from failstats.answers.drawn import drawn, said_of
from failstats.answers.lives import chosen_parts
from failstats.answers.result import Warning_
from failstats.answers.vents_effects import Asked, contrast_of, effect, states_of
from failstats.answers.vents_models import AGE_CUTS
from failstats.answers.vents_parts import (
    attributable_of,
    band_curve,
    control_of,
    fit_part,
    limits_of,
)
from failstats.answers.vents_records import (
    DEFAULT_MONTHS,
    Bands,
    bands_of,
    cleanings_watched,
    failures_by_band,
    neglect_as,
)
from failstats.answers.vents_rows import VentEffect, Vents
from failstats.answers.vents_runs import EDITION, run_lengths
from failstats.answers.vents_sensitivity import Sensitivity, moved, sensitivities
from failstats.answers.vents_shape import (
    DOSE_MONTHS,
    STEP_DAYS,
    cumulative_neglect,
    dose_curve,
    dose_response,
    length_against_neglect,
    life_curves,
    pressure_scale,
)
from failstats.answers.vents_stretches import part_rows
from failstats.answers.vents_verdict import FEWEST_CASES
from failstats.answers.vents_warnings import warn_of_controls, warn_of_models
from failstats.answers.vents_words import WAY_WORDS
from failstats.errors import FitError, InputError
from failstats.estimate.poisson_model import AGREE_WITHIN
from failstats.progress import Stages, each
from failstats.warehouse.session import Session

__all__ = ["BANDS", "EDITION", "REFERENCE", "VentEffect", "Vents", "vents"]

BANDS = bands_of(DEFAULT_MONTHS).names
REFERENCE = bands_of(DEFAULT_MONTHS).reference
ENOUGH_ON_CONTRACT = 50  # failures; below it call-out units are used too, with a warning
# Controls: the door switch; a belt turns as long as the drum, which turns longer behind a blocked
# vent, so it is shown beside and decides only where there is no door switch.
CONTROLS, WEAKER = ("door_switch",), ("belt",)

TIMES = {  # seconds on the demo
    "stretches of time behind each vent": 0.4,
    "hazard ratios": 3.0,
    "other choices": 3.5,
    "the shape of the effect": 1.5,
}


def vents(
    session: Session,
    *,
    part: Sequence[str] = (),
    control: Sequence[str] = (),
    cut: Sequence[int] = (),
    edition: str = EDITION,
    costs: Costs | None = None,
    replicates: int = 0,
    confidence_level: float = 0.95,
    progress: Callable[[str], None] | None = None,
) -> Vents:
    """Does it matter to the parts how long ago the vent was cleaned, or how long its run is?

    Parameters
    ----------
    part : parts to look at; default every heat part of the records whose failure shows itself.
    control : parts that moist air and longer cycles cannot reach; default the door switch.
    cut : months since the last full cleaning where a band ends; default 12 and 24.
    edition : of the residential code that run lengths are held against.
    costs : what a cleaning costs; the assumed default otherwise.
    replicates : draw units (or buildings) anew so often, for an interval by resampling beside the
        robust one; 0 for none, 500 is enough. Ratios of the replicates come from the influence of
        units, to first order.
    progress : called with the name of each part.

    Returns
    -------
    Vents : one row per part and contrast, controls last.

    Raises
    ------
    InputError : a part that the records do not name, cut points that do not rise, no such edition.

    Notes
    -----
    Cox model (Efron ties) on counts of lives with known birth, split where the band of neglect
    changes; strata are family and first or later life; adjusted for loads a week in ten quantile
    bins (not recorded being a level of its own), unit age, length of the run, fuel and van;
    cluster-robust by building or unit. A negative control is clean when its whole interval lies
    within 0.8 to 1.25. The Poisson model is said to agree where a ratio is off by no more than
    half a standard error.
    """
    if replicates < 0 or replicates == 1:
        raise InputError(
            f"--replicates must be 0 or at least 2, but is {replicates}.",
            where="--replicates",
            do="give 500 for 95 % intervals, or leave it out.",
        )
    bands = bands_of(tuple(cut) or DEFAULT_MONTHS)
    used = costs or read_costs(
        currency=str(
            session.scalar("select value from raw.settings where name = 'currency'") or "USD"
        )
    )
    said = [*said_of(session), *drawn(session)]
    session = session.some_units()
    if bands.months == DEFAULT_MONTHS:
        asked = _asked(session, part, control, bands, edition, used, confidence_level, said)
        asked.replicates = replicates
        return _answer(asked, progress)
    with neglect_as(session, neglect_months=list(bands.months)):
        asked = _asked(session, part, control, bands, edition, used, confidence_level, said)
        asked.replicates = replicates
        return _answer(asked, progress)


def _asked(
    session: Session,
    part: Sequence[str],
    control: Sequence[str],
    bands: Bands,
    edition: str,
    costs: Costs,
    level: float,
    said: Sequence[Warning_],
) -> Asked:
    """Which parts can be asked about, with what has to be said of the others."""
    warnings = list(said)
    known = chosen_parts(session, ())
    wanted = chosen_parts(session, part) if part else []
    chosen = chosen_parts(session, control, option="--control") if control else []
    both = sorted(set(chosen) & set(wanted))
    if both:
        raise InputError(
            f"a control must be another part, but {', '.join(both)} is asked about too.",
            where="--control",
            do="leave it out of --part, or name a part that the vent cannot reach.",
        )
    controls = chosen or [p for p in CONTROLS if p in known]
    weaker = [] if chosen else [p for p in WEAKER if p in known and p not in wanted]
    silent = session.run("lives_silent")
    hidden = set(silent["part"])
    vocabulary = session.vocabulary.parts
    asked = [
        p
        for p in (wanted or known)
        if p not in controls
        and p not in hidden
        and (wanted or (p in vocabulary and vocabulary[p].heat_part))
    ]
    for name in sorted(hidden & set(wanted or hidden)):
        warnings.append(
            Warning_(
                code="silent_failure",
                text=f"{name}: its failures are found late, so their dates cannot be set against "
                "the vent; left out.",
            )
        )
    tripped = [p for p in silent["trips"] if p in asked]
    for name in tripped:
        warnings.append(
            Warning_(
                code="silent_failure",
                text=f"{name}: many of its failures are brought on by another part's silent "
                "failure, which has nothing to do with the vent; its ratio is of all its failures "
                "together.",
            )
        )
    if CLEANING in costs.assumed:
        warnings.append(
            Warning_(
                code="costs_assumed",
                text=f"Assumed, for want of a costs file that states it: {CLEANING} = "
                f"{costs[CLEANING]:g}.",
            )
        )
    return Asked(
        session=session, level=level, bands=bands, runs=run_lengths(session, edition),
        parts=asked, controls=controls, weaker=weaker, costs=costs, tripped=tripped,
        warnings=warnings, cleanings=cleanings_watched(session),
    )  # fmt: skip


def _answer(asked: Asked, progress: Callable[[str], None] | None) -> Vents:
    session, bands = asked.session, asked.bands
    stage = Stages(progress, TIMES)
    stage("stretches of time behind each vent")
    seen = failures_by_band(session)
    contract = seen[seen["followed_as"] == "contract"]
    failures = {str(p): int(n) for p, n in contract.groupby("part")["failures"].sum().items()}
    judge = next(iter(asked.controls or asked.weaker), None)
    followed = asked.followed
    stage("hazard ratios")
    for name in each(progress, (*asked.parts, *asked.controls, *asked.weaker), text.words):
        followed[name] = _followed(asked, name, failures)
        mine = seen[(seen["part"] == name) & seen["followed_as"].isin(followed[name])]
        asked.seen[name] = mine.groupby("band")["failures"].sum().astype(int).to_dict()
        try:
            found = fit_part(
                session, name, followed[name], asked.runs, bands,
                control=judge, confidence_level=asked.level, replicates=asked.replicates,
            )  # fmt: skip
        except FitError as fault:
            asked.reasons[name] = fault.what
            continue
        compared = found.cases.get(bands.reference, 0)
        if compared < FEWEST_CASES:
            asked.reasons[name] = (
                f"only {compared} failures behind a vent cleaned within {bands.months[0]} months, "
                "so there is nothing to compare the others with"
            )
        else:
            asked.fitted[name] = found
    warn_of_models(asked)
    warn_of_controls(asked)
    rows = [
        effect(asked, n, state, "outcome") for n in asked.parts for state in states_of(asked, n)
    ]
    rows += [
        effect(asked, n, state, "negative_control")
        for n in (*asked.controls, *asked.weaker)
        for state in states_of(asked, n)
    ]
    stage("other choices")
    outcomes = asked.outcomes()
    again = sensitivities(session, outcomes, asked.runs, bands, asked.z, progress)
    stage("the shape of the effect")
    summary = _summary(asked, rows, followed, again)
    settings = {
        **session.choices,
        "parts": asked.parts,
        "controls": [*asked.controls, *asked.weaker],
        "bands_months": list(bands.months),
        "bands_days": bands.days(),
        "edition": asked.runs.said["edition"],
        "adjusted_for": ["loads_per_week", "unit_age", "length", "fuel", "van"],
        "strata": ["family", "first_or_later"],
        "models_agree_within_errors": AGREE_WITHIN,
        "second_model_age_cuts_days": list(AGE_CUTS),
        "cleaning_cost": asked.costs[CLEANING],
        "currency": asked.costs.currency,
        "costs_file": asked.costs.file,
        "confidence_level": asked.level,
        **({"replicates": asked.replicates} if asked.replicates else {}),
    }
    return Vents(
        as_of=session.as_of.isoformat(),
        settings=settings,
        warnings=tuple(asked.warnings),
        summary=summary,
        results=tuple(rows),
    )


def _followed(asked: Asked, name: str, failures: dict[str, int]) -> list[str]:
    """Contract units alone where they give enough failures."""
    on_contract = failures.get(name, 0)
    if on_contract >= ENOUGH_ON_CONTRACT:
        return ["contract"]
    asked.warnings.append(
        Warning_(
            code="call_out_heavy",
            text=f"{name}: contract units give only {on_contract} failures, so call-out units are "
            "used too, though cleanings between their calls are not recorded.",
        )
    )
    return ["contract", "call_out"]


def _summary(
    asked: Asked,
    rows: list[VentEffect],
    followed: dict[str, list[str]],
    again: list[Sensitivity],
) -> dict[str, Any]:
    """Figures about the whole answer, and the shape of the effect."""
    session, bands, z = asked.session, asked.bands, asked.z
    worst = f"{bands.worst}_vs_"
    outcomes = asked.outcomes()
    leading = Vents(
        as_of="", settings={}, results=tuple(rows),
        summary={"longest_neglect": bands.worst, "mixed_causes": asked.tripped},
    )._leading()  # fmt: skip
    if leading is not None:
        ways = [w for w in moved(again, leading.part, leading.ci) if w.startswith("call_out")]
        rests = "" if "call_out" in followed[leading.part] else " It rests on contract units alone."
        if ways:
            said = "; ".join(WAY_WORDS[way] for way in ways)
            asked.warnings.append(
                Warning_(
                    code="silent_loss",
                    text=f"{text.words(leading.part)}: the ratio leaves its interval with {said}: "
                    f"call-out units leave without a word.{rests}",
                )
            )
    shown = leading.part if leading is not None else None
    curves, map_ = [], []
    if shown is not None:
        frame = asked.fitted[shown].frame
        curves = life_curves(frame, bands, z)
        map_ = length_against_neglect(frame, bands, z)
    totals = {m.part: attributable_of(m, bands.rising, asked.level) for m in outcomes}
    gathered = {
        m.part: cumulative_neglect(
            part_rows(
                session, "vents_cumulative", m.part, followed[m.part], asked.runs,
                clean=bands.reference, step=STEP_DAYS,
            ),
            z,
        )
        for m in outcomes
    }  # fmt: skip
    curves_of = {}
    with neglect_as(session, neglect_months=list(DOSE_MONTHS)):
        for mine in [*outcomes, *asked.judges()[:1]]:
            curve = dose_curve(
                part_rows(
                    session, "vents_rows", mine.part, followed[mine.part], asked.runs,
                    bracket="stated_end",
                )
            )  # fmt: skip
            if curve is not None:
                curves_of[mine.part] = curve
    by_neglect = {m.part: curves_of.get(m.part) or band_curve(m, bands) for m in outcomes}
    fitted_on = session.run("vents_sockets").set_index("part")["sockets_per_unit"]
    future = {
        name: {
            "hazard_ratio": float(np.exp(found.future.log_ratio)),
            "ci": limits_of(found.future.log_ratio, found.future.error, z),
            "failures": found.future.failures,
            "predicts": found.predicts is not None,
        }
        for name, found in asked.fitted.items()
        if found.future is not None and np.isfinite(found.future.error)
    }
    return {
        "controls": {
            m.part: control_of(m.main, bands.rising, asked.level)
            for m in (
                asked.fitted[c] for c in (*asked.controls, *asked.weaker) if c in asked.fitted
            )
        },
        "weaker_controls": asked.weaker,
        "longest_neglect": bands.worst,
        "verdicts": {
            r.part: r.verdict for r in rows if r.role == "outcome" and r.contrast.startswith(worst)
        },
        "not_fitted": asked.reasons,
        "mixed_causes": asked.tripped,
        "reference_rate_per_day": {
            name: found.cases[bands.reference] / found.person_days[bands.reference]
            for name, found in asked.fitted.items()
            if found.person_days[bands.reference]
        },
        "attributable": {
            name: {"share": total[0], "ci": total[1]} for name, total in totals.items() if total
        },
        "future_exposure": future,
        "models_apart": {
            name: {
                contrast_of(bands, state): off
                for state, off in found.second.in_errors.items()
                if np.isfinite(off)
            }
            for name, found in asked.fitted.items()
        },
        "sensitivity": again,
        "cumulative_neglect": {name: one for name, one in gathered.items() if one},
        "dose_response": {part: dose_response(curve, z) for part, curve in curves_of.items()},
        "rate_by_neglect": {p: c.to_dict() for p, c in by_neglect.items() if c is not None},
        "sockets_per_unit": {
            m.part: float(fitted_on[m.part]) for m in outcomes if m.part in fitted_on
        },
        "life_curves": {"part": shown, "points": curves},
        "length_against_neglect": {"part": shown, "cells": map_},
        "pressure_drop": {
            m.part: one
            for m in outcomes
            if (one := pressure_scale(m.frame, asked.runs.drops, bands, z)) is not None
        },
        "runs": asked.runs.said,
    }
