"""Companies with a known truth whose records are complete: what they would have written down.

All ages are whole days. A part that fails is replaced that day, and the next one's life begins.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

YEAR = 365.25


@dataclass(frozen=True, kw_only=True)
class Law:
    """The true Weibull life: shape, and scale in years."""

    shape: float
    scale: float

    def draw(self, rng: np.random.Generator, size: int) -> np.ndarray:
        """Lives in whole days, at least one."""
        return np.ceil(self.scale * YEAR * rng.weibull(self.shape, size))

    def survival(self, days: np.ndarray) -> np.ndarray:
        """Share still working at these ages."""
        return np.exp(-((np.asarray(days) / (self.scale * YEAR)) ** self.shape))

    @property
    def b10(self) -> float:
        """Years by which one in ten has failed."""
        return self.scale * float(-np.log(0.9)) ** (1 / self.shape)


@dataclass(frozen=True, kw_only=True)
class Watched:
    """Lives as the records show them: shape (m,), ages in days, and the unit of each."""

    entry: np.ndarray
    exit: np.ndarray
    failed: np.ndarray
    unit: np.ndarray


def _renewals(
    rng: np.random.Generator, law: Law, installed: np.ndarray, until: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Every life of one socket per unit: unit, day born, day failed, until the unit's last day."""
    units, born, ends = [], [], []
    at, day = np.arange(installed.size), installed.astype(float)
    while at.size:
        fails = day + law.draw(rng, at.size)
        units.append(at)
        born.append(day)
        ends.append(fails)
        goes_on = fails < until[at]
        at, day = at[goes_on], fails[goes_on]
    return np.concatenate(units), np.concatenate(born), np.concatenate(ends)


def _watch(
    unit: np.ndarray, born: np.ndarray, ends: np.ndarray, start: np.ndarray, stop: np.ndarray
) -> Watched:
    """The lives that were going on between start and stop of their unit."""
    begins, finish = start[unit], stop[unit]
    seen = (ends > begins) & (np.maximum(born, begins) < finish)
    unit, born, ends = unit[seen], born[seen], ends[seen]
    begins, finish = begins[seen], finish[seen]
    return Watched(
        entry=np.maximum(born, begins) - born,
        exit=np.minimum(ends, finish) - born,
        failed=ends <= finish,
        unit=unit,
    )


def right_censored(law: Law, rng: np.random.Generator, *, units: int, span: float) -> Watched:
    """Contract from the day of installation, at any time; followed to the records' end."""
    end = round(span * YEAR)
    installed = rng.integers(0, end, units).astype(float)
    stop = np.full(units, float(end))
    return _watch(*_renewals(rng, law, installed, stop), installed, stop)


def late_joiners(
    law: Law, rng: np.random.Generator, *, units: int, span: float, older: float = 10.0
) -> tuple[Watched, Watched]:
    """Contract begun at any unit age; two thirds of the units were there before.

    Returns
    -------
    Lives born under contract only; and all lives, with the true age of the part found in the unit
    that joined (it may be a replacement already).
    """
    end = round(span * YEAR)
    installed = rng.integers(-round(older * YEAR), end, units).astype(float)
    joined = np.maximum(np.maximum(installed, 0), rng.integers(-end, round(0.8 * end), units))
    stop = np.full(units, float(end))
    unit, born, ends = _renewals(rng, law, installed, stop)
    everything = _watch(unit, born, ends, joined, stop)
    here = born >= joined[unit]
    return _watch(unit[here], born[here], ends[here], joined, stop), everything


def call_out(
    law: Law,
    rng: np.random.Generator,
    *,
    units: int,
    span: float,
    other_calls: float = 0.1,
    leaves: float = 0.08,
) -> Watched:
    """Units known only from their first visit on, which say so when they leave.

    The first visit is the first failure of this part, or a call for another one (``other_calls``
    a year), whichever comes first. Only parts fitted from then on have known births: the failure
    that led to the first visit counts for nothing. Units leave at the rate ``leaves`` a year.
    """
    end = round(span * YEAR)
    installed = rng.integers(-round(8 * YEAR), end, units).astype(float)
    stop = np.minimum(
        end, np.maximum(installed, 0) + np.ceil(rng.exponential(YEAR / leaves, units))
    )
    unit, born, ends = _renewals(rng, law, installed, stop)
    called = np.maximum(installed, 0) + np.ceil(rng.exponential(YEAR / other_calls, units))
    own = np.full(units, np.inf)
    inside = ends >= 0  # what failed before the records began was another company's visit
    np.minimum.at(own, unit[inside], ends[inside])
    first = np.minimum(called, own)
    known = born >= first[unit]
    return _watch(unit[known], born[known], ends[known], first, stop)


def few_failures(law: Law, rng: np.random.Generator, *, expected: float, span: float) -> Watched:
    """First lives of a small family whose size makes ``expected`` failures the average."""
    end = round(span * YEAR)
    share = float(1 - law.survival(np.arange(1, end + 1)).mean())
    units = max(6, round(expected / share))
    stop = rng.integers(1, end + 1, units).astype(float)
    life = law.draw(rng, units)
    return Watched(
        entry=np.zeros(units),
        exit=np.minimum(life, stop),
        failed=life <= stop,
        unit=np.arange(units),
    )


@dataclass(frozen=True, kw_only=True)
class Looked:
    """Lives known from looks alone: shape (m,); upper is infinite while it still worked."""

    entry: np.ndarray
    lower: np.ndarray
    upper: np.ndarray


def maintenance_findings(
    law: Law, rng: np.random.Generator, *, units: int, span: float, on_schedule: bool = False
) -> Looked:
    """A part looked at during maintenance, about once a year, and replaced when bad.

    Half the units join with a part of known age that works at the first look; a part found failed
    at that look is replaced and enters the records as new. Visits do not depend on the part.
    on_schedule : looked at on the whole years of its age; else up to 110 days early or late.
    """
    year = round(YEAR)
    end = span * YEAR
    day = np.floor(rng.random(units) * 0.5 * end)
    age = np.where(rng.random(units) < 0.5, 0.0, np.floor(rng.random(units) * 6 * YEAR))
    if on_schedule:
        age = np.floor(age / year) * year
    life = law.draw(rng, units)
    age = np.where(life <= age, 0.0, age)
    life = np.where(age > 0, life, law.draw(rng, units))
    entry, lower = age.copy(), age.copy()
    rows: list[np.ndarray] = []
    running = np.arange(units)
    while running.size:
        wait = np.ceil(YEAR * (0.7 + 0.6 * rng.random(running.size)))
        if on_schedule:
            wait = np.full(running.size, float(year))
        day[running] += wait
        age[running] += wait
        over = day[running] > end
        done = running[over]
        rows.append(np.column_stack([entry[done], lower[done], np.full(done.size, np.inf)]))
        running = running[~over]
        bad = life[running] <= age[running]
        found = running[bad]
        rows.append(np.column_stack([entry[found], lower[found], age[found]]))
        age[found] = entry[found] = lower[found] = 0.0
        life[found] = law.draw(rng, found.size)
        fine = running[~bad]
        lower[fine] = age[fine]
    table = np.concatenate(rows)
    table = table[(table[:, 1] > table[:, 0]) | np.isfinite(table[:, 2])]
    return Looked(entry=table[:, 0], lower=table[:, 1], upper=table[:, 2])
