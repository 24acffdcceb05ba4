"""Which parts do we replace in pairs, by age, and how often do we clean? In money and in doubt."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import stats

from failstats.answers import wording as text
from failstats.answers.costs import Costs, read_costs
from failstats.answers.lives import Lives, lives
from failstats.answers.pairs import FEWEST_INDEX_JOBS
from failstats.answers.policy_pairs import REPLICATES, SEED, YEAR_DAYS, pair_advice, prices_of
from failstats.answers.policy_rows import ActionCost, Advice, Policy
from failstats.answers.result import Warning_
from failstats.answers.vents import REFERENCE, VentEffect, Vents, vents
from failstats.estimate.cleaning import cleaning_interval
from failstats.estimate.regret import decide
from failstats.estimate.replacement import age_replacement_weibull, weibull_age_cost_rate
from failstats.show.cautions import cautions
from failstats.warehouse.session import Session

__all__ = ["Advice", "Policy", "policy"]

# --- age ------------------------------------------------------------------------------------


def _age(found: Lives, costs: Costs, prices: dict[str, float], level: float) -> list[Advice]:
    """For every part with an honest fitted life: replace before it fails, or never?"""
    out = []
    z = float(stats.norm.ppf(0.5 + float(found.settings["confidence_level"]) / 2))
    for life in found.results:
        if (
            life.stratum
            or life.model != "weibull"
            or not life.parameters
            or life.part not in prices
        ):
            continue
        if not life.curve:
            continue  # fails unseen, or is tripped: the cost of its failure is another part's
        limits = life.parameters_ci or {}
        if not life.failures or any(
            None in (limits.get(k) or (None,)) for k in ("shape", "scale_days")
        ):
            continue
        planned = prices[life.part] + costs["parts.extra_minutes"] * costs.minute
        failed = (
            prices[life.part]
            + costs["visit.visit_cost"]
            + costs["parts.extra_minutes"] * costs.minute
        )
        rng = np.random.default_rng(SEED)
        draws = {}
        for key in ("shape", "scale_days"):
            low, high = limits[key]
            error = np.log(high / low) / (2 * z)
            draws[key] = np.exp(
                np.log(life.parameters[key]) + error * rng.standard_normal(REPLICATES)
            )
        best = age_replacement_weibull(
            life.parameters["shape"],
            scale=life.parameters["scale_days"],
            planned_cost=planned,
            failure_cost=failed,
        )
        ages = [best.interval] if best.interval is not None else []
        names = ["never", *(["if_older"] if ages else [])]
        columns = []
        for age in (np.inf, *ages):
            columns.append(
                [
                    float(
                        weibull_age_cost_rate(
                            age, shape=s, scale=c, planned_cost=planned, failure_cost=failed
                        )
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
        recommend = decision.recommend
        watched = life.followed_to_days or 0.0
        if recommend == "if_older" and best.interval is not None and best.interval > watched:
            recommend = "unclear"
            said = (
                f"The {part}: not before {text.years(watched)}; whether later, the records cannot "
                f"tell (the fitted life says {text.years(best.interval)}, older than any that was "
                "watched). The maker's instruction comes first."
            )
        elif recommend == "if_older":
            said = (
                f"The {part}: replace at a visit made for something else once it is older than "
                f"{text.years(best.interval)}; a part that fails costs a visit of its own."
            )
        elif recommend == "never":
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
                recommend=recommend,  # type: ignore[arg-type]
                threshold_days=best.interval if recommend == "if_older" else None,
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
    multiplier = [
        [1.0, rows["12_to_24"].hazard_ratio, rows["over_24"].hazard_ratio] for rows in used.values()
    ]
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
    used = costs or read_costs(
        currency=str(
            session.scalar("select value from raw.settings where name = 'currency'") or "USD"
        )
    )
    prices = prices_of(session)
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
            advice = pair_advice(session, str(first), str(second), used, prices, confidence_level)
            if advice is not None:
                rows.append(advice)
    rows.sort(key=lambda row: -(row.saving_per_100_jobs or 0.0))
    if progress:
        progress("replacement by age")
    rows += _age(
        found_lives or lives(session, confidence_level=confidence_level),
        used,
        prices,
        confidence_level,
    )
    if progress:
        progress("cleaning")
    cleaning = _cleaning(
        found_vents or vents(session, confidence_level=confidence_level), used, prices
    )
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
        "pairs": [
            f"{row.when} + {row.also}: {row.recommend}" for row in rows if row.kind == "pair"
        ],
        "prices": prices,
        "cautions": list(cautions()),
        "without_catalogue": not prices,
        "follow_on": "crude, as seen; pairs states the difference weighted for indication beside it",
    }
    return Policy(
        as_of=session.as_of.isoformat(),
        settings=settings,
        warnings=tuple(warnings),
        summary=summary,
        results=tuple(rows),
    )
