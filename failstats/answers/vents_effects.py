"""The rows of `vents`: one part and one contrast each, from the models of all parts."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from scipy import stats

from failstats.answers import wording as text
from failstats.answers.costs import Costs
from failstats.answers.result import Warning_
from failstats.answers.vents_models import UNKNOWN
from failstats.answers.vents_parts import (
    LENGTH,
    PartFit,
    attributable_of,
    calibrated_of,
    cleanings_of,
    control_of,
    limits_of,
    number_or_none,
    time_ratio_of,
)
from failstats.answers.vents_records import Bands
from failstats.answers.vents_rows import (
    NumberPiece,
    RatioReplicates,
    SecondModel,
    VentEffect,
    WithinUnit,
)
from failstats.answers.vents_runs import Runs
from failstats.answers.vents_verdict import FEWEST_CASES, Evidence, Verdict, verdict
from failstats.answers.vents_words import band_words
from failstats.estimate.belief import detectable_hazard_ratio, e_value
from failstats.estimate.meaning import NumberNeeded
from failstats.estimate.replicates import percentile_interval
from failstats.warehouse.session import Session

__all__ = ["Asked", "contrast_of", "effect", "states_of"]

# Of the days watched: with use recorded for less, neglect may take the blame for it (our own rule).
LEAST_USE_KNOWN = 0.5
COMMON = 0.15  # share of units with a failure, above which a hazard ratio is converted first
Role = Literal["outcome", "negative_control"]


@dataclass(slots=True, kw_only=True)
class Asked:
    """What one question rests on, gathered while it is answered."""

    session: Session
    level: float
    bands: Bands
    runs: Runs
    parts: list[str]
    controls: list[str]
    weaker: list[str]
    costs: Costs
    tripped: list[str]
    warnings: list[Warning_] = field(default_factory=list)
    fitted: dict[str, PartFit] = field(default_factory=dict)
    reasons: dict[str, str] = field(default_factory=dict)
    cleanings: int = 0
    replicates: int = 0
    followed: dict[str, list[str]] = field(default_factory=dict)
    seen: dict[str, dict[str, int]] = field(default_factory=dict)  # failures by part and band

    @property
    def z(self) -> float:
        """Half width of an interval, in standard errors."""
        return float(stats.norm.ppf(0.5 + self.level / 2))

    def outcomes(self) -> list[PartFit]:
        """The fits of the parts asked about, without the controls."""
        return [self.fitted[part] for part in self.parts if part in self.fitted]

    def judges(self) -> list[PartFit]:
        """The controls that decide: the weaker ones only where there is no other."""
        strong = [self.fitted[c] for c in self.controls if c in self.fitted]
        return strong or [self.fitted[c] for c in self.weaker if c in self.fitted]

    def words(self, state: str) -> tuple[str, ...]:
        """What the controls say: over all bands of neglect, or about length."""
        names = (LENGTH,) if state == LENGTH else self.bands.rising
        return tuple(control_of(judge.main, names, self.level) for judge in self.judges())


def states_of(asked: Asked, part: str) -> list[str]:
    """The contrasts of one part: bands of neglect, and length where runs are known."""
    found = asked.fitted.get(part)
    length = [LENGTH] if found is not None and LENGTH in found.main.names else []
    return [*asked.bands.names, *length]


def contrast_of(bands: Bands, state: str) -> str:
    """The contrast's name, as the JSON has it."""
    return "over_limit_vs_within" if state == LENGTH else f"{state}_vs_{bands.reference}"


def effect(asked: Asked, part: str, state: str, role: Role) -> VentEffect:
    """One part and contrast."""
    found = asked.fitted.get(part)
    if (
        found is None
        or not np.isfinite(found.log_of(state))
        or not np.isfinite(found.error_of(state))
    ):
        return _nothing(asked, found, part, state, role)
    log_ratio, error = found.log_of(state), found.error_of(state)
    ratio, ci = float(np.exp(log_ratio)), limits_of(log_ratio, error, asked.z)
    outcome = role == "outcome"
    calibrated = calibrated_of(found, asked.judges(), state, asked.level) if outcome else None
    word, said = _verdict(asked, found, state, ratio, ci, error, calibrated, role)
    neglect = state not in (UNKNOWN, LENGTH)
    lasting = (
        time_ratio_of(asked.session, part, ratio, error, asked.level)
        if outcome and state != UNKNOWN
        else None
    )
    share = attributable_of(found, [state], asked.level) if outcome and state != UNKNOWN else None
    needed = cleanings_of(found, state, asked.z) if outcome and neglect else None
    price = asked.costs["cleaning.full_run"]
    crude, crude_error = found.crude.get(state, (float("nan"), float("nan")))
    second = found.second.ratios.get(state, (None, None, None))
    size = e_value(ratio, low=ci[0], high=ci[1], common=found.failed_share > COMMON)
    return VentEffect(
        part=part,
        role=role,
        exposure="length" if state == LENGTH else "neglect",
        contrast=contrast_of(asked.bands, state),
        hazard_ratio=ratio,
        ci=ci,
        crude_hazard_ratio=number_or_none(np.exp(crude)),
        crude_ci=limits_of(crude, crude_error, asked.z),
        calibrated_ci=calibrated,
        second_model=SecondModel(hazard_ratio=second[0], ci=second[1:]),
        within_unit=_within(asked, found, state),
        p_value=float(2 * stats.norm.sf(abs(log_ratio / error))),
        time_ratio=lasting[0] if lasting else None,
        time_ratio_ci=lasting[1] if lasting else None,
        failures=found.failures,
        failures_exposed=found.cases[state],
        units=found.units[state],
        detectable_hazard_ratio=detectable_hazard_ratio(error),
        e_value=size.estimate,
        e_value_limit=size.limit,
        attributable_share=share[0] if share else None,
        attributable_ci=share[1] if share else None,
        cleanings_per_failure_avoided=_benefit(needed, 1.0),
        cleanings_interval=_pieces(needed, 1.0),
        money_per_failure_avoided=_benefit(needed, price),
        money_interval=_pieces(needed, price),
        proportional_p=number_or_none(found.proportional_p.get(state, np.nan)),
        verdict=word,
        verdict_text=said,
        replicates=_drawn_anew(found, state, asked.level),
    )


def _drawn_anew(found: PartFit, state: str, level: float) -> RatioReplicates | None:
    drawn = found.main.drawn
    if drawn is None:
        return None
    low, high = percentile_interval(
        np.exp(drawn[:, found.main.names.index(state)]), confidence_level=level
    )
    return RatioReplicates(replicates=len(drawn), ci=(number_or_none(low), number_or_none(high)))


def _nothing(asked: Asked, found: PartFit | None, part: str, state: str, role: Role) -> VentEffect:
    seen = asked.seen.get(part, {})
    cases = (found.cases if found else seen).get(state, 0)
    why = asked.reasons.get(part) or (
        "too few failures under this state of the vent"
        if cases < FEWEST_CASES
        else f"the models give no ratio for its {cases} failures under this state of the vent: too "
        "few others of the same age and family stand beside them"
    )
    return VentEffect(
        part=part, role=role, exposure="length" if state == LENGTH else "neglect",
        contrast=contrast_of(asked.bands, state), hazard_ratio=None, ci=(None, None),
        crude_hazard_ratio=None, crude_ci=(None, None), calibrated_ci=None,
        second_model=SecondModel(hazard_ratio=None, ci=(None, None)), within_unit=None,
        p_value=None, time_ratio=None, time_ratio_ci=None,
        failures=found.failures if found else sum(seen.values()),
        failures_exposed=cases,
        units=found.units.get(state, 0) if found else 0, detectable_hazard_ratio=None,
        e_value=None, e_value_limit=None, attributable_share=None, attributable_ci=None,
        cleanings_per_failure_avoided=None, cleanings_interval=None,
        money_per_failure_avoided=None, money_interval=None, proportional_p=None,
        verdict="not_enough_data", verdict_text=f"{text.words(part)}: {why.rstrip('.')}.",
    )  # fmt: skip


def _verdict(
    asked: Asked,
    found: PartFit,
    state: str,
    ratio: float,
    ci: tuple[float | None, float | None],
    error: float,
    calibrated: tuple[float, float] | None,
    role: Role,
) -> tuple[Verdict, str]:
    name = text.words(found.part)
    if state == UNKNOWN:
        return "cannot_be_trusted", f"{name}: the last cleaning was not known in these stretches."
    if ci[0] is None or ci[1] is None:
        return "not_enough_data", f"{name}: too few failures under this state of the vent to tell."
    if state != LENGTH and not asked.cleanings:
        return "cannot_be_trusted", (
            f"{name}: how much vent neglect does cannot be trusted because no cleaning of the full "
            "run is recorded on units while they were watched: neglected cannot be told from not "
            "written down."
        )
    if state != LENGTH and role == "outcome" and "call_out" in asked.followed.get(found.part, ()):
        return "cannot_be_trusted", (
            f"{name}: {ratio:.2f} times ({ci[0]:.2f} to {ci[1]:.2f}) behind a vent last cleaned "
            f"{band_words(state)} cannot be trusted because too few units are under contract, and "
            "of call-out units neither cleanings between calls nor the day they left is recorded."
        )
    if state != LENGTH and role == "outcome" and found.use_known < LEAST_USE_KNOWN:
        return "cannot_be_trusted", (
            f"{name}: {ratio:.2f} times ({ci[0]:.2f} to {ci[1]:.2f}) behind a vent last cleaned "
            f"{band_words(state)} cannot be trusted because loads a week are recorded for "
            f"{text.share(found.use_known)} of the days watched only, and heavy users neglect "
            "their vents more."
        )
    when = f"last cleaned {band_words(state)}"
    against = f"one cleaned within {asked.bands.months[0]} months"
    if state == LENGTH:
        when, against = "whose run is over the limit", "one within it"
    future = None
    if state != LENGTH and found.predicts is not None:
        future = (
            f"the cleaning that had not happened yet predicts too ({found.predicts:.2f} times "
            "where it is over a year away): units cleaned late differ in something else"
        )
    word, said = verdict(
        Evidence(
            name=name, when=when, against=against, ratio=ratio, ci=(ci[0], ci[1]), error=error,
            calibrated=calibrated, controls=asked.words(state), cases=found.cases[state],
            failures=found.failures, is_control=role == "negative_control",
            agree=found.second.agrees(state), future=future,
        )
    )  # fmt: skip
    if state == LENGTH:
        said += f" {asked.runs.said['caution'].split('. ')[0]}."
    return word, said


def _within(asked: Asked, found: PartFit, state: str) -> WithinUnit | None:
    if found.within is None or state == LENGTH:
        return None
    log_ratio, error = found.within.log_ratio[state], found.within.error[state]
    return WithinUnit(
        hazard_ratio=number_or_none(np.exp(log_ratio)),
        ci=limits_of(log_ratio, error, asked.z),
        failures=found.within.failures,
    )


def _benefit(needed: NumberNeeded | None, price: float) -> float | None:
    if needed is None or needed.kind != "benefit":
        return None
    return number_or_none(needed.estimate * price)


def _pieces(needed: NumberNeeded | None, price: float) -> list[NumberPiece] | None:
    """The interval in one or two pieces, each (kind, low, high), null for infinity."""
    if needed is None:
        return None
    return [
        NumberPiece(kind=kind, low=float(low * price), high=number_or_none(high * price))  # type: ignore[arg-type]
        for kind, low, high in needed.pieces
    ]
