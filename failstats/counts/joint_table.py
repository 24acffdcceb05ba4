"""Parts found in units that joined late: counted by age at joining and time watched since.

How old such a part is nobody knows. What is known is the age of its unit, how long the part was
watched, and whether it failed: counts of these on a grid are all the renewal model needs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from failstats.errors import InputError
from failstats.warehouse.session import Session

__all__ = ["MONTH_DAYS", "JointTable", "joint_table"]

#: A month, the default cell. Its error is measured in the tests against a weekly grid.
MONTH_DAYS = 365.25 / 12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JointTable:
    """Counts of lives of unknown birth, on a grid of ``step`` days.

    Parameters
    ----------
    step : width of a cell in days.
    entry : shape (n,), cell of the unit's age when watching began; -1 for exactly 0.
    forward : shape (n,), cell of the time from then to the end of the life.
    failed : shape (n,), whether it failed in that cell; else it was last seen working there.
    count : shape (n,), how many lives.
    given_entry, given_forward, given_count : shape (m,), for call-out units the cells of the time
        from the begin of watching to the first visit, over which the part is known to have worked
        (the unit would not be in the records otherwise).
    dropped : lives left out because they have no time at risk.
    """

    step: float
    entry: np.ndarray
    forward: np.ndarray
    failed: np.ndarray
    count: np.ndarray
    given_entry: np.ndarray
    given_forward: np.ndarray
    given_count: np.ndarray
    dropped: int = 0

    @property
    def lives(self) -> float:
        """How many lives."""
        return float(self.count.sum())

    @property
    def failures(self) -> float:
        """How many of them failed."""
        return float(self.count[self.failed].sum())

    @property
    def exposure(self) -> float:
        """Days watched, at the middles of the cells."""
        given = (
            float(self.given_count @ (self.given_forward + 0.5)) if self.given_count.size else 0.0
        )
        return self.step * (float(self.count @ (self.forward + 0.5)) - given)

    @classmethod
    def from_lives(
        cls,
        entry: Any,
        *,
        forward: Any,
        failed: Any,
        given: Any = None,
        count: Any = None,
        step: float = MONTH_DAYS,
    ) -> JointTable:
        """Count lives given one by one.

        Parameters
        ----------
        entry : shape (k,), days of unit age when watching began.
        forward : shape (k,), days from then to the end of the life.
        failed : shape (k,), whether it ended in a failure.
        given : shape (k,), days over which it is known to have worked because the unit's first
            visit came only then; 0 for contract units, and the default.
        count : shape (k,), lives per row; 1 when absent.

        Examples
        --------
        >>> ages, ahead = [0, 40, 45], [10, 70, 80]
        >>> table = JointTable.from_lives(ages, forward=ahead, failed=[True, False, False])
        >>> table.entry.tolist(), table.forward.tolist(), table.count.tolist()
        ([-1, 1], [0, 2], [1.0, 2.0])
        """
        if not step > 0:
            raise InputError(f"step must be above 0 days, but is {step}.")
        age, ahead = np.asarray(entry, dtype=float), np.asarray(forward, dtype=float)
        ended = np.asarray(failed, dtype=bool)
        since = np.zeros(age.shape) if given is None else np.asarray(given, dtype=float)
        many = np.ones(age.shape) if count is None else np.asarray(count, dtype=float)
        if not age.shape == ahead.shape == ended.shape == since.shape == many.shape:
            raise InputError("entry, forward, failed, given and count must be equally long.")
        wrong = ~(
            (age >= 0) & (since >= 0) & (ahead >= since) & np.isfinite(age) & np.isfinite(ahead)
        )
        if wrong.any():
            raise InputError(
                "entry and given must be 0 or more and forward no less than given; "
                f"{int(wrong.sum())} of {age.size} lives are not so.",
                rows=np.flatnonzero(wrong).tolist(),
            )
        idle = (ahead == since) & ~((ahead == 0) & ended)
        dropped = int(many[idle].sum())
        age, ahead, ended, since, many = (x[~idle] for x in (age, ahead, ended, since, many))
        place = np.where(age == 0, -1, np.floor(age / step)).astype(np.int64)
        later = np.floor(ahead / step).astype(np.int64)
        cells, total = _counted(np.column_stack([place, later, ended]), many)
        waits = since > 0
        known, held = _counted(
            np.column_stack([place[waits], np.floor(since[waits] / step).astype(np.int64)]),
            many[waits],
        )
        return cls(
            step=float(step),
            entry=cells[:, 0],
            forward=cells[:, 1],
            failed=cells[:, 2].astype(bool),
            count=total,
            given_entry=known[:, 0],
            given_forward=known[:, 1],
            given_count=held,
            dropped=dropped,
        )


def _counted(keys: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    cells, place = np.unique(keys.astype(np.int64), axis=0, return_inverse=True)
    total = np.bincount(place.ravel(), weights=weight, minlength=len(cells))
    cells.flags.writeable = total.flags.writeable = False
    return cells, total


def joint_table(
    session: Session,
    part: str,
    *,
    followed: tuple[str, ...] = ("contract",),
    bracket: str = "stated_end",
    step: float = MONTH_DAYS,
) -> tuple[JointTable, pd.DataFrame]:
    """The lives of unknown birth of one part, and how its lives ended.

    Returns
    -------
    The table; and ending (failed, other, left), lives and days over all lives of the part
    followed so, for the share of replacements that were no failures.
    """
    frame = session.run("lives_joint", part=part, followed=list(followed), bracket=bracket)
    unknown = frame[frame["kind"] == "unknown_birth"]
    table = JointTable.from_lives(
        unknown["entry_days"].to_numpy(float),
        forward=unknown["forward_days"].to_numpy(float),
        failed=(unknown["ending"] == "failed").to_numpy(),
        given=unknown["given_days"].to_numpy(float),
        count=unknown["lives"].to_numpy(float),
        step=step,
    )
    ends = (
        frame[frame["forward_days"] > frame["given_days"]]
        .assign(days=lambda rows: rows["lives"] * (rows["forward_days"] - rows["given_days"]))
        .groupby("ending", as_index=False)[["lives", "days"]]
        .sum()
    )
    return table, ends
