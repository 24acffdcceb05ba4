"""Companies whose units differ: a gamma frailty multiplies every hazard of a unit."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

YEAR = 365.25


@dataclass(frozen=True)
class UnitsTruth:
    """What the company is told; durations in years. Lives are those of a unit of frailty 1."""

    parts: dict[str, tuple[float, float]] = field(
        default_factory=lambda: {"coil": (1.8, 8.0), "belt": (2.0, 10.0), "switch": (1.3, 14.0)}
    )
    variance: float = 0.5
    units: int = 1500
    span: float = 10.0
    later: float = 1.0  # scale of replaced parts against first-fitted ones


def simulate(truth: UnitsTruth, seed: int) -> pd.DataFrame:
    """All lives of units on contract from installation: unit, part, first, days, failed."""
    rng = np.random.Generator(np.random.PCG64(seed))
    n = truth.units
    until = np.floor(rng.random(n) * truth.span * YEAR) + 1
    weak = rng.gamma(1 / truth.variance, truth.variance, n) if truth.variance else np.ones(n)
    frames = []
    for part, (k, s) in truth.parts.items():
        unit, born, first = np.arange(n), np.zeros(n), True
        while unit.size:
            life = (
                (s if first else s * truth.later)
                * YEAR
                * (-np.log1p(-rng.random(unit.size)) / weak[unit]) ** (1 / k)
            )
            ends = born + np.ceil(life)
            failed = ends <= until[unit]
            frames.append(
                pd.DataFrame(
                    {"unit": unit, "part": part, "first": first, "failed": failed,
                     "days": np.minimum(ends, until[unit]) - born}
                )
            )  # fmt: skip
            keep = failed & (ends < until[unit])
            unit, born, first = unit[keep], ends[keep], False
    return pd.concat(frames, ignore_index=True)


def failed_by(truth: UnitsTruth, part: str, years: float) -> float:
    """Share of parts failed by an age in units nothing is known about."""
    k, s = truth.parts[part]
    total = (years / s) ** k
    if not truth.variance:
        return float(-np.expm1(-total))
    return float(1 - (1 + truth.variance * total) ** (-1 / truth.variance))
