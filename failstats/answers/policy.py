"""Which parts do we replace in pairs, by age, and how often do we clean? In money and in doubt."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

import numpy as np
import pandas as pd

from failstats.answers import wording as text
from failstats.answers.costs import Costs, read_costs
from failstats.answers.lives import Lives, lives
from failstats.answers.pairs import FEWEST_INDEX_JOBS, index_jobs
from failstats.answers.result import Answer, Warning_
from failstats.answers.vents import REFERENCE, VentEffect, Vents, vents
from failstats.estimate.cleaning import cleaning_interval
from failstats.estimate.follow_on import cumulative_incidence
from failstats.estimate.regret import decide
from failstats.estimate.replacement import age_replacement_weibull, weibull_age_cost_rate
from failstats.show import charts
from failstats.show.cautions import caution_for_pair, cautions
from failstats.warehouse.session import Session

__all__ = ["Advice", "Policy", "policy"]

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


# --- pairs -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Risks:
    """Chances after a job, by draw: first entry of each array is the estimate itself.

    keep, both, passed : (1 + replicates, 2) within warranty and within the horizon; passed only
    after a hot test that the partner passed. bad : (1 + replicates,) share of hot tests that find
    the partner bad. horizon_days : as asked for, or as far as the records reach.
    """

    horizon_days: int
    keep: np.ndarray
    both: np.ndarray
    passed: np.ndarray | None
    bad: np.ndarray | None
    jobs: int
    hot_tests: int


def _hot_tests(session: Session, first: str, second: str) -> pd.DataFrame:
    """Jobs on which the first part was replaced and the partner tested hot: was it bad?"""
    return session.run("policy_hot_tests", first=first, second=second)


def _reach(jobs: pd.DataFrame, masks: list[pd.Series], horizon: int) -> int:
    """How many days of the horizon the records reach: enough jobs still followed in each arm."""
    for mask in masks:
        days = np.sort(jobs.loc[mask, "followed_days"].to_numpy())[::-1]
        if len(days) >= LEAST_AT_RISK:
            horizon = min(horizon, int(days[LEAST_AT_RISK - 1]))
    return horizon


def _risks(
    session: Session, jobs: pd.DataFrame, first: str, second: str, costs: Costs
) -> _Risks | None:
    tests = _hot_tests(session, first, second)
    clusters = sorted({*jobs["cluster_id"].astype(str), *tests["cluster_id"].astype(str)})
    place = {name: k for k, name in enumerate(clusters)}
    rng = np.random.default_rng(SEED)
    multiples = np.vstack([np.ones(len(clusters)), rng.poisson(1.0, size=(REPLICATES, len(clusters)))])
    both = jobs["both_replaced"]
    kept = ~both & ~jobs["partner_passed_hot"]
    passed = ~both & jobs["partner_passed_hot"]
    if min(both.sum(), kept.sum()) < FEWEST_INDEX_JOBS:
        return None
    hot = len(tests) >= FEWEST_HOT_TESTS and passed.sum() >= FEWEST_INDEX_JOBS
    horizon = _reach(jobs, [both, kept, *([passed] if hot else [])], int(costs["horizon.years"] * YEAR_DAYS))
    warranty = min(int(costs["warranty.days"]), horizon)
    windows = [max(warranty, 1), horizon]

    def incidence(mask: pd.Series) -> np.ndarray:
        arm = jobs[mask]
        weights = multiples[:, arm["cluster_id"].astype(str).map(place).to_numpy()]
        found = cumulative_incidence(
            arm["followed_days"].to_numpy(), event=arm["event"].to_numpy(), windows=windows, weights=weights
        )
        return found * [warranty > 0, 1.0]

    bad = None
    if hot:
        weights = multiples[:, tests["cluster_id"].astype(str).map(place).to_numpy()]
        total = weights.sum(axis=1)
        found_bad = weights @ tests["bad"].to_numpy(float)
        bad = np.divide(found_bad, total, out=np.zeros(len(total)), where=total > 0)
    return _Risks(
        horizon_days=horizon,
        keep=incidence(kept),
        both=incidence(both),
        passed=incidence(passed) if bad is not None else None,
        bad=bad,
        jobs=len(jobs),
        hot_tests=len(tests),
    )


def _return_cost(costs: Costs, price: float, risk: np.ndarray) -> np.ndarray:
    """Money for returns: unpaid within the warranty, a visit after it, and the part each time."""
    unpaid, later = costs["visit.return_unpaid"], costs["visit.visit_cost"]
    return risk[:, 0] * unpaid + (risk[:, 1] - risk[:, 0]) * later + risk[:, 1] * price


def _pair_costs(risks: _Risks, costs: Costs, first_price: float, second_price: float) -> dict[str, np.ndarray]:
    """Action -> cost per job by draw, the estimate first."""
    fit_partner = second_price + costs["parts.extra_minutes"] * costs.minute
    after_both = _return_cost(costs, first_price, risks.both)
    out = {"keep": _return_cost(costs, first_price, risks.keep)}
    if risks.bad is not None and risks.passed is not None:
        good = _return_cost(costs, first_price, risks.passed)
        test = costs["tests.hot_cycle_minutes"] * costs.minute
        out["test_hot"] = test + risks.bad * (fit_partner + after_both) + (1 - risks.bad) * good
    out["always"] = fit_partner + after_both
    return out


def _break_even(risks: _Risks, costs: Costs, first_price: float, second_price: float, least: str) -> list[Flip]:
    """Values of single figures at which another action becomes the cheapest, on the estimate."""

    def best(**changed: float) -> str:
        values = dict(costs.values)
        values |= {k: v for k, v in changed.items() if k != "partner_price"}
        used = Costs(currency=costs.currency, values=values, assumed=costs.assumed)  # type: ignore[arg-type]
        price = changed.get("partner_price", second_price)
        found = _pair_costs(risks, used, first_price, price)
        return min(found, key=lambda action: found[action][0])

    out = []
    looked = {
        "partner_price": second_price,
        "tests.hot_cycle_minutes": costs["tests.hot_cycle_minutes"],
        "visit.return_unpaid": costs["visit.return_unpaid"],
        "visit.visit_cost": costs["visit.visit_cost"],
    }
    for name, present in looked.items():
        start = max(present, 1.0)
        for factor in np.concatenate([np.geomspace(1, 20, 200), np.geomspace(1, 0.02, 200)]):
            if best(**{name: float(start * factor)}) != least:
                out.append(Flip(what=name, value=round(float(start * factor), 2)))
                break
    return out


def _prices(session: Session) -> dict[str, float]:
    """Part -> cheapest field-fit price."""
    frame = session.run("stg_catalogue")
    if frame.empty:
        return {}
    frame = frame[frame["field_fit"].fillna(True).astype(bool)]
    return {str(part): float(price) for part, price in frame.groupby("part")["price"].min().items()}


def _pair(
    session: Session, first: str, second: str, costs: Costs, prices: dict[str, float], level: float
) -> Advice | None:
    jobs = index_jobs(session, first, second)
    risks = _risks(session, jobs, first, second, costs)
    if risks is None:
        return None
    by_action = _pair_costs(risks, costs, prices[first], prices[second])
    names = list(by_action)
    drawn = np.column_stack([by_action[name] for name in names])
    usable = np.isfinite(drawn).all(axis=1)
    usable[0] = False  # the estimate itself is no draw
    found = decide(drawn[usable], names=names)
    tail = (1 - level) / 2
    limits = {n: np.quantile(by_action[n][usable], [tail, 1 - tail]) for n in names}
    saving = by_action["keep"] - by_action[found.least]
    low, high = np.quantile(100 * saving[usable], [tail, 1 - tail])
    currency = costs.currency
    name, other = text.words(first), text.words(second)
    span = f"the {text.years(risks.horizon_days)} after"
    do = {
        "keep": f"leave the {other} in unless a test shows it bad",
        "test_hot": f"test the {other} hot, not only cold, and replace it if it is bad",
        "always": f"replace the {other} too, every time",
    }[found.least]
    money = (
        f"{text.money(100 * saving[0], currency, decimals=0)} saved per 100 jobs against keeping it"
        f"{text.between((low, high), lambda v: text.money(v, currency, decimals=0))}"
    )
    flips = _break_even(risks, costs, prices[first], prices[second], found.least)
    if found.unclear:
        advice = (
            f"Unclear: when a {name} has failed, the least expected cost is to {do} ({money} over "
            f"{span}), but {text.words(found.runner_up)} may be as good: "
            f"{text.share(found.regret_share_over_5_percent)} of the draws lose more than 5 % by it."
        )
    elif found.least == "keep":
        advice = f"When a {name} has failed, {do}: the least cost over {span}."
    else:
        advice = f"When a {name} has failed, {do}: {money} over {span}."
    price_flip = next((f for f in flips if f.what == "partner_price"), None)
    if price_flip and not found.unclear:
        turn = "above" if price_flip.value > prices[second] else "below"
        advice += f" It would change with a {other} {turn} {text.money(price_flip.value, currency, decimals=0)}."
    return Advice(
        kind="pair",
        when=first,
        also=second,
        recommend=found.recommend,  # type: ignore[arg-type]
        threshold_days=None,
        money_optimum_days=None,
        costs=[
            ActionCost(
                action=n,
                per_job=float(by_action[n][0]),
                per_unit_year=None,
                ci=(float(limits[n][0]), float(limits[n][1])),
            )
            for n in names
        ],
        saving_per_100_jobs=float(100 * saving[0]),
        saving_ci=(float(low), float(high)),
        expected_regret=found.expected_regret,
        regret_share_over_5_percent=found.regret_share_over_5_percent,
        runner_up=found.runner_up,
        flips_if=flips,
        advice_text=advice,
        caution=caution_for_pair(first, second),
    )


# --- age ------------------------------------------------------------------------------------


def _age(found: Lives, costs: Costs, prices: dict[str, float], level: float) -> list[Advice]:
    """For every part with an honest fitted life: replace before it fails, or never?"""
    out = []
    for life in found.results:
        if life.stratum or life.model != "weibull" or not life.parameters or life.part not in prices:
            continue
        limits = life.parameters_ci or {}
        if not life.failures or any(None in (limits.get(k) or (None,)) for k in ("shape", "scale_days")):
            continue
        planned = prices[life.part] + costs["parts.extra_minutes"] * costs.minute
        failed = prices[life.part] + costs["visit.visit_cost"] + costs["parts.extra_minutes"] * costs.minute
        rng = np.random.default_rng(SEED)
        draws = {}
        for key in ("shape", "scale_days"):
            low, high = limits[key]
            error = np.log(high / low) / (2 * 1.959963984540054)
            draws[key] = np.exp(np.log(life.parameters[key]) + error * rng.standard_normal(REPLICATES))
        best = age_replacement_weibull(
            life.parameters["shape"], scale=life.parameters["scale_days"], planned_cost=planned, failure_cost=failed
        )
        ages = [best.interval] if best.interval is not None else []
        names = ["never", *(["if_older"] if ages else [])]
        columns = []
        for age in (np.inf, *ages):
            columns.append(
                [
                    float(
                        weibull_age_cost_rate(age, shape=s, scale=c, planned_cost=planned, failure_cost=failed)
                    )
                    * YEAR_DAYS
                    for s, c in zip(draws["shape"], draws["scale_days"], strict=True)
                ]
            )
        table = np.array(columns).T
        decision = decide(table, names=names)
        tail = (1 - level) / 2
        span = np.quantile(table, [tail, 1 - tail], axis=0)
        part = text.words(life.part)
        if decision.recommend == "if_older":
            said = (
                f"The {part}: replace at a visit made for something else once it is older than "
                f"{text.years(best.interval)}; a part that fails costs a visit of its own."
            )
        elif decision.recommend == "never":
            why = (
                "its failure rate does not rise with age"
                if life.parameters["shape"] <= 1
                else "waiting for the failure costs no more than replacing ahead of it"
            )
            said = f"The {part}: no replacement by age; {why}. The maker's instruction comes first."
        else:
            said = f"The {part}: the records cannot tell whether replacing it by age pays."
        rates = {"never": best.cost_rate_never, "if_older": best.cost_rate}
        out.append(
            Advice(
                kind="age",
                when=life.part,
                also=None,
                recommend=decision.recommend,  # type: ignore[arg-type]
                threshold_days=best.interval if decision.recommend == "if_older" else None,
                money_optimum_days=best.interval,
                costs=[
                    ActionCost(
                        action=name,
                        per_job=None,
                        per_unit_year=float((rates[name] or 0.0) * YEAR_DAYS),
                        ci=(float(span[0, k]), float(span[1, k])),
                    )
                    for k, name in enumerate(names)
                ],
                saving_per_100_jobs=None,
                saving_ci=None,
                expected_regret=decision.expected_regret,
                regret_share_over_5_percent=decision.regret_share_over_5_percent,
                runner_up=decision.runner_up,
                flips_if=[],
                advice_text=said,
                caution=cautions()[3],
            )
        )
    return out


# --- cleaning ---------------------------------------------------------------------------------


def _cleaning(found: Vents, costs: Costs, prices: dict[str, float]) -> Advice | None:
    """How often to clean in money, and what to advise: yearly at the latest."""
    by_part: dict[str, dict[str, VentEffect]] = {}
    for row in found.results:
        if row.role == "outcome" and row.hazard_ratio is not None and row.part in prices:
            by_part.setdefault(row.part, {})[row.contrast.removesuffix(f"_vs_{REFERENCE}")] = row
    used = {
        part: rows
        for part, rows in by_part.items()
        if {"12_to_24", "over_24"} <= set(rows) and rows["over_24"].verdict == "shortens"
    }
    if not used:
        return None
    rates = found.summary["reference_rate_per_day"]
    multiplier = [[1.0, rows["12_to_24"].hazard_ratio, rows["over_24"].hazard_ratio] for rows in used.values()]
    best = cleaning_interval(
        multiplier,
        starts_days=[0, 365, 730],
        rate_per_day=[rates[part] for part in used],
        failure_cost=[prices[part] + costs["visit.visit_cost"] for part in used],
        cleaning_cost=costs["cleaning.full_run"],
    )
    named = ", ".join(text.words(part) for part in used)
    money = (
        "in money alone a cleaning never pays for itself by the parts it spares"
        if best.money_days is None
        else f"in money alone, by the parts it spares ({named}), every {text.years(best.money_days)}"
    )
    return Advice(
        kind="cleaning",
        when="vent",
        also=None,
        recommend="always",
        threshold_days=best.advice_days,
        money_optimum_days=best.money_days,
        costs=[
            ActionCost(
                action=f"every_{best.advice_days:.0f}_days",
                per_job=None,
                per_unit_year=best.advice_cost_per_day * YEAR_DAYS,
                ci=(None, None),
            )
        ],
        saving_per_100_jobs=None,
        saving_ci=None,
        expected_regret=None,
        regret_share_over_5_percent=None,
        runner_up=None,
        flips_if=[],
        advice_text=f"Clean the vent over its full run every {best.advice_days:.0f} days at the latest, or "
        f"at the maker's interval if that is shorter: lint burns, and fire safety is not priced here "
        f"({money}).",
        caution=next(line for line in cautions() if line.startswith("Lint")),
    )


# --- the answer --------------------------------------------------------------------------------


def policy(
    session: Session,
    *,
    costs: Costs | None = None,
    confidence_level: float = 0.95,
    found_lives: Lives | None = None,
    found_vents: Vents | None = None,
    progress: Callable[[str], None] | None = None,
) -> Policy:
    """What rules should technicians follow, what do they save, and how sure is that?

    Parameters
    ----------
    costs : as `read_costs` gives them; the assumed defaults otherwise.
    found_lives, found_vents : answers of this session, if there are any already.
    progress : called with each step.

    Returns
    -------
    Policy : pair rules by saving, then age rules, then the cleaning rule.

    Notes
    -----
    Pairs: cost per job is what is done at once plus the first return within the horizon (as
    far as 20 jobs of each kind were followed), whose chances are read off the follow-on of jobs (keep: partner kept without a hot test; test hot: the share
    of hot tests that find it bad, and what follows a pass; always: both replaced). Draws are a
    Poisson bootstrap over units or buildings; the decision rule is that of `estimate.regret`.
    """
    used = costs or read_costs(currency=str(session.scalar("select value from raw.settings where name = 'currency'") or "USD"))
    prices = _prices(session)
    warnings = [Warning_(code=code, text=said) for code, said in session.warnings]
    assumed = used.warning()
    if assumed:
        warnings.append(Warning_(code=assumed[0], text=assumed[1]))
    rows: list[Advice] = []
    together = session.run("pairs_together")
    if not together.empty:
        sums = together.groupby(["first", "second"])["episodes_both"].sum()
        for (first, second), both in sums.items():
            if both < FEWEST_INDEX_JOBS or first not in prices or second not in prices:
                continue
            if progress:
                progress(f"{first} and {second}")
            advice = _pair(session, str(first), str(second), used, prices, confidence_level)
            if advice is not None:
                rows.append(advice)
    rows.sort(key=lambda row: -(row.saving_per_100_jobs or 0.0))
    if progress:
        progress("replacement by age")
    rows += _age(found_lives or lives(session, confidence_level=confidence_level), used, prices, confidence_level)
    if progress:
        progress("cleaning")
    cleaning = _cleaning(found_vents or vents(session, confidence_level=confidence_level), used, prices)
    if cleaning is not None:
        rows.append(cleaning)
    settings = {
        **session.choices,
        "currency": used.currency,
        "costs": {key: float(value) for key, value in used.values.items()},
        "costs_assumed": list(used.assumed),
        "horizon_days": int(used["horizon.years"] * YEAR_DAYS),
        "replicates": REPLICATES,
        "seed": SEED,
        "confidence_level": confidence_level,
    }
    summary = {
        "rules": len(rows),
        "pairs": [f"{row.when} + {row.also}: {row.recommend}" for row in rows if row.kind == "pair"],
        "prices": prices,
        "cautions": list(cautions()),
        "without_catalogue": not prices,
    }
    return Policy(
        as_of=session.as_of.isoformat(),
        settings=settings,
        warnings=tuple(warnings),
        summary=summary,
        results=tuple(rows),
    )
