"""Does vent neglect shorten part life, by how much, and can we believe it?"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Literal

import numpy as np
from scipy import stats

from failstats.answers import wording as text
from failstats.answers.lives import chosen_parts
from failstats.answers.result import Warning_
from failstats.answers.vents_models import (
    BANDS,
    REFERENCE,
    Fitted,
    attributable_of,
    calibrated_of,
    cleanings_of,
    control_of,
    fit_part,
    limits_of,
    number_or_none,
    time_ratio_of,
)
from failstats.answers.vents_rows import SecondModel, VentEffect, Vents, _band_words
from failstats.errors import FitError
from failstats.estimate.belief import (
    detectable_hazard_ratio,
    e_value,
)
from failstats.warehouse.session import Session

__all__ = ["BANDS", "VentEffect", "Vents", "vents"]

FEWEST_FAILURES = 20
ENOUGH_ON_CONTRACT = 50  # failures; below it call-out units are used too, with a warning
COMMON = 0.15  # share of lives that failed, above which a hazard ratio is converted first
Verdict = Literal[
    "shortens", "no_effect_larger_than", "lengthens", "not_enough_data", "cannot_be_trusted"
]


def vents(
    session: Session,
    *,
    part: Sequence[str] = (),
    control: Sequence[str] = (),
    confidence_level: float = 0.95,
    progress: Callable[[str], None] | None = None,
) -> Vents:
    """Does it matter to the parts how long ago the vent was cleaned?

    Parameters
    ----------
    part : parts to look at; default every heat part of the records whose failure shows itself.
    control : parts that moist air and longer cycles cannot reach; default the door switch.
    progress : called with the name of each part.

    Returns
    -------
    Vents : one row per part and contrast, controls last.

    Raises
    ------
    InputError : a part that the records do not name.

    Notes
    -----
    Cox model (Efron ties) on counts of lives with known birth, split where the band of neglect
    changes; strata are family and first or later life; adjusted for loads a week in ten quantile
    bins, not recorded being a level of its own; cluster-robust by building or unit. A negative
    control is clean when its whole interval lies within 0.8 to 1.25.
    """
    z = float(stats.norm.ppf(0.5 + confidence_level / 2))
    warnings = [Warning_(code=code, text=said) for code, said in session.warnings]
    known = chosen_parts(session, ())
    controls = (
        chosen_parts(session, control) if control else [p for p in ("door_switch",) if p in known]
    )
    silent = session.run("lives_silent")
    hidden = set(silent["part"])
    vocabulary = session.vocabulary.parts
    asked = [
        p
        for p in (chosen_parts(session, part) if part else known)
        if p not in controls
        and p not in hidden
        and (part or (p in vocabulary and vocabulary[p].heat_part))
    ]
    for name in sorted(hidden & set(chosen_parts(session, part) if part else hidden)):
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
                text=f"{name}: many of its failures are brought on by another part's silent failure, "
                "which has nothing to do with the vent; its ratio is of all its failures together.",
            )
        )
    fitted: dict[str, Fitted] = {}
    failures = _failures_on_contract(session)
    reasons: dict[str, str] = {}
    for name in (*asked, *controls):
        if progress:
            progress(name)
        on_contract = failures.get(name, 0)
        followed = ["contract"] if on_contract >= ENOUGH_ON_CONTRACT else ["contract", "call_out"]
        if len(followed) > 1:
            warnings.append(
                Warning_(
                    code="call_out_heavy",
                    text=f"{name}: contract units give only {on_contract} failures, so call-out units "
                    "are used too, though cleanings between their calls are not recorded.",
                )
            )
        try:
            fitted[name] = fit_part(session, name, followed)
        except FitError as fault:
            reasons[name] = fault.what
        if name in fitted and not fitted[name].agree:
            warnings.append(
                Warning_(
                    code="models_disagree",
                    text=f"{name}: the Cox and the Poisson model differ by more than their errors allow.",
                )
            )
    rows = [
        _row(session, fitted, reasons, name, band, "outcome", controls, z, confidence_level)
        for name in asked
        for band in BANDS
    ]
    rows += [
        _row(
            session, fitted, reasons, name, band, "negative_control", controls, z, confidence_level
        )
        for name in controls
        for band in BANDS
    ]
    warnings += _control_warnings(fitted, controls, z)
    settings = {
        **session.choices,
        "parts": asked,
        "controls": controls,
        "bands_days": [365, 730],
        "confidence_level": confidence_level,
    }
    summary = {
        "controls": {name: control_of(fitted[name], z) for name in controls if name in fitted},
        "verdicts": {
            r.part: r.verdict
            for r in rows
            if r.role == "outcome" and r.contrast.startswith("over_24")
        },
        "not_fitted": reasons,
        "mixed_causes": tripped,
        "reference_rate_per_day": {
            name: found.cases[REFERENCE] / found.person_days[REFERENCE]
            for name, found in fitted.items()
            if found.person_days[REFERENCE]
        },
    }
    return Vents(
        as_of=session.as_of.isoformat(),
        settings=settings,
        warnings=tuple(warnings),
        summary=summary,
        results=tuple(rows),
    )


def _failures_on_contract(session: Session) -> dict[str, int]:
    """Part -> failures of lives with known birth in contract units."""
    session.build("fact_exposure")
    frame = session.connection.execute(
        "select part, count(*) filter (where failed) as failures from fact_exposure "
        "where followed_as = 'contract' group by part"
    ).df()
    return {str(row.part): int(row.failures) for row in frame.itertuples()}


def _control_warnings(fitted: dict[str, Fitted], controls: list[str], z: float) -> list[Warning_]:
    out = []
    for name in controls:
        if name not in fitted:
            continue
        word = control_of(fitted[name], z)
        if word == "clean":
            continue
        said = (
            "differs with the vent though it should not: something unrecorded is at work, and the "
            "calibrated intervals are the ones to read"
            if word == "confounding_remains"
            else "has too few failures to rule out that something unrecorded is at work; the calibrated "
            "intervals allow for it"
        )
        out.append(Warning_(code=word, text=f"The control {text.words(name)} {said}."))
    if not any(name in fitted for name in controls):
        out.append(
            Warning_(
                code="control_too_small",
                text="No part that the vent cannot reach is in the records, so nothing shows whether "
                "something unrecorded is at work.",
            )
        )
    return out


def _row(
    session: Session,
    fitted: dict[str, Fitted],
    reasons: dict[str, str],
    part: str,
    band: str,
    role: Literal["outcome", "negative_control"],
    controls: list[str],
    z: float,
    level: float,
) -> VentEffect:
    """One part and contrast."""
    contrast = f"{band}_vs_{REFERENCE}"
    found = fitted.get(part)
    if (
        found is None
        or not np.isfinite(found.log_ratio[band])
        or not np.isfinite(found.error[band])
    ):
        said = f"{text.words(part)}: {reasons.get(part, 'too few failures under this state of the vent')}."
        return VentEffect(
            part=part, role=role, exposure="neglect", contrast=contrast, hazard_ratio=None, ci=(None, None),
            crude_hazard_ratio=None, crude_ci=(None, None), calibrated_ci=None,
            second_model=SecondModel(hazard_ratio=None, ci=(None, None)), p_value=None, time_ratio=None,
            time_ratio_ci=None, failures=found.failures if found else 0,
            failures_exposed=found.cases[band] if found else 0, detectable_hazard_ratio=None, e_value=None,
            attributable_share=None, attributable_ci=None, cleanings_per_failure_avoided=None,
            proportional_p=None, verdict="not_enough_data", verdict_text=said,
        )  # fmt: skip
    log_ratio, error = found.log_ratio[band], found.error[band]
    ratio = float(np.exp(log_ratio))
    ci = limits_of(log_ratio, error, z)
    calibrated = calibrated_of(fitted, controls, part, band, level) if role == "outcome" else None
    words = [control_of(fitted[name], z) for name in controls if name in fitted]
    verdict, said = _verdict(part, band, found, ratio, ci, calibrated, words, role)
    lasting = (
        time_ratio_of(session, part, ratio, error, level)
        if role == "outcome" and band != "unknown"
        else None
    )
    share = attributable_of(found, band, level) if band != "unknown" else None
    return VentEffect(
        part=part,
        role=role,
        exposure="neglect",
        contrast=contrast,
        hazard_ratio=ratio,
        ci=ci,
        crude_hazard_ratio=number_or_none(np.exp(found.crude[band])),
        crude_ci=limits_of(found.crude[band], found.crude_error[band], z),
        calibrated_ci=calibrated,
        second_model=SecondModel(hazard_ratio=found.second[band][0], ci=found.second[band][1:]),
        p_value=float(2 * stats.norm.sf(abs(log_ratio / error))),
        time_ratio=lasting[0] if lasting else None,
        time_ratio_ci=lasting[1] if lasting else None,
        failures=found.failures,
        failures_exposed=found.cases[band],
        detectable_hazard_ratio=detectable_hazard_ratio(error),
        e_value=e_value(
            ratio, low=ci[0], high=ci[1], common=found.lives_failed_share > COMMON
        ).estimate,
        attributable_share=share[0] if share else None,
        attributable_ci=share[1] if share else None,
        cleanings_per_failure_avoided=cleanings_of(found, band, ratio)
        if band != "unknown"
        else None,
        proportional_p=found.proportional_p[band],
        verdict=verdict,
        verdict_text=said,
    )


def _verdict(
    part: str,
    band: str,
    found: Fitted,
    ratio: float,
    ci: tuple[float | None, float | None],
    calibrated: tuple[float, float] | None,
    controls: list[str],
    role: str,
) -> tuple[Verdict, str]:
    """A word out of the fixed list, and the sentence that goes with it."""
    name, when = text.words(part), _band_words(f"{band}_vs_{REFERENCE}")
    low, high = ci
    assert low is not None and high is not None
    figure = f"{ratio:.2f} times ({low:.2f} to {high:.2f})"
    against = "as often as behind one cleaned within 12 months"
    if band == "unknown":
        return "cannot_be_trusted", f"{name}: the last cleaning was not known in these stretches."
    if found.cases[band] < 5 or found.failures < FEWEST_FAILURES:
        return (
            "not_enough_data",
            f"{name}: too few failures behind a vent last cleaned {when} to tell.",
        )
    if role == "outcome" and "confounding_remains" in controls:
        return (
            "cannot_be_trusted",
            f"{name}: fails {figure} {against}, but a part the vent cannot reach differs too: something "
            "unrecorded is at work.",
        )
    if low > 1:
        if calibrated is not None and calibrated[0] <= 1 and "clean" not in controls:
            return (
                "cannot_be_trusted",
                f"{name}: fails {figure} {against} when last cleaned {when}, but the control is too small "
                f"to rule out other causes (calibrated {calibrated[0]:.2f} to {calibrated[1]:.2f}).",
            )
        doubt = ""
        if calibrated is not None and "clean" not in controls:
            doubt = f"; allowing for other causes, {calibrated[0]:.2f} to {calibrated[1]:.2f}"
        return (
            "shortens",
            f"Yes for the {name}: behind a vent last cleaned {when} it fails {figure} {against}{doubt}.",
        )
    if high < 1:
        return (
            "lengthens",
            f"{name}: fails {figure} {against} when last cleaned {when}: less often.",
        )
    return (
        "no_effect_larger_than",
        f"{name}: no effect larger than {high:.2f} times was found for a vent last cleaned {when} "
        f"(estimate {ratio:.2f}, {low:.2f} to {high:.2f}).",
    )
