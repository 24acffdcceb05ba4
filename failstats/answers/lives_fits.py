"""Lives counted and fitted: one part, one selection of lives, one row."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from failstats.answers.lives_clusters import clustered
from failstats.answers.lives_rows import (
    YEAR_DAYS,
    BracketEnd,
    CurvePoint,
    IncidencePoint,
    Life,
    ModelWeight,
)
from failstats.counts.risk_table import RiskTable
from failstats.estimate.curves import kaplan_meier
from failstats.estimate.incidence import aalen_johansen
from failstats.estimate.life_families import FAMILIES
from failstats.estimate.life_models import FittedLife, NoFit, aic_weights, fit
from failstats.estimate.mean_life import restricted_mean
from failstats.warehouse.session import Session

__all__ = [
    "BIRTHS",
    "CONFOUNDED",
    "ENOUGH_ON_CONTRACT",
    "FOLLOWED",
    "TWO_LIVES_SHARE",
    "Asked",
    "Checks",
    "Selection",
    "bracket_of",
    "checked_on",
    "disagree",
    "first_and_later",
    "labelled",
    "life_row",
    "model_weights",
    "number",
    "pair",
    "parameters_of",
    "risk_table",
    "share_with_two_lives",
    "silent_parts",
    "single_life",
]

CAUSES = ("failed", "tripped", "replaced_working", "replaced_unknown", "preventive")
BIRTHS = {"known": ["known"], "assumed": ["known", "assumed"]}
TWO_LIVES_SHARE = 0.05  # methods: above it the intervals are clustered by unit
ENOUGH_ON_CONTRACT = 20  # failures; below it a fit needs a penalty, so it cannot be the headline
RESTRICTED_YEARS = 5
DECIDES_AT = 0.95  # level at which brackets are said to disagree
CONFOUNDED = "confounded by unit: later lives come from units that failed before"
FOLLOWED = "followed to the end"  # of call-out units: there until the records end
LOADS_STEP = 50.0  # on the loads clock; about two months of a dryer used six times a week
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
            f"{row.part}: {row.silent_failures} of {row.failures} failures were silent ("
            f"it stuck and "
            "nobody noticed); the records hold the day of discovery, not of failure, so no life "
            "curve is drawn from them.",
        )
        reasons[row.trips] = (
            pair,
            f"{row.trips}: its failures are brought on by silent failures of the {row.part}, "
            f"so its "
            "own life cannot be read off these dates; the share ended by age is shown as it was in "
            "this fleet.",
        )
    return reasons


# --- one stratum -------------------------------------------------------------------------------


def parameters_of(values: Mapping[str, Any]) -> dict[str, Any]:
    """Names with their unit: scale is in days."""
    return {("scale_days" if k == "scale" else k): v for k, v in values.items()}


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
        if len(units) and share_with_two_lives(units).iloc[0] > TWO_LIVES_SHARE:
            return clustered(session, part, selection, {"": found})[""]
    return found


def scale_of(
    found: FittedLife | NoFit, level: float
) -> tuple[float | None, tuple[float, float] | None]:
    """The scale and its interval; None where nothing was fitted."""
    if not isinstance(found, FittedLife):
        return None, None
    low, high = found.interval(level)["scale"]
    return found.parameters["scale"], (low, high)


def share_with_two_lives(units: pd.DataFrame) -> pd.Series:
    """Of each row of lives_units: the share of units, or buildings, that give two lives or more."""
    return units["clusters_with_two"] / units["clusters"]


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
        scale, ci = scale_of(found, level)
        ends.append(
            BracketEnd(assumption=name, failures=int(found.failures), scale_days=scale, ci=ci)
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
        scale, ci = scale_of(found, level)
        out.append(
            BracketEnd(
                assumption=f"{json.loads(key)[0]}_lives",
                failures=int(found.failures),
                scale_days=scale,
                ci=ci,
                note=f"{CONFOUNDED}; scale of a Weibull life",
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
            ci=(number(low[i]), number(high[i])),
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
    """Share ended by each cause at quarters of a year, or every so many loads."""
    every = YEAR_DAYS / 4 if table.unit == "days" else LOADS_STEP
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
                    at_risk=int(table.at_risk_at(year * every)),
                    share=float(found.share[row, at]),
                    ci=(number(low[row, at]), number(high[row, at])),
                )
            )
    return points


def number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def pair(value: Any) -> tuple[float | None, float | None] | None:
    return None if value is None else (number(value[0]), number(value[1]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What the user asked of every part."""

    births: str
    model: str
    level: float
    clock: str = "days"
    replicates: int = 0
    by: tuple[str, ...] = ()


def labelled(rests_on: str, fitted: str) -> str:
    """The lives a row rests on, and how it was fitted where that is out of the ordinary."""
    rests_on = "" if rests_on == "all units" else rests_on
    said = (rests_on, "" if rests_on and fitted == "maximum likelihood" else fitted)
    return ", ".join(one for one in said if one)


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
    **more: Any,
) -> Life:
    """One row: what was counted and fitted; ``more``: further fields of `Life`, else empty."""
    level = asked.level
    known = found if isinstance(found, FittedLife) else None
    bound = found.interval(level) if isinstance(found, NoFit) else None
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
        parameters=parameters_of(known.parameters) if known else None,
        parameters_ci=(
            parameters_of({k: pair(v) for k, v in known.interval(level).items()}) if known else None
        ),
        bracket=bracket or [],
        log_likelihood=known.log_likelihood if known else None,
        aic=known.aic if known else None,
        b10_days=number(known.quantile(0.1)) if known else None,
        b10_ci=pair(known.quantile_interval(0.1, confidence_level=level)) if known else None,
        median_days=number(known.median()) if known else None,
        median_ci=pair(known.quantile_interval(0.5, confidence_level=level)) if known else None,
        mean_days=number(mean) if mean is not None else None,
        mean_ci=pair(known.mean_interval(level)) if known else None,
        restricted_mean_days=restricted.mean if restricted else None,
        restricted_mean_ci=pair(restricted.interval(level)) if restricted else None,
        survival_5y=float(in_days.survival(RESTRICTED_YEARS * YEAR_DAYS)) if in_days else None,
        survival_5y_ci=(
            pair(in_days.survival_interval(RESTRICTED_YEARS * YEAR_DAYS, confidence_level=level))
            if in_days
            else None
        ),
        curve=_curve(table, "failed", level) if show_curve and own.failures else [],
        incidence=_incidence(table, level),
        rate=number(found.rate) if isinstance(found, NoFit) else None,
        rate_ci=None if bound is None else (bound.low, bound.high),
        **(_EMPTY | more),
    )


#: Fields of a row that only some rows have.
_EMPTY: dict[str, Any] = {
    "models": [], "recurrence": [], "recurrence_trend": None, "recurrence_difference": [],
    "first_and_later": [], "replaced": None, "found_at_maintenance": None, "bands": [], "plot": [],
    "checked_on": "", "life_left": [], "shared": None, "shape_penalty": None,
    "price": None, "compared": [], "kept": {}, "moved": {},
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Checks:
    """The lives a fit is held against, age by age."""

    selection: Selection
    table: RiskTable
    label: str = ""

    @property
    def said(self) -> str:
        """Which units these lives come from."""
        alone = self.selection.followed == ("contract",)
        return "contract units only" if alone else self.label or "all units"


def checked_on(
    session: Session, part: str, selection: Selection, table: RiskTable, label: str
) -> Checks:
    """Contract units, where call-out units leave without a word: the ends of those are unknown."""
    if label != "silent loss integrated":
        kept = label if label == FOLLOWED else ""
        return Checks(selection=selection, table=table, label=kept)
    contract = replace(selection, followed=("contract",))
    tables = risk_table(session, part, contract)
    alone = next(iter(tables.values()), None)
    if alone is None or alone.only("failed").failures < ENOUGH_ON_CONTRACT:
        return Checks(selection=selection, table=table, label=FOLLOWED)
    return Checks(selection=contract, table=alone, label="contract units only")


def model_weights(table: RiskTable) -> list[ModelWeight]:
    fits = {name: fit(table, model=name, cause="failed") for name in FAMILIES}
    weights = aic_weights(fits)
    return [
        ModelWeight(model=name, aic=one.aic, weight=weight)
        for name, weight in sorted(weights.items(), key=lambda item: -item[1])
        if isinstance(one := fits[name], FittedLife)
    ]
