"""Does vent neglect shorten part life, by how much, and can we believe it?"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

import numpy as np
import pandas as pd
from scipy import stats

from failstats.answers import wording as text
from failstats.answers.lives import Selection, chosen_parts, single_life
from failstats.answers.result import Answer, Warning_
from failstats.counts.pattern_table import PatternTable
from failstats.errors import FitError
from failstats.estimate.belief import (
    calibrated_interval,
    control_verdict,
    detectable_hazard_ratio,
    e_value,
)
from failstats.estimate.hazard_model import Design, cluster_robust, cox, proportional_hazards_test
from failstats.estimate.life_models import FittedLife
from failstats.estimate.meaning import attributable_share, time_ratio
from failstats.estimate.poisson_model import agreement, piecewise_exponential
from failstats.show import charts
from failstats.warehouse.session import Session

__all__ = ["BANDS", "VentEffect", "Vents", "vents"]

BANDS = ("12_to_24", "over_24", "unknown")
REFERENCE = "under_12"
LOADS_REFERENCE = 5  # of ten bins; bin 0 is "not recorded"
FEWEST_FAILURES = 20
ENOUGH_ON_CONTRACT = 50  # failures; below it call-out units are used too, with a warning
AGE_CUTS = tuple(365 * year for year in range(1, 21))
YEAR_DAYS = 365.25
COMMON = 0.15  # share of lives that failed, above which a hazard ratio is converted first
Verdict = Literal["shortens", "no_effect_larger_than", "lengthens", "not_enough_data", "cannot_be_trusted"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondModel:
    """The same contrast from a piecewise-exponential Poisson model on the same counts."""

    hazard_ratio: float | None
    ci: tuple[float | None, float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class VentEffect:
    """One row of `vents`: one part and one contrast of neglect."""

    part: str
    role: Literal["outcome", "negative_control"]
    exposure: Literal["neglect"]
    contrast: str
    hazard_ratio: float | None
    ci: tuple[float | None, float | None]
    crude_hazard_ratio: float | None
    crude_ci: tuple[float | None, float | None]
    calibrated_ci: tuple[float, float] | None
    second_model: SecondModel
    p_value: float | None
    time_ratio: float | None
    time_ratio_ci: tuple[float, float] | None
    failures: int
    failures_exposed: int
    detectable_hazard_ratio: float | None
    e_value: float | None
    attributable_share: float | None
    attributable_ci: tuple[float, float] | None
    cleanings_per_failure_avoided: float | None
    proportional_p: float | None
    verdict: Verdict
    verdict_text: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Vents(Answer):
    """Hazard ratios by time since the last full vent cleaning, with negative controls."""

    command: ClassVar[str] = "vents"
    row_type: ClassVar[type | None] = VentEffect

    def _leading(self) -> VentEffect | None:
        """The row that answers the question first: the most failures, over 24 months."""
        rows = [
            r
            for r in self.results
            if r.role == "outcome" and r.contrast.startswith("over_24") and r.hazard_ratio is not None
        ]
        mixed = self.summary.get("mixed_causes", [])
        pure = [r for r in rows if r.part not in mixed] or rows
        shortened = [r for r in pure if r.verdict == "shortens"]
        return max(shortened or pure, key=lambda r: r.failures, default=None)

    def interval(self, confidence_level: float = 0.95) -> tuple[float, float] | None:
        """Interval of the leading hazard ratio, at the level asked for when it ran."""
        row = self._leading()
        return None if row is None or row.ci[0] is None or row.ci[1] is None else (row.ci[0], row.ci[1])

    def forest_table(self) -> pd.DataFrame:
        """label, role, ratio, low, high."""
        rows = [
            {
                "label": f"{text.words(r.part)}: {_band_words(r.contrast)}",
                "role": r.role,
                "ratio": r.hazard_ratio,
                "low": r.ci[0],
                "high": r.ci[1],
            }
            for r in self.results
            if r.hazard_ratio is not None and not r.contrast.startswith("unknown")
        ]
        return pd.DataFrame(rows, columns=["label", "role", "ratio", "low", "high"])

    def chart(self) -> Any:
        """A forest of hazard ratios, controls marked."""
        frame = self.forest_table()
        if frame.empty:
            return None
        return charts.forest(frame, title="Failure rate against a vent cleaned within 12 months")

    def headline(self) -> str:
        """The verdict on the leading part."""
        row = self._leading()
        return "The records cannot tell whether vent neglect shortens part life." if row is None else row.verdict_text

    def details(self) -> list[str]:
        """Adjusted beside crude, and the verdict on every part."""
        rows = [
            {
                "part": text.words(r.part) + (" (control)" if r.role == "negative_control" else ""),
                "last cleaned": _band_words(r.contrast),
                "failures": r.failures_exposed,
                "hazard ratio": _ratio(r.hazard_ratio),
                "95 % interval": text.between(r.ci, _ratio, brackets=False),
                "crude": _ratio(r.crude_hazard_ratio),
                "verdict": text.words(r.verdict),
            }
            for r in self.results
        ]
        said = [f"- {r.verdict_text}" for r in self.results if r.role == "outcome" and r.contrast.startswith("over_24")]
        return [text.table(rows), *(text.wrap(line) for line in said)]


def _ratio(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.2f}"


def _band_words(contrast: str) -> str:
    return {
        "12_to_24": "12 to 24 months ago",
        "over_24": "over 24 months ago",
        "unknown": "not known",
    }[contrast.removesuffix(f"_vs_{REFERENCE}")]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fitted:
    """One part's models, by band: log ratio, robust error, and the figures around them."""

    part: str
    log_ratio: dict[str, float]
    error: dict[str, float]
    crude: dict[str, float]
    crude_error: dict[str, float]
    second: dict[str, tuple[float | None, float | None, float | None]]
    covariance: np.ndarray
    cases: dict[str, int]
    person_days: dict[str, float]
    failures: int
    lives_failed_share: float
    proportional_p: dict[str, float]
    agree: bool


def _codes(frame: pd.DataFrame, strata: dict[str, int]) -> pd.DataFrame:
    """Stratum and pattern as numbers: pattern = band x 11 + loads bin."""
    band = frame["band"].map({name: k for k, name in enumerate((REFERENCE, *BANDS))})
    return frame.assign(
        stratum=frame["stratum"].map(strata).astype("int64"),
        pattern=(band * 11 + frame["loads_bin"]).astype("int64"),
    )


def _designs() -> tuple[Design, Design]:
    """Adjusted (bands and use) and crude (bands alone), one row per pattern."""
    band, bin_ = np.divmod(np.arange(44), 11)
    bands = np.column_stack([band == k + 1 for k in range(len(BANDS))]).astype(float)
    use = np.column_stack([bin_ == k for k in range(11) if k != LOADS_REFERENCE]).astype(float)
    names = tuple(BANDS)
    use_names = tuple(f"loads_bin_{k}" for k in range(11) if k != LOADS_REFERENCE)
    return (
        Design(values=np.column_stack([bands, use]), names=names + use_names),
        Design(values=bands, names=names),
    )


def _fit(session: Session, part: str, followed: list[str]) -> _Fitted:
    """Cox models (adjusted, crude) with cluster-robust errors, and the Poisson model beside."""
    cells = session.run("vents_cells", part=part, followed=followed)
    strata = {name: k for k, name in enumerate(sorted(cells["stratum"].unique()))}
    coded = _codes(cells, strata)
    counts = coded[["stratum", "pattern", "age", "entered", "failed", "left"]].astype("int64")
    table = PatternTable.from_cells(counts)
    adjusted, crude = _designs()
    rows = _codes(session.run("vents_rows", part=part, followed=followed), strata)
    episodes = {
        "cluster": rows["cluster_id"].to_numpy(),
        "pattern": rows["pattern"].to_numpy(),
        "start": rows["start_days"].to_numpy(),
        "stop": rows["stop_days"].to_numpy(),
        "failed": rows["failed"].to_numpy().astype("int64"),
        "stratum": rows["stratum"].to_numpy(),
    }
    main = cox(table, design=adjusted)
    robust = cluster_robust(main, **episodes)
    plain = cox(table, design=crude)
    plain_robust = cluster_robust(plain, **episodes)
    poisson = piecewise_exponential(table, design=adjusted, cuts=AGE_CUTS)
    limits = poisson.hazard_ratio()
    test = proportional_hazards_test(main, table)
    by_name = dict(zip(test.names, test.p_value, strict=True))
    k = len(BANDS)
    days = (rows["stop_days"] - rows["start_days"]).groupby(rows["band"]).sum()
    cases = rows.groupby("band")["failed"].sum()
    second = {}
    for place, name in enumerate(BANDS):
        entry = limits.iloc[place]
        second[name] = tuple(_number(v) for v in (np.exp(poisson.coefficients[place]), entry["low"], entry["high"]))
    lives = rows[["unit_id"]].assign(failed=rows["failed"]).groupby("unit_id")["failed"].max()
    return _Fitted(
        part=part,
        log_ratio=dict(zip(BANDS, main.coefficients[:k], strict=True)),
        error=dict(zip(BANDS, robust.standard_errors[:k], strict=True)),
        crude=dict(zip(BANDS, plain.coefficients[:k], strict=True)),
        crude_error=dict(zip(BANDS, plain_robust.standard_errors[:k], strict=True)),
        second=second,
        covariance=np.asarray(robust.covariance[:k, :k]),
        cases={name: int(cases.get(name, 0)) for name in (REFERENCE, *BANDS)},
        person_days={name: float(days.get(name, 0.0)) for name in (REFERENCE, *BANDS)},
        failures=int(cases.sum()),
        lives_failed_share=float(lives.mean()),
        proportional_p={name: _number(by_name.get(name, np.nan)) for name in BANDS},
        agree=bool(agreement(main, second=poisson).agree),
    )


def _number(value: Any) -> float | None:
    number = float(value)
    return number if np.isfinite(number) else None


def _limits(log_ratio: float, error: float, z: float) -> tuple[float | None, float | None]:
    return _number(np.exp(log_ratio - z * error)), _number(np.exp(log_ratio + z * error))


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
    controls = chosen_parts(session, control) if control else [p for p in ("door_switch",) if p in known]
    silent = session.run("lives_silent")
    hidden = set(silent["part"])
    vocabulary = session.vocabulary.parts
    asked = [
        p
        for p in (chosen_parts(session, part) if part else known)
        if p not in controls and p not in hidden and (part or (p in vocabulary and vocabulary[p].heat_part))
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
    fitted: dict[str, _Fitted] = {}
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
            fitted[name] = _fit(session, name, followed)
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
        _row(session, fitted, reasons, name, band, "negative_control", controls, z, confidence_level)
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
        "controls": {name: _control(fitted[name], z) for name in controls if name in fitted},
        "verdicts": {r.part: r.verdict for r in rows if r.role == "outcome" and r.contrast.startswith("over_24")},
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


def _control(found: _Fitted, z: float) -> str:
    """The verdict on one control over both bands that count: the worse of the two."""
    words = [
        control_verdict((np.exp(found.log_ratio[b] - z * found.error[b]), np.exp(found.log_ratio[b] + z * found.error[b])))
        for b in ("12_to_24", "over_24")
        if np.isfinite(found.error[b])
    ]
    for word in ("confounding_remains", "control_too_small"):
        if word in words:
            return word
    return "clean" if words else "control_too_small"


def _control_warnings(fitted: dict[str, _Fitted], controls: list[str], z: float) -> list[Warning_]:
    out = []
    for name in controls:
        if name not in fitted:
            continue
        word = _control(fitted[name], z)
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


def _calibrated(
    fitted: dict[str, _Fitted], controls: list[str], part: str, band: str, level: float
) -> tuple[float, float] | None:
    known = [
        fitted[name]
        for name in controls
        if name in fitted and name != part and np.isfinite(fitted[name].error[band]) and fitted[name].error[band] > 0
    ]
    mine = fitted[part]
    if not known or not np.isfinite(mine.error[band]):
        return None
    found = calibrated_interval(
        mine.log_ratio[band],
        standard_error=mine.error[band],
        control_log_ratios=[c.log_ratio[band] for c in known],
        control_standard_errors=[c.error[band] for c in known],
    )
    return found.interval(level)


def _row(
    session: Session,
    fitted: dict[str, _Fitted],
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
    if found is None or not np.isfinite(found.log_ratio[band]) or not np.isfinite(found.error[band]):
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
    ci = _limits(log_ratio, error, z)
    calibrated = _calibrated(fitted, controls, part, band, level) if role == "outcome" else None
    words = [_control(fitted[name], z) for name in controls if name in fitted]
    verdict, said = _verdict(part, band, found, ratio, ci, calibrated, words, role)
    lasting = _time_ratio(session, part, ratio, error, level) if role == "outcome" and band != "unknown" else None
    share = _attributable(found, band, level) if band != "unknown" else None
    return VentEffect(
        part=part,
        role=role,
        exposure="neglect",
        contrast=contrast,
        hazard_ratio=ratio,
        ci=ci,
        crude_hazard_ratio=_number(np.exp(found.crude[band])),
        crude_ci=_limits(found.crude[band], found.crude_error[band], z),
        calibrated_ci=calibrated,
        second_model=SecondModel(hazard_ratio=found.second[band][0], ci=found.second[band][1:]),
        p_value=float(2 * stats.norm.sf(abs(log_ratio / error))),
        time_ratio=lasting[0] if lasting else None,
        time_ratio_ci=lasting[1] if lasting else None,
        failures=found.failures,
        failures_exposed=found.cases[band],
        detectable_hazard_ratio=detectable_hazard_ratio(error),
        e_value=e_value(ratio, low=ci[0], high=ci[1], common=found.lives_failed_share > COMMON).estimate,
        attributable_share=share[0] if share else None,
        attributable_ci=share[1] if share else None,
        cleanings_per_failure_avoided=_cleanings(found, band, ratio) if band != "unknown" else None,
        proportional_p=found.proportional_p[band],
        verdict=verdict,
        verdict_text=said,
    )


def _verdict(
    part: str,
    band: str,
    found: _Fitted,
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
        return "not_enough_data", f"{name}: too few failures behind a vent last cleaned {when} to tell."
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
        return "lengthens", f"{name}: fails {figure} {against} when last cleaned {when}: less often."
    return (
        "no_effect_larger_than",
        f"{name}: no effect larger than {high:.2f} times was found for a vent last cleaned {when} "
        f"(estimate {ratio:.2f}, {low:.2f} to {high:.2f}).",
    )


def _time_ratio(
    session: Session, part: str, ratio: float, error: float, level: float
) -> tuple[float, tuple[float, float]] | None:
    """How long a part lasts behind such a vent, as a multiple; needs an honest Weibull shape."""
    life = single_life(session, part, Selection(followed=("contract",)), cluster=False)
    if not isinstance(life, FittedLife):
        return None
    shape = life.parameters["shape"]
    found = time_ratio(
        ratio, shape=shape, log_ratio_error=error, shape_error=shape * life.std_errors["shape"]
    )
    low, high = found.interval(level)
    return float(found.estimate), (float(low), float(high))


def _attributable(found: _Fitted, band: str, level: float) -> tuple[float, tuple[float, float]]:
    """Share of all failures owed to this band, if the ratio is causal."""
    k = BANDS.index(band)
    covariance = np.zeros((2, 2))
    covariance[1, 1] = found.covariance[k, k]
    answer = attributable_share(
        [found.failures - found.cases[band], found.cases[band]],
        hazard_ratios=[1.0, float(np.exp(found.log_ratio[band]))],
        covariance=covariance,
    )
    low, high = answer.interval(level)
    return float(answer.estimate), (float(low), float(high))


def _cleanings(found: _Fitted, band: str, ratio: float) -> float | None:
    """Yearly cleanings of such units for each failure avoided, if the ratio is causal."""
    if ratio <= 1 or not found.person_days[band]:
        return None
    per_year = found.cases[band] / (found.person_days[band] / YEAR_DAYS)
    return float(1 / (per_year * (1 - 1 / ratio)))
