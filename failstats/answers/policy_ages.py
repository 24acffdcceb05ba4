"""Replace a part before it fails, at some age, or never? In money, from the life of `lives`."""

from __future__ import annotations

import numpy as np

from failstats.answers import wording as text
from failstats.answers.costs import Costs
from failstats.answers.headline import headline_life
from failstats.answers.lives_fits import Selection, risk_table, silent_parts
from failstats.answers.policy_laws import SEED, YEAR_DAYS, in_service, service_life, watched
from failstats.answers.policy_rows import ActionCost, Advice
from failstats.counts.risk_table import RiskTable
from failstats.estimate.curves import kaplan_meier
from failstats.estimate.life_models import FittedLife
from failstats.estimate.regret import decide
from failstats.estimate.replacement import (
    ReplacementPolicy,
    age_replacement_curve,
    age_replacement_weibull,
    weibull_age_cost_rate,
)
from failstats.show.cautions import SAFETY_PARTS, cautions
from failstats.warehouse.session import Session

__all__ = ["age_advice"]

REPLICATES = 1000
FEWEST_FAILURES = 20


def age_advice(
    session: Session, costs: Costs, prices: dict[str, float], level: float
) -> tuple[list[Advice], dict[str, str]]:
    """A row for every part with an honest fitted life, and why others have none.

    Parameters
    ----------
    prices : of the parts that can be fitted. level : of the intervals.

    Notes
    -----
    Failures of the part alone make its life: tripped parts left whole, as in `lives`. A part that
    fails unseen, or that another one trips, has no row: what its failure costs is another part's.
    """
    silent = silent_parts(session)
    rows, left_out = [], {}
    for part in sorted(prices):
        if part in silent:
            left_out[part] = "fails unseen, or is tripped by a part that does; see the pairs"
            continue
        found = headline_life(session, part).found
        if not isinstance(found, FittedLife) or found.model != "weibull":
            left_out[part] = "no single life is stated"
        elif found.failures < FEWEST_FAILURES:
            left_out[part] = f"only {found.failures:.0f} failures"
        else:
            rows.append(_one(session, part, found, costs, prices[part], level))
    return rows, left_out


def _draws(life: FittedLife) -> np.ndarray:
    """(replicates, 2) shape and scale under the doubt of the fit."""
    rng = np.random.default_rng(SEED)
    covariance = np.array(life.covariance)
    drawn = rng.multivariate_normal(life.theta, (covariance + covariance.T) / 2, size=REPLICATES)
    return np.asarray(np.exp(drawn))


def _table(session: Session, part: str) -> RiskTable | None:
    """Own failures by age, known births: trips are another cause."""
    tables = risk_table(session, part, Selection())
    return next(iter(tables.values())).only("failed") if tables else None


def _one(
    session: Session, part: str, life: FittedLife, costs: Costs, price: float, level: float
) -> Advice:
    fitting = costs["parts.extra_minutes"] * costs.minute
    planned, failed = price + fitting, price + fitting + costs["visit.visit_cost"]
    money = {"planned_cost": planned, "failure_cost": failed}
    shape, scale = life.parameters["shape"], life.parameters["scale"]
    best = age_replacement_weibull(shape, scale=scale, **money)
    draws = _draws(life)
    optima = np.array(
        [
            age_replacement_weibull(k, scale=s, **money).interval or np.inf
            for k, s in draws[: REPLICATES // 2]
        ]
    )
    tail = (1 - level) / 2
    ends = np.quantile(optima, [tail, 1 - tail], method="nearest")
    ci = tuple(float(end) if np.isfinite(end) else None for end in ends)
    seen = watched(session, part)
    curve = _by_curve(_table(session, part), money, seen)
    ages = [best.interval] if best.interval is not None else []
    names = ["never", *(["if_older"] if ages else [])]
    columns = [
        [float(weibull_age_cost_rate(age, shape=k, scale=s, **money)) * YEAR_DAYS for k, s in draws]
        for age in (np.inf, *ages)
    ]
    priced = np.array(columns).T
    decision = decide(priced, names=names)
    span = np.quantile(priced, [tail, 1 - tail], axis=0)
    rates = {"never": best.cost_rate_never, "if_older": best.cost_rate}
    low, _ = life.interval(level)["shape"]
    recommend, said = _words(
        session, part, best, curve, decision.recommend, seen, (shape, float(low)), ci
    )
    saving = None
    if best.interval is not None and best.cost_rate_never:
        saving = 1 - best.cost_rate / best.cost_rate_never
    if recommend == "if_older" and saving is not None:
        said += f" It saves {text.share(saving)} of what the part costs when it is run to failure."
    return Advice(
        kind="age",
        when=part,
        also=None,
        recommend=recommend,  # type: ignore[arg-type]
        threshold_days=best.interval if recommend == "if_older" else None,
        money_optimum_days=best.interval,
        costs=[
            ActionCost(
                action=name,
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
        experiment=None,
        advice_text=said,
        caution=cautions()[3] if part in SAFETY_PARTS else cautions()[1],
        least=decision.least,
        threshold_ci=ci if best.interval is not None else None,  # type: ignore[arg-type]
        curve_optimum_days=None if curve is None else curve.interval,
    )


def _by_curve(
    table: RiskTable | None, money: dict[str, float], last: float
) -> ReplacementPolicy | None:
    """The best age by the survival curve alone, as far as it was watched."""
    if table is None:
        return None
    curve = kaplan_meier(table)
    inside = (np.asarray(curve.age) > 0) & (np.asarray(curve.age) <= last)
    if inside.sum() < 2:
        return None
    return age_replacement_curve(
        np.asarray(curve.age, dtype=float)[inside],
        survival=np.asarray(curve.survival)[inside],
        step=False,
        **money,
    )


def _words(
    session: Session,
    part: str,
    best: ReplacementPolicy,
    curve: ReplacementPolicy | None,
    recommend: str,
    seen: float,
    shape: tuple[float, float],
    ci: tuple[float | None, ...],
) -> tuple[str, str]:
    """The recommendation after what the records can reach, and how it is said."""
    name = text.words(part)
    maker = "The maker's instruction comes first."
    if part in SAFETY_PARTS:
        maker = (
            "It is a safety part: it is replaced at the maker's age or sooner whatever it costs, "
            "and never run beyond it. One that tripped or failed is never just replaced: find the "
            "cause."
        )
    if best.interval is not None and recommend != "never":
        stays = service_life(session)
        reached = in_service(stays, np.zeros(1), np.array([best.interval]))[0]
        said = text.years(best.interval) + _span(ci)
        if best.interval > seen:
            return "unclear", (
                f"The {name}: not before {text.years(seen)}; whether later, the records cannot "
                f"tell (the fitted life says {said}, older than any that was watched). {maker}"
            )
        if recommend == "if_older":
            also = ""
            if curve is not None:
                also = (
                    f" The curve without a formula says {text.years(curve.interval)}."
                    if curve.interval is not None
                    else " The curve without a formula shows no gain as far as it was watched."
                )
            if stays is not None and reached < 0.5:
                also += f" Only {text.share(float(reached))} of units are still in service by then."
            return recommend, (
                f"The {name}: replace it at a visit made for something else once it is older than "
                f"{said}; a part that fails costs a visit of its own.{also} {maker}"
            )
    if recommend == "unclear":
        return recommend, (
            f"The {name}: the records cannot tell whether replacing it by age pays. {maker}"
        )
    why = (
        "its failure rate does not rise with age"
        if shape[0] <= 1
        else "whether its failure rate rises with age is not sure, and little would be saved"
        if shape[1] <= 1
        else "waiting for the failure costs no more than replacing ahead of it"
    )
    return "never", f"The {name}: no replacement by age; {why}. {maker}"


def _span(ci: tuple[float | None, ...]) -> str:
    if ci[0] is None:
        return ""
    if ci[1] is None:
        return f" ({text.years(ci[0])} to never)"
    return text.between(ci, text.years)
