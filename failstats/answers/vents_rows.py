"""The rows and the answer of `vents`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, Literal

import pandas as pd

from failstats.answers import vents_words as said
from failstats.answers import wording as text
from failstats.answers.result import Answer
from failstats.answers.vents_verdict import Verdict
from failstats.show import charts

__all__ = ["NumberPiece", "RatioReplicates", "SecondModel", "VentEffect", "Vents", "WithinUnit"]

Limits = tuple[float | None, float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondModel:
    """The same contrast from a piecewise-exponential Poisson model on the same counts."""

    hazard_ratio: float | None
    ci: Limits


@dataclass(frozen=True, slots=True, kw_only=True)
class WithinUnit:
    """The same contrast against failures of the control in the same unit on the same day."""

    hazard_ratio: float | None
    ci: Limits
    failures: int


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberPiece:
    """A stretch of an interval of a number needed; high is null where it runs to infinity."""

    kind: Literal["benefit", "harm"]
    low: float
    high: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RatioReplicates:
    """The same contrast with units, or buildings, drawn anew: the middle of the replicates."""

    replicates: int
    ci: Limits


@dataclass(frozen=True, slots=True, kw_only=True)
class VentEffect:
    """One row of `vents`: one part and one contrast of neglect or length."""

    part: str
    role: Literal["outcome", "negative_control"]
    exposure: Literal["neglect", "length"]
    contrast: str
    hazard_ratio: float | None
    ci: Limits
    crude_hazard_ratio: float | None
    crude_ci: Limits
    calibrated_ci: tuple[float, float] | None
    second_model: SecondModel
    within_unit: WithinUnit | None
    p_value: float | None
    time_ratio: float | None
    time_ratio_ci: tuple[float, float] | None
    failures: int
    failures_exposed: int
    units: int
    detectable_hazard_ratio: float | None
    e_value: float | None
    e_value_limit: float | None
    attributable_share: float | None
    attributable_ci: tuple[float, float] | None
    cleanings_per_failure_avoided: float | None
    cleanings_interval: list[NumberPiece] | None
    money_per_failure_avoided: float | None
    money_interval: list[NumberPiece] | None
    proportional_p: float | None
    verdict: Verdict
    verdict_text: str
    replicates: RatioReplicates | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Vents(Answer):
    """Hazard ratios by time since the last full vent cleaning and by length, with controls."""

    command: ClassVar[str] = "vents"
    row_type: ClassVar[type | None] = VentEffect

    def _leading(self) -> VentEffect | None:
        """The row that answers the question first: the most failures, the longest neglect."""
        worst = f"{self.summary.get('longest_neglect', 'over_24')}_vs_"
        rows = [
            r
            for r in self.results
            if r.role == "outcome" and r.contrast.startswith(worst) and r.hazard_ratio is not None
        ]
        mixed = self.summary.get("mixed_causes", [])
        pure = [r for r in rows if r.part not in mixed] or rows
        shortened = [r for r in pure if r.verdict == "shortens"]
        return max(shortened or pure, key=lambda r: r.failures, default=None)

    def interval(self, confidence_level: float = 0.95) -> tuple[float, float] | None:
        """Interval of the leading hazard ratio, at the level asked for when it ran."""
        row = self._leading()
        return (
            None
            if row is None or row.ci[0] is None or row.ci[1] is None
            else (row.ci[0], row.ci[1])
        )

    def forest_table(self) -> pd.DataFrame:
        """label, role, ratio, low, high, units."""
        rows = [
            {
                "label": f"{text.words(r.part)}: {said.state_words(r.contrast)}",
                "role": r.role,
                "ratio": r.hazard_ratio,
                "low": r.ci[0],
                "high": r.ci[1],
                "units": r.units,
            }
            for r in self.results
            if r.hazard_ratio is not None and not r.contrast.startswith("unknown")
        ]
        return pd.DataFrame(rows, columns=["label", "role", "ratio", "low", "high", "units"])

    def _units(self) -> dict[str, int]:
        """Part -> the fewest units that any of its contrasts rests on."""
        found: dict[str, int] = {}
        for row in self.results:
            found[row.part] = min(row.units, found.get(row.part, row.units))
        return found

    def dose_table(self) -> pd.DataFrame:
        """series (the part), months since the last cleaning, ratio, low, high, units."""
        units = self._units()
        rows = [
            {
                "series": text.words(part),
                "months": point["months"],
                "ratio": point["hazard_ratio"],
                "low": point["low"],
                "high": point["high"],
                "units": units.get(part),
            }
            for part, points in self.summary.get("dose_response", {}).items()
            for point in points
        ]
        return pd.DataFrame(rows, columns=["series", "months", "ratio", "low", "high", "units"])

    def curve_table(self) -> pd.DataFrame:
        """series (the state of the vent), age_days, survival, low, high, at_risk."""
        columns = ["series", "age_days", "survival", "low", "high", "at_risk"]
        points = self.summary.get("life_curves", {}).get("points", [])
        frame = pd.DataFrame(points, columns=["band", *columns[1:]])
        return frame.assign(series=[said.band_words(b) for b in frame["band"]])[columns]

    def length_table(self) -> pd.DataFrame:
        """row (length of the run), column (neglect), ratio, low, high, failures, units."""
        cells = self.summary.get("length_against_neglect", {}).get("cells", [])
        rows = [
            {
                "row": said.LENGTH_WORDS[cell["length"]],
                "column": said.band_words(cell["neglect"]),
                "ratio": cell["hazard_ratio"],
                "low": None if cell["ci"] is None else cell["ci"][0],
                "high": None if cell["ci"] is None else cell["ci"][1],
                "failures": cell["failures"],
                "units": cell["units"],
            }
            for cell in cells
        ]
        columns = ["row", "column", "ratio", "low", "high", "failures", "units"]
        return pd.DataFrame(rows, columns=columns)

    def sensitivity_table(self) -> pd.DataFrame:
        """part, way (the choice made otherwise), hazard_ratio, low, high, failures, units."""
        units = self._units()
        rows = [
            {
                "part": one.part,
                "way": one.way,
                "hazard_ratio": one.hazard_ratio,
                "low": one.ci[0],
                "high": one.ci[1],
                "failures": one.failures,
                "units": units.get(one.part),
            }
            for one in self.summary.get("sensitivity", [])
        ]
        return pd.DataFrame(
            rows, columns=["part", "way", "hazard_ratio", "low", "high", "failures", "units"]
        )

    def chart(self) -> Any:
        """Forest of ratios with controls; the dose-response, life curves and length below."""
        forest = self.forest_table()
        if forest.empty:
            return None
        first = said.reference_words(self.settings)
        long = "A run over the limit: against one within it."
        said_of_runs = long if any(r.exposure == "length" for r in self.results) else ""
        panels = [charts.forest(forest, title=f"Failure rate against {first}", note=said_of_runs)]
        dose = self.dose_table()
        row = self._leading()
        shown = [row.part] if row is not None else []
        smooth = self.summary.get("dose_response", {})
        shown += [c for c in self.summary.get("controls", {}) if c in smooth][:1]
        dose = dose[dose["series"].isin([text.words(part) for part in shown])]
        if not dose.empty:
            panels.append(
                charts.dose_response(
                    dose,
                    title="Failure rate by time since the last cleaning",
                    against="six months after one",
                )
            )
        curves = self.curve_table()
        if not curves.empty:
            part = text.words(self.summary["life_curves"]["part"])
            panels.append(
                charts.life_curve(curves, title=f"Life of a {part}, were its vent kept like this")
            )
        length = self.length_table()
        if not length.empty:
            part = text.words(self.summary["length_against_neglect"]["part"])
            panels.append(
                charts.ratio_map(length, title=f"Length of the run against neglect: {part}")
            )
        return charts.stacked(panels, title="Vents and part life")

    def headline(self) -> str:
        """The verdict on the leading part."""
        row = self._leading()
        return (
            "The records cannot tell whether vent neglect shortens part life."
            if row is None
            else row.verdict_text
        )

    def headline_units(self) -> int | None:
        """Of the leading part."""
        row = self._leading()
        return None if row is None else row.units

    def details(self) -> list[str]:
        """Adjusted beside crude, the verdict on every part, what it means and what was checked."""
        return said.details(self.results, self.summary, self.settings, self._leading())
