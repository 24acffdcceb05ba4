"""The rows and the answer of `vents`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, Literal

import pandas as pd

from failstats.answers import wording as text
from failstats.answers.result import Answer
from failstats.show import charts

__all__ = ["SecondModel", "VentEffect", "Vents"]

BANDS = ("12_to_24", "over_24", "unknown")
REFERENCE = "under_12"
LOADS_REFERENCE = 5  # of ten bins; bin 0 is "not recorded"
FEWEST_FAILURES = 20
ENOUGH_ON_CONTRACT = 50  # failures; below it call-out units are used too, with a warning
AGE_CUTS = tuple(365 * year for year in range(1, 21))
YEAR_DAYS = 365.25
COMMON = 0.15  # share of lives that failed, above which a hazard ratio is converted first
Verdict = Literal[
    "shortens", "no_effect_larger_than", "lengthens", "not_enough_data", "cannot_be_trusted"
]


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
            if r.role == "outcome"
            and r.contrast.startswith("over_24")
            and r.hazard_ratio is not None
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
        return (
            "The records cannot tell whether vent neglect shortens part life."
            if row is None
            else row.verdict_text
        )

    def details(self) -> list[str]:
        """Adjusted beside crude, and the verdict on every part."""
        rows = [
            {
                "part": text.words(r.part) + (" (control)" if r.role == "negative_control" else ""),
                "last cleaned": _band_words(r.contrast),
                "failures": r.failures_exposed,
                "hazard ratio": _ratio(r.hazard_ratio),
                text.level_head(self.settings): text.between(r.ci, _ratio, brackets=False),
                "crude": _ratio(r.crude_hazard_ratio),
                "verdict": text.words(r.verdict),
            }
            for r in self.results
        ]
        said = [
            f"- {r.verdict_text}"
            for r in self.results
            if r.role == "outcome" and r.contrast.startswith("over_24")
        ]
        return [text.table(rows), *(text.wrap(line) for line in said)]


def _ratio(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.2f}"


def _band_words(contrast: str) -> str:
    return {
        "12_to_24": "12 to 24 months ago",
        "over_24": "over 24 months ago",
        "unknown": "not known",
    }[contrast.removesuffix(f"_vs_{REFERENCE}")]
