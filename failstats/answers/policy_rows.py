"""The rows and the answer of `policy`."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, ClassVar, Literal

import pandas as pd

from failstats.answers import wording as text
from failstats.answers.policy_positions import choice_words, cost_rows, position_rows
from failstats.answers.policy_unknown_age import said_of_unknown_age
from failstats.answers.result import Answer
from failstats.show import charts
from failstats.show.cautions import cautions, never_beyond

__all__ = [
    "ActionCost",
    "Advice",
    "Experiment",
    "Flip",
    "Followed",
    "NextRecord",
    "PlayedRule",
    "Policy",
    "Today",
    "experiment_text",
]

Recommend = Literal["keep", "test_hot", "if_older", "always", "never", "unclear"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ActionCost:
    """What one action costs.

    per_unit_year : in the long run, units taken out of service being followed by new ones; ci its
    interval. per_job : of a pair rule, this job and all that follows within the horizon while the
    unit is in service; per_job_ci its interval.
    """

    action: str
    per_unit_year: float | None
    ci: tuple[float | None, float | None]
    per_job: float | None = None
    per_job_ci: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Flip:
    """A figure that, were it to cross this value, would change the rule of least cost."""

    what: str
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Experiment:
    """A trial that settles it: one rule on even job ids, the other on odd ones.

    jobs in both arms together, weeks at the present rate of jobs, each followed follow_days.
    """

    weeks: int
    jobs: int
    follow_days: int
    even: str
    odd: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NextRecord:
    """What further records are worth: regret per 100 jobs that they would take away at most."""

    what: str
    regret_cut_per_100_jobs: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """Share of jobs with another failure of either part within the window: seen, and expected.

    expected : from the model, for jobs like those with parts of known age.
    """

    action: str
    window_days: int
    jobs: int
    seen: float
    ci: tuple[float, float]
    expected: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayedRule:
    """The last years played through under one rule, for the units with parts of known age.

    seen : what the records hold; only of "as_done". Intervals hold 95 of 100 plays of the fit.
    """

    first: str
    second: str
    action: str
    units: int
    failures: float
    failures_ci: tuple[float, float]
    returns: float
    returns_ci: tuple[float, float]
    second_parts: float
    second_parts_ci: tuple[float, float]
    money: float
    money_ci: tuple[float, float]
    failures_seen: int | None = None
    returns_seen: int | None = None
    second_parts_seen: int | None = None
    money_seen: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Today:
    """What is done now when the first part has failed, and what the rule of least cost saves.

    hot_tests : share of these visits with a hot test of the partner. replaced_unasked : share of
    the partners not found failed that are replaced. per_job : what a job then costs.
    """

    hot_tests: float
    replaced_unasked: float
    per_job: float
    saving_per_100_jobs: float
    saving_ci: tuple[float, float]


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
    experiment: Experiment | None
    advice_text: str
    caution: str
    least: str | None = None
    long_run_least: str | None = None
    threshold_ci: tuple[float | None, float | None] | None = None
    money_optimum_ci: tuple[float | None, float | None] | None = None
    curve_optimum_days: float | None = None
    horizon_days: int | None = None
    jobs: int | None = None
    unit_count: int | None = None
    next_record: list[NextRecord] | None = None
    followed: list[Followed] | None = None
    today: Today | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Policy(Answer):
    """Pair, age and cleaning rules."""

    command: ClassVar[str] = "policy"
    row_type: ClassVar[type | None] = Advice

    def interval(self, confidence_level: float = 0.95) -> tuple[float, float] | None:
        """Interval of the first pair's saving per 100 jobs, at 95 %."""
        found = [row for row in self.results if row.kind == "pair"]
        return found[0].saving_ci if found else None

    def rows_table(self) -> pd.DataFrame:
        """One row per rule."""
        rows = [
            {
                "kind": row.kind,
                "when": row.when,
                "also": row.also,
                "recommend": row.recommend,
                "least": row.least,
                "threshold_days": row.threshold_days,
                "money_optimum_days": row.money_optimum_days,
                "saving_per_100_jobs": row.saving_per_100_jobs,
                "saving_low": row.saving_ci[0] if row.saving_ci else None,
                "saving_high": row.saving_ci[1] if row.saving_ci else None,
                "expected_regret": row.expected_regret,
                "regret_share_over_5_percent": row.regret_share_over_5_percent,
                "runner_up": row.runner_up,
                "jobs": row.jobs,
                "advice": row.advice_text,
            }
            for row in self.results
        ]
        return pd.DataFrame(rows)

    def cost_table(self) -> pd.DataFrame:
        """when, action, cost, low, high of the pair rules that save, per job over the horizon."""
        rows: list[dict[str, Any]] = []
        for row in self._saving():
            costs = [asdict(cost) for cost in row.costs]
            rows += cost_rows(row.when, str(row.also), row.threshold_days, costs)
        return pd.DataFrame(rows, columns=["when", "action", "cost", "low", "high"])

    def _saving(self) -> list[Advice]:
        """The pair rules that save."""
        return [row for row in self.results if row.kind == "pair" and row.recommend != "keep"]

    def chart(self) -> Any:
        """What each action costs after a first part failed."""
        frame = self.cost_table()
        return None if frame.empty else self._bars(frame, None)

    def chart_of_positions(self) -> Any:
        """The same at every price looked at, today's first: one parameter says which is shown."""
        choices = (self.summary.get("what_if") or {}).get("choices") or []
        pairs = [(row.when, str(row.also)) for row in self._saving()]
        frame, today = position_rows(choices, pairs)
        return None if frame.empty else self._bars(frame, today)

    def _bars(self, frame: pd.DataFrame, at: int | None) -> Any:
        return charts.cost_bars(
            frame,
            currency=self.settings["currency"],
            per="per job",
            title="Cost of each choice per job, what follows within "
            f"{text.years(self.settings['horizon_days'])} included",
            at=at,
        )

    def headline(self) -> str:
        """The first pair rule in words."""
        found = [row for row in self.results if row.kind == "pair"]
        if found:
            return found[0].advice_text
        left_out = self.summary.get("no_rule_for") or {}
        if self.summary.get("without_catalogue"):
            return (
                "No rule in money: no part has a price, because no catalogue of items that can be "
                "fitted on a visit is loaded."
            )
        if any(" + " in name for name in left_out):
            return "No pair of parts has a rule; why not stands below."
        return "No pair of parts has enough jobs for a rule."

    def headline_units(self) -> int | None:
        """On which the first pair of the rule was seen."""
        found = [row for row in self.results if row.kind == "pair"]
        return (found[0].unit_count or 0) if found else None

    def details(self) -> list[str]:
        """All rules, and what must be said beside them."""
        quiet = [row for row in self.results if row.kind == "pair" and row.recommend == "keep"]
        rows = [
            {
                "rule": row.kind,
                "when": text.words(row.when) + (f" + {text.words(row.also)}" if row.also else ""),
                "do": text.words(row.recommend),
                "advice": row.advice_text,
            }
            for row in self.results
            if row not in quiet or row is self.results[0]
        ]
        out = [text.table(rows), *self._costs(), *self._doubts(), *self._played()]
        out += [text.wrap(stocked_text(row, self.settings["currency"])) for row in
                self.summary.get("with_stock") or []]  # fmt: skip
        if quiet:
            named = ", ".join(f"{text.words(r.when)} + {text.words(r.also)}" for r in quiet)
            said = f"Leave the partner in unless a test shows it bad: {named}."
            safety = never_beyond([str(r.also) for r in quiet])
            out.append(text.wrap(f"{said} {safety}".rstrip()))
        left_out = self.summary.get("no_rule_for") or {}
        if left_out:
            by_reason: dict[str, list[str]] = {}
            for name, why in left_out.items():
                by_reason.setdefault(text.words(why), []).append(text.words(name))
            said = "; ".join(f"{', '.join(names)} ({why})" for why, names in by_reason.items())
            out.append(text.wrap(f"No rule for {said}."))
        return [*out, "Cautions:", *(text.wrap(f"- {line}") for line in cautions())]

    def _costs(self) -> list[str]:
        """What every action of a pair costs, where one saves."""
        currency = self.settings["currency"]

        def money(value: float | None) -> str:
            return text.money(value, currency)

        rows = [
            {
                "when": f"{text.words(row.when)} + {text.words(row.also)}",
                "choice": choice_words(cost.action, row.threshold_days),
                "per job": money(cost.per_job),
                text.level_head(self.settings): text.between(
                    cost.per_job_ci, money, brackets=False
                ),
                "per unit and year": money(cost.per_unit_year),
                "its interval": text.between(cost.ci, money, brackets=False),
            }
            for row in self._saving()
            for cost in row.costs
        ]
        if not rows:
            return []
        return [
            text.wrap(
                "Cost of each choice: per job, this one and what follows within the horizon while "
                "the unit is in service; per unit and year in the long run, units being followed "
                "by new ones."
            ),
            text.table(rows),
        ]

    def _doubts(self) -> list[str]:
        """What would settle an unclear rule, and what would change a clear one."""
        out = []
        currency = self.settings["currency"]
        for row in self.results:
            if row.kind != "pair" or (row.recommend == "keep" and not row.followed):
                continue
            name = f"{text.words(row.when)} + {text.words(row.also)}"
            unknown = said_of_unknown_age(asdict(row))
            if unknown:
                out.append(text.wrap(f"{name}: {unknown[:1].lower()}{unknown[1:]}"))
            if row.flips_if:
                said = ", ".join(
                    f"{_FLIPS.get(f.what, f.what)} {f.value:,.2f}" for f in row.flips_if
                )
                out.append(text.wrap(f"{name}: another choice would cost less at {said}."))
            if row.experiment is not None:
                out.append(text.wrap(f"{name}: {experiment_text(row.experiment)}"))
            if row.next_record and row.recommend == "unclear":
                first = row.next_record[0]
                cut = text.money(first.regret_cut_per_100_jobs, currency, decimals=0)
                out.append(
                    text.wrap(
                        f"{name}: most would be learnt from {first.what}: at most {cut} of regret "
                        "per 100 jobs less."
                    )
                )
            for seen in row.followed or []:
                out.append(
                    text.wrap(
                        f"{name}, {text.words(seen.action)}: within {seen.window_days} days "
                        f"{text.share(seen.seen)}{text.between(seen.ci, text.share)} of "
                        f"{seen.jobs:,} jobs were followed by another failure; the model expects "
                        f"{text.share(seen.expected)}."
                    )
                )
        return out

    def _played(self) -> list[str]:
        """The last years under each rule, beside what happened."""
        played = self.summary.get("last_years") or []
        if not played:
            return []
        currency = self.settings["currency"]

        def money(value: float | None) -> str:
            return text.money(value, currency, decimals=0)

        rows = []
        for row in played:
            seen = row["failures_seen"] is not None
            rows.append(
                {
                    "rule": text.words(row["action"]),
                    f"{text.words(row['first'])} failures": _played(row, "failures"),
                    "within warranty": _played(row, "returns"),
                    f"{text.words(row['second'])}s fitted": _played(row, "second_parts"),
                    "money": money(row["money"]) + text.between(row["money_ci"], money),
                }
            )
            if seen:
                rows.append(
                    {
                        "rule": "what happened",
                        f"{text.words(row['first'])} failures": f"{row['failures_seen']:,}",
                        "within warranty": f"{row['returns_seen']:,}",
                        f"{text.words(row['second'])}s fitted": f"{row['second_parts_seen']:,}",
                        "money": money(row["money_seen"]),
                    }
                )
        head = (
            f"The last {text.years(self.settings['played_days'])} played through from the fit, the "
            f"same luck under every rule, for the {played[0]['units']:,} units under contract with "
            "parts of known age. What is fitted in these years spares failures after them too, "
            "which this table does not count:"
        )
        return [text.wrap(head), text.table(rows)]


def _played(row: dict[str, Any], name: str) -> str:
    return f"{row[name]:,.0f}" + text.between(row[f"{name}_ci"], lambda v: f"{v or 0:,.0f}")


_FLIPS = {
    "partner_price": "a partner that costs",
    "tests.hot_cycle_minutes": "minutes of a hot test of",
    "visit.return_unpaid": "an unpaid return visit of",
    "visit.visit_cost": "a visit of",
}


def stocked_text(row: dict[str, Any], currency: str) -> str:
    """One rule before and after the vans are stocked for it."""

    def money(value: float | None) -> str:
        return text.money(value, currency, decimals=0)

    saved = money(row["saving_per_100_jobs"]) + text.between(row["saving_ci"], money)
    then = money(row["saving_as_stocked"]) + text.between(row["saving_as_stocked_ci"], money)
    return (
        f"With the vans stocked for {text.words(row['when'])} + {text.words(row['also'])}: the "
        f"{text.words(row['also'])} is there on {text.share(row['on_van'])} of the jobs that need "
        f"one, and the rule ({text.words(row['recommend_as_stocked'])}) saves {then} per 100 jobs; "
        f"with one always there {saved}. Jobs finished on the first visit: "
        f"{text.share(row['completion_without'])} for {money(row['spend_without'])} of parts "
        f"without the rule, {text.share(row['completion_with'])} for "
        f"{money(row['spend_with'])} with it."
    )


def experiment_text(card: Experiment) -> str:
    """The experiment card in a sentence."""
    return (
        f"to settle it, {text.words(card.even)} on even job ids and {text.words(card.odd)} on odd "
        f"ones for {card.weeks:,} weeks ({card.jobs:,} jobs, each followed {card.follow_days} "
        "days)."
    )
