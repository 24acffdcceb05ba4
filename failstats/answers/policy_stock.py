"""The rule changes what jobs need, and what is on the van changes what the rule can do: one pass.

A partner that is not on the van cannot be fitted. The rule goes into the stock lists, the lists say
on what share of the jobs the partner is there, and the rule is weighed again with that share.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from failstats.answers.costs import Costs
from failstats.answers.policy_laws import pair_case
from failstats.answers.policy_pairs import pair_advice
from failstats.answers.policy_rows import Advice, Policy
from failstats.estimate.stock_levels import poisson_loss
from failstats.progress import Stages, each
from failstats.warehouse.session import Session

__all__ = ["WithStock", "on_the_van", "stock_rule", "with_stock"]

TIMES = {  # seconds on the demo
    "the vans without the rules": 12.0,
    "the vans stocked for the rules": 8.0,
    "each rule with what is on the vans": 5.0,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class WithStock:
    """One pair rule before and after the vans are stocked for it.

    rule : as the stock lists took it. on_van : share of the jobs on which the partner is there.
    recommend, saving_per_100_jobs, saving_ci : with the partner always there, and as stocked.
    completion, spend : of the vans without the rule and with it.
    """

    when: str
    also: str
    rule: str
    on_van: float
    recommend: str
    saving_per_100_jobs: float
    saving_ci: tuple[float, float]
    recommend_as_stocked: str
    saving_as_stocked: float
    saving_as_stocked_ci: tuple[float, float]
    completion_without: float
    completion_with: float
    spend_without: float
    spend_with: float


def stock_rule(row: Advice) -> str | None:
    """A pair rule as `stock --pair` takes it; None where nothing changes.

    An age rule is stocked as if every partner were old: the van must be ready for one that is.
    """
    action = {"always": "always", "if_older": "always", "test_hot": "test_hot"}.get(row.recommend)
    return None if row.kind != "pair" or action is None else f"{row.when}+{row.also}={action}"


def on_the_van(
    lists: Sequence[Any], part: str, *, per_job: float, other_per_job: float
) -> float | None:
    """Share of a part's needs that the lists meet.

    Parameters
    ----------
    lists : rows of `stock`: quantity by item, jobs expected between restocks.
    part : the part. per_job : how many a job takes by the rule; other_per_job : by its failures.

    Returns
    -------
    Needs met over needs, jobs coming at random; None where nothing is needed.

    Notes
    -----
    A van's use between restocks is Poisson; items of a part stand for each other.
    """
    needed = met = 0.0
    for row in lists:
        mean = row.jobs_expected * (per_job + other_per_job)
        if mean <= 0:
            continue
        carried = sum(item.quantity for item in row.items if item.part == part)
        needed += mean
        met += mean - float(poisson_loss([carried], mean=mean)[0])
    return met / needed if needed > 0 else None


def _shares(session: Session, row: Advice) -> tuple[float, float]:
    """Per call-out: jobs on which the rule fits the partner at most, and its failures elsewhere."""
    frame = session.run("pairs_together")
    frame = frame[(frame["first"] == row.when) & (frame["second"] == row.also)]
    total = float(frame["episodes_total"].sum())
    first, both = (float(frame[name].sum()) for name in ("episodes_first", "episodes_both"))
    second = float(frame["episodes_second"].sum())
    return first / max(total, 1.0), max(second - both, 0.0) / max(total, 1.0)


def with_stock(
    session: Session,
    answer: Policy,
    *,
    costs: Costs,
    plan: Callable[[list[str]], Any],
    without: Any | None = None,
    progress: Callable[[str], None] | None = None,
) -> list[WithStock]:
    """Each pair rule that fits a partner, before and after the vans are stocked for it.

    Parameters
    ----------
    answer : the policy. costs : as it used. plan : stock lists under rules FIRST+SECOND=ACTION.
    without : the lists without any rule, where they are there already.
    progress : called with each step.
    """
    level = float(answer.settings["confidence_level"])
    rules = {stock_rule(row): row for row in answer.results if stock_rule(row) is not None}
    if not rules:
        return []
    stage = Stages(progress, TIMES)
    stage("the vans without the rules")
    before = without if without is not None else plan([])
    stage("the vans stocked for the rules")
    after = plan([rule for rule in rules if rule is not None])
    out = []
    stage("each rule with what is on the vans")
    for rule, row in each(progress, rules.items(), lambda item: f"{item[0]}, as stocked"):
        first, elsewhere = _shares(session, row)
        there = on_the_van(after.results, row.also or "", per_job=first, other_per_job=elsewhere)
        case = pair_case(session, row.when, row.also or "")
        if there is None or isinstance(case, str) or rule is None:
            continue
        again = pair_advice(session, case, costs, answer.summary["prices"], level, available=there)
        out.append(
            WithStock(
                when=row.when,
                also=row.also or "",
                rule=rule,
                on_van=there,
                recommend=row.recommend,
                saving_per_100_jobs=row.saving_per_100_jobs or 0.0,
                saving_ci=row.saving_ci or (0.0, 0.0),
                recommend_as_stocked=again.recommend,
                saving_as_stocked=again.saving_per_100_jobs or 0.0,
                saving_as_stocked_ci=again.saving_ci or (0.0, 0.0),
                completion_without=_completion(before),
                completion_with=_completion(after),
                spend_without=float(sum(one.spend for one in before.results)),
                spend_with=float(sum(one.spend for one in after.results)),
            )
        )
    return out


def _completion(lists: Any) -> float:
    """Share of the jobs of all vans finished on the first visit."""
    jobs = sum(row.jobs_expected for row in lists.results)
    return float(sum(row.jobs_expected * row.completion for row in lists.results) / max(jobs, 1e-9))
