"""Companies whose contract units join at any age, with earlier repairs nobody recorded."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

YEAR = 365.25


@dataclass(frozen=True)
class RenewalTruth:
    """What the company is told; durations in years."""

    life: tuple[float, float] = (1.8, 9.0)
    units: int = 1500
    span: float = 8.0
    oldest: float = 13.0
    call_out: bool = False  # no contract: seen from the first call of any of three parts
    other_rate: float = 0.0  # replacements without failure, per year
    frailty: float = 0.0  # variance of a gamma frailty: breaks the assumption


def simulate(truth: RenewalTruth, seed: int) -> pd.DataFrame:
    """Lives as watched: entry (unit age when watching began), given, forward, failed, known
    (birth seen), for known ones entry 0 and forward the age at the end."""
    rng = np.random.Generator(np.random.PCG64(seed))
    n, span = truth.units, truth.span * YEAR
    k, s = truth.life
    entry = np.floor(rng.random(n) * truth.oldest * YEAR)
    if truth.call_out:  # half were installed within the records
        entry = np.where(rng.random(n) < 0.5, 0.0, entry)
    until = entry + np.floor(rng.random(n) * span) + 1  # unit age at the end of watching
    weak = rng.gamma(1 / truth.frailty, truth.frailty, n) if truth.frailty else np.ones(n)
    first = np.full(n, 0.0)
    if truth.call_out:  # the first call comes from another part, at a constant rate
        first = np.floor(rng.exponential(6 * YEAR, n)) + 1
    rows = []
    born, unit = np.zeros(n), np.arange(n)
    while unit.size:
        life = s * YEAR * (-np.log1p(-rng.random(unit.size)) / weak[unit]) ** (1 / k)
        other = rng.exponential(YEAR / truth.other_rate, unit.size) if truth.other_rate else np.inf
        ends = born + np.ceil(np.minimum(life, other))
        rows.append(
            pd.DataFrame({"unit": unit, "born": born, "ends": ends, "failure": life <= other})
        )
        keep = ends < until[unit]
        unit, born = unit[keep], ends[keep]
    lives = pd.concat(rows, ignore_index=True)
    at = lives["unit"].to_numpy()
    lives["entry"], lives["until"] = entry[at], until[at]
    start = entry.copy()
    if truth.call_out:
        own = (
            lives[(lives["ends"] > lives["entry"]) & lives["failure"]].groupby("unit")["ends"].min()
        )
        calls = np.full(n, np.inf)
        calls[own.index] = own.to_numpy()
        start = np.minimum(entry + first, calls)
        lives = lives[start[lives["unit"]] < lives["until"]].copy()
        at = lives["unit"].to_numpy()
    lives["start"] = start[at]
    lives = lives[lives["ends"] > lives["start"]]
    known = lives["born"] >= lives["start"]
    if not truth.call_out:
        known |= lives["entry"] == 0
    stop = np.minimum(lives["ends"], lives["until"])
    return pd.DataFrame(
        {
            "known": known,
            "entry": np.where(known, 0.0, lives["entry"]),
            "given": np.where(known, 0.0, lives["start"] - lives["entry"]),
            "forward": stop - np.where(known, lives["born"], lives["entry"]),
            "failed": (lives["ends"] <= lives["until"]) & lives["failure"],
            "other": (lives["ends"] <= lives["until"]) & ~lives["failure"],
            "assumed_entry": np.where(known, 0.0, lives["start"]),
            "assumed_exit": stop - np.where(known, lives["born"], 0.0),
        }
    )
