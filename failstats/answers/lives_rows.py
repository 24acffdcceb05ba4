"""The rows and the answer of `lives`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from failstats.answers import wording as text
from failstats.answers.result import Answer
from failstats.show import charts

__all__ = [
    "BracketEnd",
    "Comparison",
    "CurvePoint",
    "IncidencePoint",
    "Life",
    "Lives",
    "ModelWeight",
    "RecurrencePoint",
]

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
    restricted_mean_days: float | None
    restricted_mean_ci: tuple[float, float] | None
    survival_5y: float | None
    survival_5y_ci: tuple[float | None, float | None] | None
    models: list[ModelWeight]
    curve: list[CurvePoint]
    incidence: list[IncidencePoint]
    recurrence: list[RecurrencePoint]
    first_and_later: list[BracketEnd]
    compared: list[Comparison]
    kept: dict[str, int]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lives(Answer):
    """Life statistics of the parts asked for; the headline row of each part comes first."""

    command: ClassVar[str] = "lives"
    row_type: ClassVar[type | None] = Life

    def to_dict(self) -> dict[str, Any]:
        """The contract's envelope; on the loads clock every `_days` is named `_loads`."""
        envelope = Answer.to_dict(self)
        if self.settings.get("clock") == "loads":
            envelope["results"] = _in_loads(envelope["results"])
        return envelope

    def _say(self, age: float | None) -> str:
        """An age in the clock of this answer."""
        if self.settings.get("clock") == "loads":
            return "unknown" if age is None else f"{age:,.0f} loads"
        return text.years(age)

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
            row |= {"followed_to_days": life.followed_to_days}
            row |= {"survival_5y": life.survival_5y}
            rows.append(row)
        frame = pd.DataFrame(rows)
        if self.settings.get("clock") == "loads":
            frame.columns = [c.replace("_days", "_loads") for c in frame.columns]
        return frame

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
        if frame.empty or self.settings.get("clock") == "loads":
            return None  # the curve chart is drawn in years
        return charts.life_curve(frame, title="How long parts last", fitted=self.fitted_table())

    def headline(self) -> str:
        """The lives of the first parts in words."""
        stated = [life for life in self.results if not life.stratum and life.b10_days is not None]
        within = [life for life in stated if life.b10_days <= (life.followed_to_days or 0)]
        if not stated:
            first = "No life can be stated as a single number."
        elif not within:
            first = "Fewer than one in ten fail in the time that parts were watched."
        else:
            named = ", ".join(
                f"{text.words(life.part)} {self._say(life.b10_days)}"
                f"{text.between(life.b10_ci, self._say)}"
                for life in within
            )
            first = f"One in ten has failed by this age: {named}."
            watched = max(life.followed_to_days or 0 for life in within)
            if all((life.median_days or 0) > (life.followed_to_days or 0) for life in within):
                first += f" Half fail later than the {self._say(watched)} that parts were watched."
        refused = [
            text.words(life.part)
            for life in self.results
            if not life.stratum and life.parameters is None
        ]
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
                    "scale": "" if scale is None else self._say(scale),
                    text.level_head(self.settings): ""
                    if ci is None
                    else text.between(ci, self._say, brackets=False),
                    "B10": "" if life.b10_days is None else self._say(life.b10_days),
                    "fitted": life.label,
                }
            )
        return [text.table(rows), *self._first_and_later()]

    def _first_and_later(self) -> list[str]:
        """Where later lives differ from first-fitted ones: both, and why that may be."""
        said = []
        for life in self.results:
            ends = {e.assumption: e for e in life.first_and_later if e.ci is not None}
            first, later = ends.get("first_lives"), ends.get("later_lives")
            if first is None or later is None:
                continue
            if first.ci[0] <= later.scale_days <= first.ci[1]:
                continue
            said.append(
                f"{text.words(life.part)}: first-fitted {self._say(first.scale_days)}, later ones "
                f"{self._say(later.scale_days)}"
            )
        if not said:
            return []
        return [
            text.wrap(
                f"Scale of first and later lives apart: {'; '.join(said)}. Later lives come from "
                "units that failed before, so the difference is confounded by unit."
            )
        ]


def _in_loads(value: Any) -> Any:
    if isinstance(value, list):
        return [_in_loads(entry) for entry in value]
    if isinstance(value, dict):
        return {
            (key[: -len("days")] + "loads" if key.endswith("_days") else key): _in_loads(entry)
            for key, entry in value.items()
        }
    return value


def _name(life: Life) -> str:
    return " ".join([life.part, *(str(value) for value in life.stratum.values())])
