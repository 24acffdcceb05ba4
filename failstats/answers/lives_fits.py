"""Lives counted and fitted: one part, one selection of lives, one row."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from failstats.answers.lives_rows import (
    BracketEnd,
    Comparison,
    CurvePoint,
    IncidencePoint,
    Life,
    ModelWeight,
    RecurrencePoint,
)
from failstats.counts.risk_table import RiskTable
from failstats.errors import InputError
from failstats.estimate.curves import kaplan_meier
from failstats.estimate.incidence import aalen_johansen
from failstats.estimate.life_families import FAMILIES
from failstats.estimate.life_models import FittedLife, NoFit, aic_weights, fit
from failstats.estimate.life_robust import sandwich
from failstats.estimate.mean_life import restricted_mean
from failstats.estimate.recurrence import mean_cumulative_function
from failstats.warehouse.session import Session

__all__ = [
    "BIRTHS",
    "Asked",
    "Selection",
    "bracket_of",
    "disagree",
    "first_and_later",
    "life_row",
    "model_weights",
    "recurrence_of",
    "risk_table",
    "silent_parts",
    "single_life",
]

YEAR_DAYS = 365.25
CAUSES = ("failed", "tripped", "replaced_working", "replaced_unknown", "preventive")
BIRTHS = {"known": ["known"], "assumed": ["known", "assumed"]}
TWO_LIVES_SHARE = 0.05  # methods: above it the intervals are clustered by unit
RESTRICTED_YEARS = 5
DECIDES_AT = 0.95  # level at which brackets are said to disagree
LOADS_STEP = 250.0  # on the loads clock; about ten months of a dryer used six times a week
RESTRICTED_LOADS = 1500.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """Which lives an estimate rests on.

    births : as the user says it. followed : classes of units. bracket : how call-out units that
    never said goodbye end: watched to the stated end, or to their last contact plus a year.
    clock : what a life is measured in: days, or loads dried (days x loads a week / 7, whole loads).
    """

    births: str = "known"
    followed: tuple[str, ...] = ("contract", "call_out")
    bracket: str = "stated_end"
    clock: str = "days"

    def params(self, part: str) -> dict[str, Any]:
        """Parameters of the queries `lives_*`."""
        return {
            "part": part,
            "births": BIRTHS.get(self.births, ["known"]),
            "followed": list(self.followed),
            "bracket": self.bracket,
        }


# --- counting ------------------------------------------------------------------------------------


def risk_table(
    session: Session, part: str, selection: Selection, by: Sequence[str] = ()
) -> dict[str, RiskTable]:
    """The counts of one part, by stratum (a JSON list of its values).

    >>> from failstats.answers.lives import Selection
    >>> Selection().params("coil")["births"]
    ['known']
    """
    frame = session.run("lives_cells", by=list(by), clock=selection.clock, **selection.params(part))
    tables = {}
    for stratum, cells in frame.groupby("stratum", sort=True):
        cells = cells.rename(columns={cause: f"failed_{cause}" for cause in CAUSES})
        tables[str(stratum)] = RiskTable.from_cells(
            cells.drop(columns="stratum"), unit=selection.clock
        )
    return tables


def silent_parts(session: Session) -> dict[str, tuple[tuple[str, str], str]]:
    """Part -> its pair (the part tripped, the part that fails unseen) and what must be said."""
    reasons = {}
    for row in session.run("lives_silent").itertuples():
        if not isinstance(row.trips, str):
            continue
        pair = (row.trips, row.part)
        reasons[row.part] = (
            pair,
            f"{row.part}: {row.silent_failures} of {row.failures} failures were silent (it stuck and "
            "nobody noticed); the records hold the day of discovery, not of failure, so no life "
            "curve is drawn from them.",
        )
        reasons[row.trips] = (
            pair,
            f"{row.trips}: its failures are brought on by silent failures of the {row.part}, so its "
            "own life cannot be read off these dates; the share ended by age is shown as it was in "
            "this fleet.",
        )
    return reasons


# --- one stratum -------------------------------------------------------------------------------


def _parameters(found: FittedLife) -> dict[str, float]:
    """Names with their unit: scale is in days."""
    return {("scale_days" if k == "scale" else k): v for k, v in found.parameters.items()}


def _clustered(
    session: Session, part: str, selection: Selection, found: FittedLife, stratum: str | None
) -> FittedLife:
    """Standard errors that take lives of one unit (or building) together."""
    rows = session.run("lives_rows", **selection.params(part))
    if stratum is not None:
        raise InputError("clustered intervals are computed for whole parts only.")
    per_day: Any = 1.0
    if selection.clock == "loads":
        rows = rows.dropna(subset="loads_per_week")
        per_day = rows["loads_per_week"].to_numpy(float) / 7
    entry = np.floor(rows["entry_days"].to_numpy(float) * per_day + 0.5)
    leaves = np.floor(rows["exit_days"].to_numpy(float) * per_day + 0.5)
    covariance = sandwich(
        found,
        entry=entry,
        exit=leaves,
        failed=(rows["ending"] == "failed").to_numpy(),
        cluster=rows["cluster_id"].to_numpy(),
    )
    return found.clustered(covariance)


def single_life(
    session: Session,
    part: str,
    selection: Selection,
    *,
    model: str = "weibull",
    cluster: bool = True,
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


def bracket_of(
    session: Session, part: str, births: str, level: float, clock: str = "days"
) -> tuple[list[BracketEnd], dict[str, FittedLife | NoFit]]:
    """The three ways to treat call-out units, and their fits."""
    ways = {
        "followed_to_the_end": Selection(births=births, clock=clock),
        "last_contact_plus_a_year": Selection(births=births, bracket="last_contact", clock=clock),
        "contract_units_only": Selection(births=births, followed=("contract",), clock=clock),
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


def disagree(fits: Iterable[FittedLife | NoFit | None]) -> bool:
    """Whether any fit's scale lies outside another's 95 % interval, whatever level is asked for."""
    known = [
        (life.parameters["scale"], life.interval(DECIDES_AT)["scale"])
        for life in fits
        if isinstance(life, FittedLife)
    ]
    return any(
        not other[1][0] <= one[0] <= other[1][1]
        for one in known
        for other in known
        if one is not other
    )


def first_and_later(
    session: Session, part: str, selection: Selection, level: float
) -> list[BracketEnd]:
    """First-fitted lives apart from later ones, which come from units that failed before."""
    out = []
    for key, table in risk_table(session, part, selection, ["first_or_later"]).items():
        found = fit(table, cause="failed")
        known = isinstance(found, FittedLife)
        out.append(
            BracketEnd(
                assumption=f"{json.loads(key)[0]}_lives",
                failures=int(found.failures),
                scale_days=found.parameters["scale"] if known else None,
                ci=tuple(found.interval(level)["scale"]) if known else None,
            )
        )
    return out


def _curve(table: RiskTable, cause: str, level: float) -> list[CurvePoint]:
    curve = kaplan_meier(table, cause=cause)
    low, high = curve.interval(level)
    points = [
        CurvePoint(
            age_days=float(curve.age[i]),
            at_risk=int(curve.at_risk[i]),
            failed=int(curve.failed[i]),
            survival=float(curve.survival[i]),
            ci=(_number(low[i]), _number(high[i])),
        )
        for i in np.flatnonzero(curve.failed > 0)
    ]
    start = int(table.entered[table.age == 0].sum())
    if start and not (points and points[0].age_days == 0):
        points.insert(
            0, CurvePoint(age_days=0.0, at_risk=start, failed=0, survival=1.0, ci=(1.0, 1.0))
        )
    return points


def _incidence(table: RiskTable, level: float) -> list[IncidencePoint]:
    """Share ended by each cause at whole years, or every so many loads."""
    every = YEAR_DAYS if table.unit == "days" else LOADS_STEP
    found = aalen_johansen(table)
    low, high = found.interval(level)
    points = []
    for row, cause in enumerate(found.causes):
        if not found.failed[row].any():
            continue
        for year in range(1, int(found.followed_to // every) + 1):
            at = int(np.searchsorted(found.age, year * every, side="right")) - 1
            if at < 0 or year * every < found.conditioned_on:
                continue
            points.append(
                IncidencePoint(
                    cause=cause,
                    age_days=year * every,
                    share=float(found.share[row, at]),
                    ci=(_number(low[row, at]), _number(high[row, at])),
                )
            )
    return points


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _pair(value: Any) -> tuple[float | None, float | None] | None:
    return None if value is None else (_number(value[0]), _number(value[1]))


def recurrence_of(session: Session, part: str, level: float) -> list[RecurrencePoint]:
    """Mean cumulative number of failures per contract unit, by unit age."""
    rows = session.run("lives_recurrence", part=part)
    if rows.empty or rows["event_days"].notna().sum() == 0:
        return []
    who = rows["unit_id"] + " " + rows["span"].astype(str)
    spans = rows.assign(who=who).drop_duplicates("who")
    spans = spans[spans["exit_days"] > spans["entry_days"]]
    events = rows.assign(who=who).dropna(subset="event_days")
    events = events[
        events["who"].isin(spans["who"]) & (events["event_days"] > events["entry_days"])
    ]
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
class Asked:
    """What the user asked of every part."""

    births: str
    model: str
    level: float
    clock: str = "days"


def life_row(
    asked: Asked,
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
    first_and_later: list[BracketEnd] | None = None,
    models: list[ModelWeight] | None = None,
) -> Life:
    level = asked.level
    known = found if isinstance(found, FittedLife) else None
    in_days = known if table.unit == "days" else None
    own = table.only("failed")
    restricted = None
    if show_curve and own.failures:
        curve = kaplan_meier(table, cause="failed")
        furthest = RESTRICTED_YEARS * YEAR_DAYS if table.unit == "days" else RESTRICTED_LOADS
        horizon = min(furthest, curve.followed_to)
        if horizon > curve.conditioned_on:
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
        followed_to_days=float(table.age.max()) if len(table.age) else None,
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
        survival_5y=float(in_days.survival(RESTRICTED_YEARS * YEAR_DAYS)) if in_days else None,
        survival_5y_ci=(
            _pair(in_days.survival_interval(RESTRICTED_YEARS * YEAR_DAYS, confidence_level=level))
            if in_days
            else None
        ),
        models=models or [],
        curve=_curve(table, "failed", level) if show_curve and own.failures else [],
        incidence=_incidence(table, level),
        recurrence=recurrence or [],
        first_and_later=first_and_later or [],
        compared=compared or [],
        kept=kept or {},
    )


def model_weights(table: RiskTable) -> list[ModelWeight]:
    fits = {name: fit(table, model=name, cause="failed") for name in FAMILIES}
    weights = aic_weights(fits)
    return [
        ModelWeight(model=name, aic=fits[name].aic, weight=weight)
        for name, weight in sorted(weights.items(), key=lambda item: -item[1])
    ]
