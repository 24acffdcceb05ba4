"""What `lives` says of units that differ: its keys and its words."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from failstats.answers import wording as text

__all__ = ["Replacements", "UnitsDiffer", "Verdict", "units_differ_lines"]

Verdict = Literal["shorter", "longer", "only_selection", "no_difference_shown"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Replacements:
    """Do replaced parts last less than first-fitted ones?

    scale_ratio : scale of later lives against first ones in a unit of the same frailty.
    pooled_ratio : the same read off all units together, selection included.
    verdict : of the first, where it differs from 1; "only_selection" where the second does alone.
    """

    failures: int
    scale_ratio: float
    ci: tuple[float, float]
    pooled_ratio: float
    pooled_ci: tuple[float, float]
    verdict: Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitsDiffer:
    """One part in units that differ; all from units on contract since installation.

    variance : of the gamma frailty that multiplies all hazards of a unit, from all parts that
        fail visibly; null where units may be alike.
    new_unit_survival_5y : share still working at 5 years in a unit nothing is known about.
    alike_survival_5y : the same lives, all of them, read as if units were alike.
    changes : whether the second lies outside the interval of the first.
    """

    units: int
    failures: int
    variance: float | None
    variance_ci: tuple[float, float] | None
    tau: float | None
    p_value: float | None
    new_unit_survival_5y: float | None
    new_unit_survival_5y_ci: tuple[float, float] | None
    alike_survival_5y: float | None
    changes: bool | None
    replacements: Replacements | None
    label: str


SAID = {
    "shorter": "replacements do last less, in the same unit too",
    "longer": "replacements last longer in the same unit",
    "only_selection": "only selection: units that fail early give most replacements",
    "no_difference_shown": "no difference shown",
}


def _failed(survival_ci: tuple[float, float] | None) -> tuple[float, float] | None:
    return None if survival_ci is None else (1 - survival_ci[1], 1 - survival_ci[0])


def units_differ_lines(rows: Iterable[tuple[str, UnitsDiffer | None]]) -> list[str]:
    """What is said below the table of lives: (part, what was found) of each headline row."""
    found = [(text.words(part), row) for part, row in rows if row is not None]
    told = next((row for _, row in found if row.variance is not None), None)
    if told is None:
        return []
    lines = [
        text.wrap(
            f"Units differ: a gamma frailty with variance {told.variance:.2f}"
            f"{text.between(told.variance_ci, '{:.2f}'.format)} on all hazards of a unit (Weibull "
            "lives of units on contract since installation). Failed within 5 years in a new unit, "
            "and read as if units were alike: "
            + "; ".join(
                f"{part} {text.share(1 - row.new_unit_survival_5y)}"
                f"{text.between(_failed(row.new_unit_survival_5y_ci), text.share)} and "
                f"{text.share(1 - row.alike_survival_5y)}"
                f"{', beyond its interval' if row.changes else ''}"
                for part, row in found
                if row.new_unit_survival_5y is not None and row.alike_survival_5y is not None
            )
            + "."
        )
    ]
    again = [(part, row.replacements) for part, row in found if row.replacements is not None]
    if again:
        lines.append(
            text.wrap(
                "Weibull scale of replacements against first-fitted parts of the same unit: "
                + "; ".join(
                    f"{part} {one.scale_ratio:.2f}{text.between(one.ci, '{:.2f}'.format)}, "
                    f"{one.pooled_ratio:.2f}{text.between(one.pooled_ci, '{:.2f}'.format)} read "
                    f"off all units ({SAID[one.verdict]})"
                    for part, one in again
                )
                + "."
            )
        )
    return lines
