"""What can still be said of a part when too few have failed for a life to be fitted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from failstats.counts.risk_table import RiskTable
from failstats.estimate.intervals import Interval, rate_exact

__all__ = ["NoFit", "exact_poisson_bound"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NoFit:
    """The records are too thin for a shape: what can still be said is a rate.

    reason : why nothing was fitted.
    exposure : time lived under observation, in life-``unit``.
    """

    refused: ClassVar[bool] = True
    parameters: ClassVar[None] = None
    label: ClassVar[str] = "exact Poisson bound"

    reason: str
    model: str
    failures: float
    lives: float
    exposure: float
    unit: str
    cause: str | None = None

    @property
    def rate(self) -> float:
        """Failures per ``unit`` of life."""
        return self.failures / self.exposure if self.exposure > 0 else float("nan")

    def interval(self, confidence_level: float = 0.95) -> Interval | None:
        """Exact interval of the rate per ``unit``; None when nothing was lived."""
        if not self.exposure > 0:
            return None
        low, high = rate_exact(
            self.failures, exposure=self.exposure, confidence_level=confidence_level
        )
        return Interval(low, high, self.label)

    def to_dict(self) -> dict[str, Any]:
        """JSON-safe."""
        bound = self.interval()
        return {
            "model": None,
            "reason": self.reason,
            "failures": self.failures,
            "lives": self.lives,
            f"exposure_{self.unit}": self.exposure,
            "parameters": None,
            "rate": self.rate if self.exposure > 0 else None,
            "rate_ci": None if bound is None else list(bound),
        }

    def __str__(self) -> str:
        bound = self.interval()
        lines = [f"{self.lives:,} lives, {self.failures:,} failures: {self.reason}"]
        if bound is not None:
            per = "never" if bound.high == 0 else f"{1 / bound.high:,.0f} {self.unit}"
            lines.append(f"at a constant rate the mean life would be at least {per}")
        return "\n".join(lines)


def exact_poisson_bound(
    table: RiskTable, *, cause: str | None = None, reason: str = "", model: str = "weibull"
) -> NoFit:
    """What can be said of parts that hardly ever failed: an exact bound of their failure rate."""
    counts = table if cause is None else table.only(cause)
    return NoFit(
        reason=reason or "a rate was asked for",
        model=model,
        failures=counts.failures,
        lives=counts.lives,
        exposure=float(counts.exposure),
        unit=table.unit,
        cause=cause,
    )
