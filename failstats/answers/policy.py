"""Which parts do we replace in pairs, by age, and how often do we clean? In money and in doubt."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, replace
from typing import Any

from failstats.answers.costs import Costs, read_costs
from failstats.answers.drawn import drawn, said_of
from failstats.answers.policy_ages import age_advice
from failstats.answers.policy_cleaning import cleaning_advice
from failstats.answers.policy_history import PLAYED_DAYS, play_history
from failstats.answers.policy_laws import (
    FEWEST_JOBS,
    SEED,
    YEAR_DAYS,
    PairCase,
    pair_case,
    pair_money,
    practice,
    prices_of,
    service_life,
)
from failstats.answers.policy_pairs import pair_advice
from failstats.answers.policy_rows import Advice, Policy
from failstats.answers.policy_stock import with_stock
from failstats.answers.policy_what_if import shown_pairs
from failstats.answers.result import Warning_
from failstats.answers.vents import Vents, vents
from failstats.answers.wording import words
from failstats.estimate.pair_draws import DRAWS
from failstats.estimate.pair_law import PairAction
from failstats.progress import Stages, each
from failstats.show.cautions import cautions
from failstats.warehouse.session import Session

__all__ = ["Advice", "Policy", "policy"]

STOCKING, STOCKING_TAKES = "the vans stocked for the rules", 20.0
TIMES = {  # seconds on the demo
    "the lives of each pair": 8.0,
    "the rules of each pair": 8.0,
    "replacement by age": 0.5,
    "cleaning": 8.0,
}
UNSEEN_TAKES = 20.0  # times as long as a pair that fails openly


def _cases(
    session: Session, prices: dict[str, float], progress: Callable[[str], None] | None
) -> tuple[list[PairCase], dict[str, str]]:
    """The ordered pairs with enough data, and why others are left out."""
    together = session.run("pairs_together")
    if together.empty:
        return [], {}
    jobs = together.groupby(["first", "second"])["episodes_first"].sum()
    cases, left_out = [], {}
    enough = [pair for pair, number in jobs.items() if number >= FEWEST_JOBS]
    for first, second in each(
        progress, enough, lambda pair: f"the lives of {words(pair[0])} and {words(pair[1])}"
    ):
        name = f"{first} + {second}"
        if first not in prices or second not in prices:
            left_out[name] = "no price of an item that can be fitted on a visit"
            continue
        found = pair_case(session, str(first), str(second))
        if isinstance(found, str):
            left_out[name] = found
        else:
            cases.append(found)
    return cases, left_out


def policy(
    session: Session,
    *,
    costs: Costs | None = None,
    confidence_level: float = 0.95,
    found_vents: Vents | None = None,
    plan: Callable[[list[str]], Any] | None = None,
    progress: Callable[[str], None] | None = None,
) -> Policy:
    """What rules should technicians follow, what do they save, and how sure is that?

    Parameters
    ----------
    costs : as `read_costs` gives them; the assumed defaults otherwise.
    found_vents : the vents answer of this session, if there is one already.
    plan : stock lists under pair rules; then every rule is also weighed with what is on the vans.
    progress : called with each step.

    Returns
    -------
    Policy : pair rules by saving, then age rules, then the cleaning rule.

    Notes
    -----
    A pair is followed as a semi-Markov process in the ages of both parts and the hidden state of
    the partner (`estimate.pair_model`), its parameters drawn from the fit; the decision rule is
    that of `estimate.regret`, on the cost per job over the horizon, units leaving service as the
    records say. The same costs in the long run stand beside it.
    """
    used = costs or read_costs(
        currency=str(
            session.scalar("select value from raw.settings where name = 'currency'") or "USD"
        )
    )
    times = {**TIMES, **({"cleaning": 0.1} if found_vents else {})}
    stage = Stages(progress, times if plan is None else {**times, STOCKING: STOCKING_TAKES})
    stage("the lives of each pair")
    prices = prices_of(session)
    warnings = [*said_of(session), *drawn(session)]
    assumed = used.warning()
    if assumed:
        warnings.append(Warning_(code=assumed[0], text=assumed[1]))
    cases, left_out = _cases(session, prices, progress)
    rows: list[Advice] = []
    last_years: list[dict[str, Any]] = []
    choices: list[dict[str, Any]] = []
    stage("the rules of each pair")
    for case in each(
        progress,
        cases,
        lambda case: f"{words(case.first)} and {words(case.second)}",
        weigh=lambda case: UNSEEN_TAKES if case.kind == "unseen" else 1.0,
    ):
        advice = pair_advice(session, case, used, prices, confidence_level, positions=choices)
        rows.append(advice)
        if case.kind == "unseen":
            if progress:
                name = f"{words(case.first)} and {words(case.second)}"
                progress(f"{name}: the last two years under each rule")
            last_years += _last_years(session, case, advice, used, prices, confidence_level)
        warnings += _disagreements(advice)
    rows.sort(key=lambda row: (row.recommend == "keep", -(row.saving_per_100_jobs or 0.0)))
    stage("replacement by age")
    ages, without_age = age_advice(session, used, prices, confidence_level)
    rows += ages
    stage("cleaning")
    rows.append(
        cleaning_advice(
            found_vents or vents(session, confidence_level=confidence_level, progress=progress),
            used,
            prices,
        )
    )
    life = service_life(session)
    settings = {
        **session.choices,
        "currency": used.currency,
        "costs": {key: float(value) for key, value in used.values.items()},
        "costs_assumed": list(used.assumed),
        "costs_file": used.file,
        "horizon_days": int(used["horizon.years"] * YEAR_DAYS),
        "played_days": PLAYED_DAYS,
        "draws": DRAWS,
        "seed": SEED,
        "confidence_level": confidence_level,
    }
    summary = {
        "rules": len(rows),
        "pairs": [
            f"{row.when} + {row.also}: {row.recommend}" for row in rows if row.kind == "pair"
        ],
        "no_rule_for": {**left_out, **without_age},
        "prices": prices,
        "unit_life": None
        if life is None
        else {"shape": life.parameters["shape"], "scale_days": life.parameters["scale"]},
        "last_years": last_years,
        "what_if": {
            "currency": used.currency,
            "prices": prices,
            "choices": shown_pairs(rows, choices),
        },
        "cautions": list(cautions()),
        "without_catalogue": not prices,
    }
    answer = Policy(
        as_of=session.as_of.isoformat(),
        settings=settings,
        warnings=tuple(warnings),
        summary=summary,
        results=tuple(rows),
    )
    if plan is None:
        return answer
    stage(STOCKING)
    both = [
        asdict(row) for row in with_stock(session, answer, costs=used, plan=plan, progress=progress)
    ]
    return replace(answer, summary={**summary, "with_stock": both})


def _last_years(
    session: Session,
    case: PairCase,
    advice: Advice,
    costs: Costs,
    prices: dict[str, float],
    level: float,
) -> list[dict[str, Any]]:
    """The rules of one pair over the last two years, as the summary holds them."""
    checks = practice(session, case.first, case.second).checks_per_day
    rules = {
        "keep": PairAction(name="keep", checks_per_day=checks),
        "test_hot": PairAction(name="test_hot", hot=1.0, checks_per_day=checks),
        "if_older": PairAction(
            name="if_older",
            replaced=1.0,
            older_than_days=advice.threshold_days or 0.0,
            checks_per_day=checks,
        ),
        "always": PairAction(name="always", replaced=1.0, checks_per_day=checks),
    }
    money = pair_money(costs, prices[case.first], prices[case.second])
    actions = [rules[cost.action] for cost in advice.costs]
    return [asdict(row) for row in play_history(session, case, actions, money, level)]


def _disagreements(advice: Advice) -> list[Warning_]:
    """Where the model expects another share of returns than was seen."""
    far = [seen for seen in advice.followed or [] if not seen.ci[0] <= seen.expected <= seen.ci[1]]
    return [
        Warning_(
            code="models_disagree",
            text=f"{advice.when} and {advice.also}, {seen.action.replace('_', ' ')}: within "
            f"{seen.window_days} days {seen.seen:.1%} of {seen.jobs} jobs were followed by another "
            f"failure ({seen.ci[0]:.1%} to {seen.ci[1]:.1%}), the model expects "
            f"{seen.expected:.1%} for jobs under contract with parts of known age.",
        )
        for seen in far
    ]
