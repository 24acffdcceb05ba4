"""How long do parts last? Life curves and fitted lives, with what the records cannot support."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from failstats.answers.result import Answer, Warning_
from failstats.counts.risk_table import RiskTable
from failstats.errors import InputError
from failstats.estimate.curves import kaplan_meier
from failstats.estimate.incidence import aalen_johansen
from failstats.estimate.life_families import FAMILIES
from failstats.estimate.life_models import FittedLife, NoFit, aic_weights, fit
from failstats.estimate.log_rank import log_rank
from failstats.estimate.mean_life import restricted_mean
from failstats.estimate.recurrence import mean_cumulative_function
from failstats.estimate.life_robust import sandwich
from failstats.answers import wording as text
from failstats.show import charts
from failstats.warehouse.session import Session

__all__ = ["STRATA", "Life", "Lives", "Selection", "lives", "risk_table", "single_life"]

YEAR_DAYS = 365.25
STRATA = (
    "family",
    "fuel",
    "first_or_later",
    "followed_as",
    "van_id",
    "item_id",
    "position",
    "duct_material",
    "termination",
)
CAUSES = ("failed", "tripped", "replaced_working", "replaced_unknown", "preventive")
BIRTHS = {"known": ["known"], "assumed": ["known", "assumed"]}
BOTH = ["contract", "call_out"]
TWO_LIVES_SHARE = 0.05  # methods: above it the intervals are clustered by unit
ENOUGH_ON_CONTRACT = 20  # failures; below it a fit needs a penalty, so it cannot be the headline
RESTRICTED_YEARS = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """Which lives an estimate rests on.

    births : as the user says it. followed : classes of units. bracket : how call-out units that
    never said goodbye end: watched to the stated end, or to their last contact plus a year.
    """

    births: str = "known"
    followed: tuple[str, ...] = ("contract", "call_out")
    bracket: str = "stated_end"

    def params(self, part: str) -> dict[str, Any]:
        """Parameters of the queries `lives_*`."""
        return {
            "part": part,
            "births": BIRTHS[self.births],
            "followed": list(self.followed),
            "bracket": self.bracket,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class BracketEnd:
    """One way to treat units that leave without a word, and what it gives."""

    assumption: str
    failures: int
    scale_days: float | None
    ci: tuple[float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelWeight:
    """How well one family of life laws agrees with the counts."""

    model: str
    aic: float
    weight: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CurvePoint:
    """One step of the life curve."""

    age_days: float
    at_risk: int
    failed: int
    survival: float
    ci: tuple[float | None, float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class IncidencePoint:
    """Share of parts that one cause has ended by an age."""

    cause: str
    age_days: float
    share: float
    ci: tuple[float | None, float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One test between strata."""

    test: str
    groups: list[str]
    statistic: float
    p_value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RecurrencePoint:
    """Mean number of failures per unit by unit age, contract units only."""

    age_days: float
    mean_count: float
    ci: tuple[float | None, float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """One row of `lives`: one part in one stratum."""

    part: str
    stratum: dict[str, str | None]
    births: str
    lives: int
    failures: int
    unit_count: int
    person_days: float
    model: str | None
    label: str
    parameters: dict[str, float] | None
    parameters_ci: dict[str, tuple[float | None, float | None]] | None
    bracket: list[BracketEnd]
    log_likelihood: float | None
    aic: float | None
    b10_days: float | None
    b10_ci: tuple[float | None, float | None] | None
    median_days: float | None
    median_ci: tuple[float | None, float | None] | None
    mean_days: float | None
    restricted_mean_days: float | None
    restricted_mean_ci: tuple[float, float] | None
    survival_5y: float | None
    survival_5y_ci: tuple[float | None, float | None] | None
    models: list[ModelWeight]
    curve: list[CurvePoint]
    incidence: list[IncidencePoint]
    recurrence: list[RecurrencePoint]
    compared: list[Comparison]
    kept: dict[str, int]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lives(Answer):
    """Life statistics of the parts asked for; the headline row of each part comes first."""

    command: ClassVar[str] = "lives"
    row_type: ClassVar[type | None] = Life

    def table(self) -> pd.DataFrame:
        """One row per part and stratum, without the curves."""
        rows = []
        for life in self.results:
            parameters, limits = life.parameters or {}, life.parameters_ci or {}
            row: dict[str, Any] = {"part": life.part, **life.stratum}
            row |= {"lives": life.lives, "failures": life.failures, "unit_count": life.unit_count}
            row |= {"model": life.model, "label": life.label}
            for name, value in parameters.items():
                row[name], (row[f"{name}_low"], row[f"{name}_high"]) = value, limits[name]
            row |= {"b10_days": life.b10_days, "median_days": life.median_days}
            row |= {"survival_5y": life.survival_5y}
            rows.append(row)
        return pd.DataFrame(rows)

    def interval(self, confidence_level: float = 0.95) -> tuple[float, float] | None:
        """Interval of the first row's scale in days, at the level asked for when it ran."""
        first = self.results[0] if self.results else None
        if first is None or not first.parameters_ci:
            return None
        return first.parameters_ci.get("scale_days") or None

    def curve_table(self) -> pd.DataFrame:
        """The steps of every curve: series, age_days, at_risk, failed, survival, low, high."""
        rows = [
            {
                "series": _name(life),
                "age_days": point.age_days,
                "at_risk": point.at_risk,
                "failed": point.failed,
                "survival": point.survival,
                "low": point.ci[0],
                "high": point.ci[1],
            }
            for life in self.results
            for point in life.curve
        ]
        columns = ["series", "age_days", "at_risk", "failed", "survival", "low", "high"]
        return pd.DataFrame(rows, columns=columns)

    def fitted_table(self) -> pd.DataFrame:
        """The fitted curves at the same ages: series, age_days, survival."""
        rows = []
        for life in self.results:
            if life.model != "weibull" or not life.parameters or not life.curve:
                continue
            ages = np.linspace(0, life.curve[-1].age_days, 101)
            shape, scale = life.parameters["shape"], life.parameters["scale_days"]
            rows.append(
                pd.DataFrame(
                    {
                        "series": _name(life),
                        "age_days": ages,
                        "survival": np.exp(-((ages / scale) ** shape)),
                    }
                )
            )
        return pd.concat(rows) if rows else pd.DataFrame(columns=["series", "age_days", "survival"])

    def chart(self) -> Any:
        """Step curves with bands and fitted lines; None where no curve may be shown."""
        frame = self.curve_table()
        if frame.empty:
            return None
        return charts.life_curve(frame, title="How long parts last", fitted=self.fitted_table())

    def headline(self) -> str:
        """The lives of the first parts in words."""
        said = []
        for life in self.results:
            if life.stratum or life.parameters is None or "scale_days" not in life.parameters:
                continue
            if life.median_days is None or life.b10_days is None:
                continue
            said.append(
                f"{life.part}: one in ten fails by {text.years(life.b10_days)}"
                f"{text.between(life.b10_ci, text.years)}, half by {text.years(life.median_days)}"
            )
        refused = [life.part for life in self.results if not life.stratum and life.parameters is None]
        first = "; ".join(said) + "." if said else "No life can be stated as a single number."
        if refused:
            first += f" Not stated as one number: {', '.join(refused)} (see the notes)."
        return first

    def details(self) -> list[str]:
        """A table of the rows."""
        rows = []
        for life in self.results:
            scale = (life.parameters or {}).get("scale_days")
            ci = (life.parameters_ci or {}).get("scale_days")
            shape = (life.parameters or {}).get("shape")
            rows.append(
                {
                    "part": _name(life),
                    "lives": life.lives,
                    "failures": life.failures,
                    "shape": "" if shape is None else f"{shape:.2f}",
                    "scale": "" if scale is None else text.years(scale),
                    "95 % interval": "" if ci is None else text.between(ci, text.years, brackets=False),
                    "B10": "" if life.b10_days is None else text.years(life.b10_days),
                    "fitted": life.label,
                }
            )
        return [text.table(rows)]


def _name(life: Life) -> str:
    return " ".join([life.part, *(str(value) for value in life.stratum.values())])


# --- counting ------------------------------------------------------------------------------------


def risk_table(session: Session, part: str, selection: Selection, by: Sequence[str] = ()) -> dict[str, RiskTable]:
    """The counts of one part, by stratum (a JSON list of its values).

    >>> from failstats.answers.lives import Selection
    >>> Selection().params("coil")["births"]
    ['known']
    """
    frame = session.run("lives_cells", by=list(by), **selection.params(part))
    tables = {}
    for stratum, cells in frame.groupby("stratum", sort=True):
        cells = cells.rename(columns={cause: f"failed_{cause}" for cause in CAUSES})
        tables[str(stratum)] = RiskTable.from_cells(cells.drop(columns="stratum"))
    return tables


def _silent_parts(session: Session) -> dict[str, str]:
    """Part -> why no life of it may be read off discovery dates."""
    reasons = {}
    for row in session.run("lives_silent").itertuples():
        share = f"{row.silent_failures} of {row.failures}"
        reasons[row.part] = (
            f"{row.part}: {share} failures were silent ({row.part} stuck closed and nobody "
            "noticed); the records hold the day of discovery, not of failure, so no life curve of "
            "it is honest."
        )
        if isinstance(row.trips, str):
            reasons[row.trips] = (
                f"{row.trips}: its failures are brought on by silent failures of the {row.part}, "
                "so its own life cannot be read off these dates; the share replaced by age is "
                "shown as it was in this fleet."
            )
    return reasons


# --- one stratum -------------------------------------------------------------------------------


def _parameters(found: FittedLife) -> dict[str, float]:
    """Names with their unit: scale is in days."""
    return {("scale_days" if k == "scale" else k): v for k, v in found.parameters.items()}


def _clustered(session: Session, part: str, selection: Selection, found: FittedLife, stratum: str | None) -> FittedLife:
    """Standard errors that take lives of one unit (or building) together."""
    rows = session.run("lives_rows", **selection.params(part))
    if stratum is not None:
        raise InputError("clustered intervals are computed for whole parts only.")
    covariance = sandwich(
        found,
        entry=rows["entry_days"].to_numpy(float),
        exit=rows["exit_days"].to_numpy(float),
        failed=(rows["ending"] == "failed").to_numpy(),
        cluster=rows["cluster_id"].to_numpy(),
    )
    return found.clustered(covariance)


def single_life(
    session: Session, part: str, selection: Selection, *, model: str = "weibull", cluster: bool = True
) -> FittedLife | NoFit:
    """One part's fitted life from one selection of lives, all strata together.

    Parameters
    ----------
    cluster : take lives of one unit together where more than 5 % of units give two.
    """
    tables = risk_table(session, part, selection)
    if not tables:
        return fit(RiskTable.from_lives(0, [1.0], [None]), model=model, cause=None)
    found = fit(next(iter(tables.values())), model=model, cause="failed")
    if cluster and isinstance(found, FittedLife):
        params = {k: v for k, v in selection.params(part).items() if k != "bracket"}
        units = session.run("lives_units", by=[], **params)
        if len(units) and units["share_with_two_lives"].iloc[0] > TWO_LIVES_SHARE:
            return _clustered(session, part, selection, found, None)
    return found


def _bracket(session: Session, part: str, births: str, level: float) -> tuple[list[BracketEnd], dict[str, FittedLife | NoFit]]:
    """The three ways to treat call-out units, and their fits."""
    ways = {
        "followed_to_the_end": Selection(births=births),
        "last_contact_plus_a_year": Selection(births=births, bracket="last_contact"),
        "contract_units_only": Selection(births=births, followed=("contract",)),
    }
    ends, fits = [], {}
    for name, selection in ways.items():
        found = single_life(session, part, selection)
        fits[name] = found
        known = isinstance(found, FittedLife)
        ends.append(
            BracketEnd(
                assumption=name,
                failures=int(found.failures),
                scale_days=found.parameters["scale"] if known else None,
                ci=tuple(found.interval(level)["scale"]) if known else None,
            )
        )
    return ends, fits


def _disagree(ends: list[BracketEnd]) -> bool:
    """Whether any bracket's scale lies outside another's interval."""
    known = [end for end in ends if end.scale_days is not None and end.ci is not None]
    return any(
        not (other.ci[0] <= one.scale_days <= other.ci[1])
        for one in known
        for other in known
        if one is not other
    )


def _curve(table: RiskTable, cause: str, level: float) -> list[CurvePoint]:
    curve = kaplan_meier(table, cause=cause)
    low, high = curve.interval(level)
    return [
        CurvePoint(
            age_days=float(curve.age[i]),
            at_risk=int(curve.at_risk[i]),
            failed=int(curve.failed[i]),
            survival=float(curve.survival[i]),
            ci=(_number(low[i]), _number(high[i])),
        )
        for i in np.flatnonzero(curve.failed > 0)
    ]


def _incidence(table: RiskTable, level: float) -> list[IncidencePoint]:
    """Share ended by each cause at whole years."""
    found = aalen_johansen(table)
    low, high = found.interval(level)
    points = []
    for row, cause in enumerate(found.causes):
        if not found.failed[row].any():
            continue
        for year in range(1, int(found.followed_to // YEAR_DAYS) + 1):
            at = int(np.searchsorted(found.age, year * YEAR_DAYS, side="right")) - 1
            if at < 0 or year * YEAR_DAYS < found.conditioned_on:
                continue
            points.append(
                IncidencePoint(
                    cause=cause,
                    age_days=year * YEAR_DAYS,
                    share=float(found.share[row, at]),
                    ci=(_number(low[row, at]), _number(high[row, at])),
                )
            )
    return points


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _pair(value: Any) -> tuple[float | None, float | None] | None:
    return None if value is None else (_number(value[0]), _number(value[1]))


def _recurrence(session: Session, part: str, level: float) -> list[RecurrencePoint]:
    """Mean cumulative number of failures per contract unit, by unit age."""
    rows = session.run("lives_recurrence", part=part)
    if rows.empty or rows["event_days"].notna().sum() == 0:
        return []
    who = rows["unit_id"] + " " + rows["span"].astype(str)
    spans = rows.assign(who=who).drop_duplicates("who")
    spans = spans[spans["exit_days"] > spans["entry_days"]]
    events = rows.assign(who=who).dropna(subset="event_days")
    events = events[events["who"].isin(spans["who"]) & (events["event_days"] > events["entry_days"])]
    code = {name: i for i, name in enumerate(spans["who"])}
    found = mean_cumulative_function(
        events["who"].map(code).to_numpy(),
        event_age=events["event_days"].to_numpy(float),
        unit_entry=spans["entry_days"].to_numpy(float),
        unit_exit=spans["exit_days"].to_numpy(float),
    )
    low, high = found.interval(level)
    return [
        RecurrencePoint(age_days=float(a), mean_count=float(m), ci=(_number(lo), _number(hi)))
        for a, m, lo, hi in zip(found.age, found.mean, low, high, strict=True)
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """What the user asked of every part."""

    births: str
    model: str
    level: float


def _row(
    asked: _Asked,
    part: str,
    stratum: dict[str, Any],
    table: RiskTable,
    found: FittedLife | NoFit | None,
    *,
    unit_count: int,
    label: str = "",
    bracket: list[BracketEnd] | None = None,
    show_curve: bool = True,
    kept: dict[str, int] | None = None,
    compared: list[Comparison] | None = None,
    recurrence: list[RecurrencePoint] | None = None,
    models: list[ModelWeight] | None = None,
) -> Life:
    level = asked.level
    known = found if isinstance(found, FittedLife) else None
    own = table.only("failed")
    restricted = None
    if show_curve and own.failures:
        curve = kaplan_meier(table, cause="failed")
        horizon = min(RESTRICTED_YEARS * YEAR_DAYS, curve.followed_to)
        restricted = restricted_mean(curve, horizon=horizon)
    mean = known.mean() if known else None
    return Life(
        part=part,
        stratum=stratum,
        births=asked.births,
        lives=int(table.lives),
        failures=int(own.failures),
        unit_count=unit_count,
        person_days=float(table.exposure),
        model=known.model if known else None,
        label=label or (found.label if found is not None else "withheld"),
        parameters=_parameters(known) if known else None,
        parameters_ci=(
            {
                ("scale_days" if k == "scale" else k): _pair(v)
                for k, v in known.interval(level).items()
            }
            if known
            else None
        ),
        bracket=bracket or [],
        log_likelihood=known.log_likelihood if known else None,
        aic=known.aic if known else None,
        b10_days=_number(known.quantile(0.1)) if known else None,
        b10_ci=_pair(known.quantile_interval(0.1, confidence_level=level)) if known else None,
        median_days=_number(known.median()) if known else None,
        median_ci=_pair(known.quantile_interval(0.5, confidence_level=level)) if known else None,
        mean_days=_number(mean) if mean is not None else None,
        restricted_mean_days=restricted.mean if restricted else None,
        restricted_mean_ci=_pair(restricted.interval(level)) if restricted else None,
        survival_5y=float(known.survival(RESTRICTED_YEARS * YEAR_DAYS)) if known else None,
        survival_5y_ci=(
            _pair(known.survival_interval(RESTRICTED_YEARS * YEAR_DAYS, confidence_level=level))
            if known
            else None
        ),
        models=models or [],
        curve=_curve(table, "failed", level) if show_curve and own.failures else [],
        incidence=_incidence(table, level),
        recurrence=recurrence or [],
        compared=compared or [],
        kept=kept or {},
    )


def _models(table: RiskTable) -> list[ModelWeight]:
    fits = {name: fit(table, model=name, cause="failed") for name in FAMILIES}
    weights = aic_weights(fits)
    return [
        ModelWeight(model=name, aic=fits[name].aic, weight=weight)
        for name, weight in sorted(weights.items(), key=lambda item: -item[1])
    ]


# --- the answer ------------------------------------------------------------------------------


def parts_in(session: Session) -> list[str]:
    """The parts that the records name, in the order of the vocabulary."""
    found = set(session.run("lives_kept")["part"])
    order = [*session.vocabulary.parts, *sorted(found)]
    return [part for part in dict.fromkeys(order) if part in found]


def chosen_parts(session: Session, asked: Sequence[str]) -> list[str]:
    """The parts asked for, by any of their names; all where none was.

    Raises
    ------
    InputError : a part that the records do not name.
    """
    known = parts_in(session)
    if not asked:
        return known
    spellings = session.vocabulary.spellings("parts")
    chosen = [spellings.get(part, part) for part in asked]
    unknown = [part for part in chosen if part not in known]
    if unknown:
        raise InputError(
            f"--part must name a part of the records, but {', '.join(unknown)} is not one.",
            where="known: " + ", ".join(known),
            do="correct the word.",
        )
    return list(dict.fromkeys(chosen))


def lives(
    session: Session,
    *,
    part: Sequence[str] = (),
    by: Sequence[str] = (),
    model: str = "weibull",
    births: str = "known",
    confidence_level: float = 0.95,
    progress: Callable[[str], None] | None = None,
) -> Lives:
    """How long do parts last, and how sure is that?

    Parameters
    ----------
    part : parts to look at; all of the records where empty.
    by : columns to tell lives apart by (`STRATA`).
    model : family of life laws for the headline.
    births : "known" (default), or "assumed": parts found in units that joined later are taken to
        be as old as the unit.
    progress : called with the name of each part.

    Returns
    -------
    Lives : for each part its headline row, then one row per stratum.

    Raises
    ------
    InputError : an unknown part, column, model or way of birth.
    """
    for option, value, known in (
        ("--model", model, tuple(FAMILIES)),
        ("--births", births, tuple(BIRTHS)),
        *(("--by", column, STRATA) for column in by),
    ):
        if value not in known:
            raise InputError(
                f"{option} must be one of {', '.join(known)}, but is {value!r}.",
                where=option,
                do="correct the word.",
            )
    asked = _Asked(births=births, model=model, level=confidence_level)
    silent = _silent_parts(session)
    warnings = [Warning_(code=code, text=said) for code, said in session.warnings]
    rows: list[Life] = []
    kept_all = session.run("lives_kept")
    for name in chosen_parts(session, part):
        if progress:
            progress(name)
        kept = dict(zip(*kept_all.loc[kept_all["part"] == name, ["rule", "lives"]].to_numpy().T, strict=True))
        rows += _part(session, asked, name, list(by), silent, kept, warnings)
    settings = {
        **session.choices,
        "parts": [life.part for life in rows if not life.stratum],
        "by": list(by),
        "model": model,
        "births": births,
        "confidence_level": confidence_level,
    }
    summary = {
        "parts": len({life.part for life in rows}),
        "lives": sum(life.lives for life in rows if not life.stratum),
        "failures": sum(life.failures for life in rows if not life.stratum),
        "refused": [life.part for life in rows if not life.stratum and life.parameters is None],
    }
    return Lives(
        as_of=session.as_of.isoformat(),
        settings=settings,
        warnings=tuple(warnings),
        summary=summary,
        results=tuple(rows),
    )


def _part(
    session: Session,
    asked: _Asked,
    part: str,
    by: list[str],
    silent: dict[str, str],
    kept: dict[str, int],
    warnings: list[Warning_],
) -> list[Life]:
    """The headline row of one part and the rows of its strata."""
    bracket, fits = _bracket(session, part, asked.births, asked.level)
    everyone, contract = Selection(births=asked.births), Selection(births=asked.births, followed=("contract",))
    selection, found, label = everyone, fits["followed_to_the_end"], ""
    refused = part in silent
    if refused:
        warnings.append(Warning_(code="silent_failure", text=silent[part]))
        found, label = None, "withheld: silent failure"
        bracket = [BracketEnd(assumption=b.assumption, failures=b.failures, scale_days=None, ci=None) for b in bracket]
    elif _disagree(bracket):
        on_contract = int(fits["contract_units_only"].failures)
        if on_contract >= ENOUGH_ON_CONTRACT:
            selection, found, label = contract, fits["contract_units_only"], "contract units only"
            said = "the figure rests on contract units alone."
        else:
            found, label = None, "withheld: brackets disagree"
            said = "no single figure is stated; see the bracket."
        warnings.append(
            Warning_(
                code="silent_loss",
                text=f"{part}: call-out units leave without a word, and how they are treated moves "
                f"the answer beyond its interval; {said}",
            )
        )
    else:
        share = 1 - bracket[2].failures / max(bracket[0].failures, 1)
        if share > 0.5 and bracket[0].failures:
            warnings.append(
                Warning_(
                    code="call_out_heavy",
                    text=f"{part}: {text.share(share)} of the failures behind the figure come from "
                    "call-out units, which are known only because somebody called.",
                )
            )
    tables = risk_table(session, part, selection)
    if not tables:
        return []
    table = next(iter(tables.values()))
    if isinstance(found, NoFit):
        warnings.append(
            Warning_(
                code="few_failures",
                text=f"{part}: {found.reason}; only a bound of its failure rate can be stated.",
            )
        )
    if isinstance(found, FittedLife) and asked.model != "weibull":
        found = fit(table, model=asked.model, cause="failed")
    plain = {k: v for k, v in selection.params(part).items() if k != "bracket"}
    units = session.run("lives_units", by=[], **plain)
    strata: list[Life] = []
    compared: list[Comparison] = []
    if by and not refused:
        strata, compared = _strata(session, asked, part, by, selection, plain)
    head = _row(
        asked,
        part,
        {},
        table,
        found,
        unit_count=int(units["unit_count"].iloc[0]) if len(units) else 0,
        label=label,
        bracket=bracket,
        show_curve=not refused,
        kept={str(k): int(v) for k, v in kept.items()},
        compared=compared,
        recurrence=_recurrence(session, part, asked.level),
        models=[] if refused else _models(table),
    )
    return [head, *strata]


def _strata(
    session: Session, asked: _Asked, part: str, by: list[str], selection: Selection, plain: dict[str, Any]
) -> tuple[list[Life], list[Comparison]]:
    """One row per stratum, and the test between them."""
    tables = risk_table(session, part, selection, by)
    counts = session.run("lives_units", by=by, **plain).set_index("stratum")["unit_count"]
    rows = []
    for key, table in tables.items():
        stratum = dict(zip(by, json.loads(key), strict=True))
        found = fit(table, model=asked.model, cause="failed")
        rows.append(_row(asked, part, stratum, table, found, unit_count=int(counts.get(key, 0))))
    compared = []
    own = {key: table.only("failed") for key, table in tables.items()}
    if len(own) > 1 and sum(table.failures for table in own.values()) > 0:
        test = log_rank(own)
        names = [" ".join(str(v) for v in json.loads(key)) for key in own]
        compared.append(
            Comparison(test="log_rank", groups=names, statistic=test.statistic, p_value=test.p_value)
        )
    return rows, compared
