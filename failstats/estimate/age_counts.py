"""Counts by age as a fit reads them, and the sums over ages that all its steps share.

Internal to the fitted lives: one set of counts serves every family that is tried on it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from failstats.counts.risk_table import RiskTable
from failstats.estimate.gamma_tails import GammaTails

__all__ = ["BANDS", "AgeCounts"]

#: With more ages than four times this a climb begins on the counts of so many bands of age.
BANDS = 128


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AgeCounts:
    """Failures, exits and entries at each age at which any occurred.

    age : shape (n,), above 0 and ascending.
    failed : shape (n,), how many failed there.
    weight : shape (n,), exits (failures among them) minus entries there.
    zero_age : where failures in cell 0 stand.
    """

    age: np.ndarray
    failed: np.ndarray
    weight: np.ndarray
    zero_age: float = 0.5
    _held: dict[str, Any] = field(default_factory=dict, init=False, repr=False)

    def __reduce__(self) -> tuple[Any, ...]:
        # what is held for the next step can be made again
        return _again, (self.age, self.failed, self.weight, self.zero_age)

    @classmethod
    def of(cls, table: RiskTable) -> AgeCounts:
        """Take the counts of a risk table, all its causes together; cell 0 fails at zero_age."""
        died = table.failed_total.astype(float)
        weight = died + table.left - table.entered
        age = table.age.astype(float)
        if age.size and age[0] == 0:
            age[0] = table.zero_age
            weight[0] = died[0]  # lives that enter or leave at age 0 have lived nothing yet
        held = (weight != 0) | (died > 0)
        return cls(
            age=age[held], failed=died[held], weight=weight[held], zero_age=table.zero_age
        )  # fmt: skip

    @property
    def span(self) -> float:
        """The longest age."""
        return float(self.age[-1]) if self.age.size else 1.0

    @property
    def log_age(self) -> np.ndarray:
        """Shape (n,)."""
        return self._once("log_age", lambda: np.log(self.age))

    @property
    def failures(self) -> float:
        """How many failed."""
        return self._once("failures", lambda: float(self.failed.sum()))

    @property
    def failed_ages(self) -> float:
        """Sum of the ages at failure."""
        return self._once("failed_ages", lambda: float(self.failed @ self.age))

    @property
    def failed_log_ages(self) -> float:
        """Sum of the logarithms of the ages at failure."""
        return self._once("failed_log_ages", lambda: float(self.failed @ self.log_age))

    @property
    def exposure(self) -> float:
        """Time lived under observation: the sum of exits minus entries, weighted by age."""
        return self._once("exposure", lambda: float(self.weight @ self.age))

    @property
    def rest(self) -> np.ndarray:
        """Shape (n,): weight without the failures."""
        return self._once("rest", lambda: self.weight - self.failed)

    @property
    def tails(self) -> GammaTails:
        """The gamma distribution's upper tail at every age."""
        return self._once("tails", lambda: GammaTails(self.age))

    def in_bands(self) -> AgeCounts | None:
        """Nearly the same surface from few bands of age, to begin a climb on; None if needless."""
        if self.age.size <= 4 * BANDS:
            return None
        return self._once("bands", self._in_bands)

    def _in_bands(self) -> AgeCounts:
        places = np.linspace(0, self.age.size, BANDS + 1).astype(int)[:-1]
        middle = np.add.reduceat(self.age, places) / np.diff([*places, self.age.size])
        return AgeCounts(
            age=middle,
            failed=np.add.reduceat(self.failed, places),
            weight=np.add.reduceat(self.weight, places),
            zero_age=self.zero_age,
        )

    def _once(self, name: str, make: Callable[[], Any]) -> Any:
        if name not in self._held:
            self._held[name] = make()
        return self._held[name]


def _again(age: Any, failed: Any, weight: Any, zero_age: float) -> AgeCounts:
    return AgeCounts(age=age, failed=failed, weight=weight, zero_age=zero_age)
