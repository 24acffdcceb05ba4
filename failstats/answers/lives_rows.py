"""The rows of `lives`."""

from __future__ import annotations

from dataclasses import dataclass

from failstats.answers.units_differ_rows import UnitsDiffer

__all__ = [
    "YEAR_DAYS",
    "AgeBand",
    "BracketEnd",
    "Comparison",
    "CurvePoint",
    "FoundLater",
    "IncidencePoint",
    "Life",
    "LifeLeft",
    "ModelWeight",
    "PlotPoint",
    "RecurrenceDifference",
    "RecurrencePoint",
    "RecurrenceTrend",
    "Replaced",
    "ShapePull",
    "Shared",
]

YEAR_DAYS = 365.25


@dataclass(frozen=True, slots=True, kw_only=True)
class BracketEnd:
    """One assumption, and the scale it gives; note: what to know before comparing it."""

    assumption: str
    failures: int
    scale_days: float | None
    ci: tuple[float, float] | None
    note: str = ""


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
    """Share of parts that one cause has ended by an age; at_risk: lives followed that far."""

    cause: str
    age_days: float
    at_risk: int
    share: float
    ci: tuple[float | None, float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One test between strata; within: the column that was held fixed; note: its weakness."""

    test: str
    groups: list[str]
    statistic: float
    p_value: float
    within: str | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecurrencePoint:
    """Mean number of failures per unit by unit age, contract units only; at_risk: units."""

    age_days: float
    at_risk: int
    mean_count: float
    ci: tuple[float | None, float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecurrenceDifference:
    """How many more failures a unit of the first group has had by an age than one of the second."""

    first: str
    second: str
    age_days: float
    difference: float
    ci: tuple[float | None, float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecurrenceTrend:
    """Laplace test: do failures of one unit come faster with its age (statistic above 0)?"""

    events: int
    statistic: float
    p_value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeBand:
    """Failures seen and expected over a band of ages; ratio: seen over expected."""

    from_days: float
    to_days: float
    at_risk: int
    person_days: float
    failures: int
    expected: float | None
    ratio: float | None
    ratio_ci: tuple[float | None, float | None] | None
    rate: float
    rate_ci: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlotPoint:
    """One age with failures on paper on which the fitted family is a straight line."""

    age_days: float
    share_failed: float
    across: float
    up: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplicatedSurvival:
    """The share still working at an age, with units drawn anew.

    ci : the middle of the replicates. formula_ci : of the curve's own formula, lives taken as
    independent. known_in : replicates in which somebody was followed so far.
    """

    years: int
    age_days: float
    survival: float | None
    ci: tuple[float | None, float | None] | None
    formula_ci: tuple[float | None, float | None] | None
    known_in: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Replicates:
    """A life curve with whole units, or buildings, drawn anew; a blank end was never reached."""

    replicates: int
    survival: list[ReplicatedSurvival]
    median_days: float | None
    median_ci: tuple[float | None, float | None] | None
    median_formula_ci: tuple[float | None, float | None] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LifeLeft:
    """What a part of this age may still expect, from that age on.

    median and mean are counted, the mean up to mean_until_days of age; fitted_median: of the fit.
    """

    age_days: float
    at_risk: int
    median_days: float | None
    median_ci: tuple[float | None, float | None]
    mean_days: float
    mean_ci: tuple[float, float]
    mean_until_days: float
    fitted_median_days: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Replaced:
    """Parts swapped while working or untested, and what they could do to the answer.

    share : of all lives that ended in a replacement or a failure.
    bounds : the scale as recorded; had all of them failed that day; had all gone on working until
        watching ended.
    """

    working: int
    unknown: int
    share: float
    bounds: list[BracketEnd]


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundLater:
    """Failures that maintenance found, so that they are known to lie between two looks only.

    found : how many. scale_days, ci : of the fit in which they lie anywhere in between.
    """

    found: int
    scale_days: float | None
    ci: tuple[float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Shared:
    """The same life leaning on the other strata, as far as these agree with each other.

    own_weight : how much its own record speaks for its scale, 0 to 1.
    """

    parameters: dict[str, float]
    parameters_ci: dict[str, tuple[float | None, float | None]]
    own_weight: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapePull:
    """The penalty of a fit on 5 to 20 failures: where log shape is drawn to, and how hard."""

    log_shape: float
    variance: float
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """One row of `lives`: one part in one stratum.

    rests_on : the units whose lives the row counts.
    rate, rate_ci : failures per day (or load) with its exact interval, where too few failed for a
        life to be fitted; else null.
    checked_on : the units whose lives bands, plot and life_left were counted from; contract units
        where call-out units leave without a word, since the ends of those are not known.
    """

    part: str
    stratum: dict[str, str | None]
    births: str
    lives: int
    failures: int
    unit_count: int
    person_days: float
    followed_to_days: float | None
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
    mean_ci: tuple[float | None, float | None] | None
    restricted_mean_days: float | None
    restricted_mean_ci: tuple[float | None, float | None] | None
    survival_5y: float | None
    survival_5y_ci: tuple[float | None, float | None] | None
    models: list[ModelWeight]
    curve: list[CurvePoint]
    incidence: list[IncidencePoint]
    recurrence: list[RecurrencePoint]
    recurrence_trend: RecurrenceTrend | None
    recurrence_difference: list[RecurrenceDifference]
    first_and_later: list[BracketEnd]
    replaced: Replaced | None
    found_at_maintenance: FoundLater | None
    bands: list[AgeBand]
    plot: list[PlotPoint]
    checked_on: str
    life_left: list[LifeLeft]
    shared: Shared | None
    shape_penalty: ShapePull | None
    price: float | None
    compared: list[Comparison]
    kept: dict[str, int]
    moved: dict[str, int]
    units_differ: UnitsDiffer | None = None
    replicates: Replicates | None = None
    rests_on: str = "all units"
    rate: float | None = None
    rate_ci: tuple[float, float] | None = None
