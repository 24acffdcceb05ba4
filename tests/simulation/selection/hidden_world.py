"""Companies in which a thermostat (B) sticks closed unseen and wears out its cutout (A).

Units are installed within the records and followed to their end. A technician comes when A
fails, and for maintenance now and then; he tests B hot or cold, or replaces it by habit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from failstats.counts.row_pass import HiddenRows

YEAR = 365.25


@dataclass(frozen=True)
class HiddenTruth:
    """What the company is told; durations in years."""

    own: tuple[float, float] = (1.3, 22.0)
    hidden: tuple[float, float] = (1.6, 17.0)
    multiplier: float = 30.0
    units: int = 2500
    span: float = 8.0
    maintenance: float = 0.4  # visits a year
    hot_at_failure: float = 0.4
    hot_at_maintenance: float = 0.25
    pair_habit: float = 0.3
    hot_sensitivity: float = 0.95
    frailty: float = 0.0  # variance of a gamma frailty on both hazards
    hot_if_bad: float | None = None  # chance of a hot test when B is bad: breaks the assumption


def _weibull(rng: np.random.Generator, law: tuple[float, float], age: float = 0.0) -> float:
    """Total age at failure, given survival to ``age``; days."""
    k, s = law[0], law[1] * YEAR
    return s * ((age / s) ** k - np.log1p(-rng.random())) ** (1 / k)


def simulate(
    truth: HiddenTruth, seed: int, jobs: list[tuple[float, float, bool, float]] | None = None
) -> tuple[HiddenRows, pd.DataFrame]:
    """The rows of the fit, and B's lives as a naive reader sees them (days, found failed).

    ``jobs`` is filled with what nobody sees of each failure of A: ages of A and B in days,
    whether B was bad, and the frailty of the unit.
    """
    rng = np.random.Generator(np.random.PCG64(seed))
    columns: dict[str, list[float]] = {name: [] for name in (
        "life", "b_from", "b_to", "a_from", "a_failed", "hot_passed", "cold_passed", "found",
        "visible", "untested")}  # fmt: skip
    unit, naive = [], []
    k = truth.own[0]
    for u in range(truth.units):
        span = truth.span * YEAR * rng.random()
        weak = rng.gamma(1 / truth.frailty, truth.frailty) if truth.frailty else 1.0
        s = truth.own[1] * YEAR * weak ** (-1 / k)
        law = (truth.hidden[0], truth.hidden[1] * weak ** (-1 / truth.hidden[0]))
        now, a_born, b_born = 0.0, 0.0, 0.0
        stuck = _weibull(rng, law)  # date
        spend = -np.log1p(-rng.random())  # A's hazard left to spend
        unit.append(u)
        while True:
            call = now + rng.exponential(YEAR / truth.maintenance) if truth.maintenance else np.inf
            # when does A fail, if nothing else happens?
            age, turn = now - a_born, max(stuck - a_born, now - a_born)
            good = (turn / s) ** k - (age / s) ** k
            if spend <= good:
                fails = a_born + s * ((age / s) ** k + spend) ** (1 / k)
            else:
                fails = a_born + s * ((turn / s) ** k + (spend - good) / truth.multiplier) ** (
                    1 / k
                )
            next_ = min(call, fails, span)
            passed = (max(next_ - a_born, 0) / s) ** k - (age / s) ** k
            bad = max((max(next_ - a_born, turn) / s) ** k - (turn / s) ** k, 0.0)
            spend -= passed + (truth.multiplier - 1) * bad
            row = {"life": len(unit) - 1, "b_from": now - b_born, "b_to": next_ - b_born,
                   "a_from": now - a_born, "a_failed": next_ == fails, "hot_passed": 0,
                   "cold_passed": 0, "found": 0, "visible": False, "untested": False}  # fmt: skip
            new_b = False
            if jobs is not None and next_ == fails and next_ < span:
                jobs.append((next_ - a_born, next_ - b_born, stuck <= next_, weak))
            if next_ < span:
                is_bad = stuck <= next_
                share = truth.hot_at_failure if next_ == fails else truth.hot_at_maintenance
                if is_bad and truth.hot_if_bad is not None:
                    share = truth.hot_if_bad
                if rng.random() < share:
                    if is_bad and rng.random() < truth.hot_sensitivity:
                        row["found"], new_b = 1, True
                    else:
                        row["hot_passed"] = 1
                else:
                    row["cold_passed"], row["untested"] = int(rng.random() < 0.5), True
                if next_ == fails and not new_b and rng.random() < truth.pair_habit:
                    new_b = True
            for name, value in row.items():
                columns[name].append(value)
            if next_ >= span:
                naive.append((next_ - b_born, False))
                break
            if next_ == fails:
                a_born, spend = next_, -np.log1p(-rng.random())
            if new_b:
                naive.append((next_ - b_born, row["found"] > 0))
                b_born = next_
                stuck = next_ + _weibull(rng, law)
                unit.append(u)
            now = next_
    rows = HiddenRows(
        **{name: np.array(values) for name, values in columns.items()},
        unit=np.array(unit),
        weight=np.ones(len(unit)),
    )
    return rows, pd.DataFrame(naive, columns=["days", "failed"])
