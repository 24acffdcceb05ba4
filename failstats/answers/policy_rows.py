"""The rows and the answer of `policy`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, Literal

import pandas as pd

from failstats.answers import wording as text
from failstats.answers.result import Answer
from failstats.show import charts
from failstats.show.cautions import cautions

__all__ = ["ActionCost", "Advice", "Flip", "Policy"]

LEAST_AT_RISK = 20  # jobs still followed in each arm; the horizon ends where fewer are
REPLICATES = 1000
SEED = 2
YEAR_DAYS = 365.25
FEWEST_HOT_TESTS = 20
Recommend = Literal["keep", "test_hot", "if_older", "always", "never", "unclear"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ActionCost:
    """What one action costs: per job over the horizon (pairs), or per unit and year (age,
    cleaning); the other is unknown."""

    action: str
    per_job: float | None
    per_unit_year: float | None
    ci: tuple[float | None, float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Flip:
    """A figure that, were it to cross this value, would change the recommendation."""

    what: str
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """One row of `policy`."""

    kind: Literal["pair", "age", "cleaning"]
    when: str
    also: str | None
    recommend: Recommend
    threshold_days: float | None
    money_optimum_days: float | None
    costs: list[ActionCost]
    saving_per_100_jobs: float | None
    saving_ci: tuple[float, float] | None
    expected_regret: float | None
    regret_share_over_5_percent: float | None
    runner_up: str | None
    flips_if: list[Flip]
    advice_text: str
    caution: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Policy(Answer):
    """Pair, age and cleaning rules."""

    command: ClassVar[str] = "policy"
    row_type: ClassVar[type | None] = Advice

    def interval(self, confidence_level: float = 0.95) -> tuple[float, float] | None:
        """Interval of the first pair's saving per 100 jobs, at 95 %."""
        found = [row for row in self.results if row.kind == "pair"]
        return found[0].saving_ci if found else None

    def table(self) -> pd.DataFrame:
        """One row per rule."""
        rows = [
            {
                "kind": row.kind,
                "when": row.when,
                "also": row.also,
                "recommend": row.recommend,
                "threshold_days": row.threshold_days,
                "saving_per_100_jobs": row.saving_per_100_jobs,
                "saving_low": row.saving_ci[0] if row.saving_ci else None,
                "saving_high": row.saving_ci[1] if row.saving_ci else None,
                "expected_regret": row.expected_regret,
                "runner_up": row.runner_up,
                "advice": row.advice_text,
            }
            for row in self.results
        ]
        return pd.DataFrame(rows)

    def cost_table(self) -> pd.DataFrame:
        """when, action, cost, low, high of the pair rules, per job over the horizon."""
        rows = [
            {
                "when": f"{text.words(row.when)} failed: the {text.words(row.also)}",
                "action": text.words(cost.action),
                "cost": cost.per_job,
                "low": cost.ci[0],
                "high": cost.ci[1],
            }
            for row in self.results
            if row.kind == "pair"
            for cost in row.costs
        ]
        return pd.DataFrame(rows, columns=["when", "action", "cost", "low", "high"])

    def chart(self) -> Any:
        """What each action costs after a first part failed."""
        frame = self.cost_table()
        if frame.empty:
            return None
        return charts.cost_bars(
            frame,
            currency=self.settings["currency"],
            per="per job",
            title="Cost of each choice per job, returns within "
            f"{text.years(self.settings['horizon_days'])} included",
        )

    def headline(self) -> str:
        """The first pair rule in words."""
        found = [row for row in self.results if row.kind == "pair"]
        return found[0].advice_text if found else "No pair of parts has enough jobs for a rule."

    def details(self) -> list[str]:
        """All rules, and what must be said beside them."""
        rows = [
            {
                "rule": row.kind,
                "when": text.words(row.when) + (f" + {text.words(row.also)}" if row.also else ""),
                "do": text.words(row.recommend),
                "advice": row.advice_text,
            }
            for row in self.results
        ]
        said = ["Cautions:", *(text.wrap(f"- {line}") for line in cautions())]
        return [text.table(rows), *said]
