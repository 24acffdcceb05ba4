"""The pair rules of `policy`: what each action costs, which one to take, what would change it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from failstats.answers import wording as text
from failstats.answers.costs import Costs
from failstats.answers.policy_laws import (
    SEED,
    YEAR_DAYS,
    PairCase,
    in_service,
    pair_money,
    practice,
    service_life,
)
from failstats.answers.policy_rows import (
    ActionCost,
    Advice,
    Experiment,
    Flip,
    Followed,
    NextRecord,
    Today,
    experiment_text,
)
from failstats.answers.policy_what_if import what_if_rows
from failstats.estimate.follow_on import cumulative_incidence
from failstats.estimate.life_models import FittedLife
from failstats.estimate.pair_law import PairAction, PairMoney
from failstats.estimate.pair_model import STEPS, expected_pair_costs, pair_cost_rate
from failstats.estimate.pair_policy import (
    AGES,
    WeighedPair,
    break_even,
    jobs_that_settle,
    resolved,
    weigh_pair,
)
from failstats.estimate.pair_simulation import PairUnits, PlayedPairs, play_pairs
from failstats.estimate.regret import LARGE_REGRET
from failstats.show.cautions import caution_for_pair
from failstats.warehouse.session import Session

__all__ = ["pair_advice"]

LONG_RUN_DRAWS = 40  # of the interval of the long-run cost
PLAIN_LONG_RUN_DRAWS = 20
FOLLOW_DAYS = 365
PLAYED = 20_000  # jobs played for spreads and for what follows within a year
REPLICATES = 300
FEWEST_SEEN = 20
RECENT_DAYS = 730
#: Of the cost per job. A rule about a working part that another failure says nothing of has to
#: save this much; below, leaving it in is its near-twin, and the simpler.
LEAST_SAVING = 0.02
PLAIN_STEPS = 30
LONG_RUN_STEPS = 64
PLAIN_LONG_RUN_STEPS = 32


def pair_advice(
    session: Session,
    case: PairCase,
    costs: Costs,
    prices: dict[str, float],
    level: float,
    *,
    available: float = 1.0,
    positions: list[dict[str, Any]] | None = None,
) -> Advice:
    """One row of `policy`.

    Parameters
    ----------
    case : the pair, its law and its jobs. prices : of the parts. level : of the intervals.
    available : share of the jobs on which the partner is on the van.
    positions : the rules at other prices are added to it.
    """
    money = pair_money(costs, prices[case.first], prices[case.second])
    if case.start.failed == "second":
        # the part that failed is the model's second: its partner is the model's first
        money = replace(money, first_price=prices[case.second], second_price=prices[case.first])
    horizon = costs["horizon.years"] * YEAR_DAYS
    steps = STEPS if case.kind == "unseen" else PLAIN_STEPS
    life = service_life(session)
    ages = case.frame["unit_age_days"].dropna().to_numpy(float)
    staying = in_service(life, ages[ages >= 0], np.linspace(0, horizon, steps + 1))
    tried = None
    if case.watched_days is not None:
        tried = [age * YEAR_DAYS for age in AGES if age * YEAR_DAYS <= case.watched_days]
    weighed = weigh_pair(
        case.law, start=case.start, money=money, horizon_days=horizon, base=case.base,
        in_service=staying, steps=steps, ages_days=tried, available=available,
    )  # fmt: skip
    if positions is not None:
        positions += what_if_rows(case, weighed, money, level)
    today = _today(session, case, weighed, money, horizon, staying, steps, level)
    rates = _long_run(case, weighed, money, life)
    tail = (1 - level) / 2
    rows = []
    for k, action in enumerate(weighed.actions):
        low, high = np.quantile(rates[1:, k], [tail, 1 - tail])
        rows.append(
            ActionCost(
                action=action.name,
                per_unit_year=float(rates[0, k]),
                ci=(float(low), float(high)),
                per_job=float(weighed.estimate[k]),
                per_job_ci=weighed.interval(action.name, level),
            )
        )
    saving, low, high = weighed.saving(level)
    found = weighed.decision
    recommend, runner_up = found.recommend, found.runner_up
    regret, large = found.expected_regret, found.regret_share_over_5_percent
    if not _worthwhile(case, weighed):
        recommend, runner_up, saving, low, high = "keep", found.least, 0.0, 0.0, 0.0
        kept = weighed.costs[:, weighed.at("keep")]
        lost = kept - weighed.costs.min(axis=1)
        regret, large = float(lost.mean()), float(np.mean(lost > LARGE_REGRET * kept))
    flips = _flips(case, weighed, costs, money)
    unclear = recommend == "unclear"
    experiment = _experiment(session, case, weighed, money) if unclear else None
    values = [
        NextRecord(what=what, regret_cut_per_100_jobs=100 * resolved(weighed, parameters))
        for what, parameters in case.parameters.items()
    ]
    values = [v for v in values if v.regret_cut_per_100_jobs > 0]
    values.sort(key=lambda v: -v.regret_cut_per_100_jobs)
    long_run = weighed.names[int(np.argmin(rates[0]))]
    said = _words(
        case, weighed, flips, experiment, 100 * saving, (100 * low, 100 * high), costs.currency,
        horizon, money, long_run, today,
    )  # fmt: skip
    return Advice(
        kind="pair",
        when=case.first,
        also=case.second,
        recommend=recommend,  # type: ignore[arg-type]
        threshold_days=weighed.threshold_days,
        money_optimum_days=None,
        costs=rows,
        saving_per_100_jobs=100 * saving,
        saving_ci=(100 * low, 100 * high),
        expected_regret=regret,
        regret_share_over_5_percent=large,
        runner_up=runner_up,
        flips_if=flips,
        experiment=experiment,
        advice_text=said,
        caution=caution_for_pair(case.first, case.second),
        least=found.least,
        long_run_least=long_run,
        horizon_days=round(horizon),
        jobs=case.jobs,
        unit_count=min(case.jobs, _units(case)),
        next_record=values or None,
        followed=_followed(case, weighed, money, level) or None,
        today=today,
    )


def _units(case: PairCase) -> int:
    """On how many units the pair was seen with the partner's age known."""
    known = case.frame["partner_was_days"].notna()
    return int(case.frame.loc[known, "unit_id"].nunique())


def _worthwhile(case: PairCase, weighed: WeighedPair) -> bool:
    """Whether a rule about two parts that do not touch each other saves enough to be followed."""
    cost = weighed.decision.expected_cost
    spared = float(cost[weighed.at("keep")] - cost[weighed.least])
    return case.kind != "apart" or spared >= LEAST_SAVING * float(cost[weighed.at("keep")])


def _long_run(
    case: PairCase, weighed: WeighedPair, money: PairMoney, life: FittedLife | None
) -> np.ndarray:
    """(1 + draws, actions) money per unit and year."""
    plain = case.kind == "apart"
    wanted = PLAIN_LONG_RUN_DRAWS if plain else LONG_RUN_DRAWS
    steps = PLAIN_LONG_RUN_STEPS if plain else LONG_RUN_STEPS
    rows = np.arange(min(case.law.draws, wanted + 1))
    law = case.law.only(rows)
    unit_life = None
    if life is not None:
        unit_life = (life.parameters["shape"], life.parameters["scale"])
    rates = [
        pair_cost_rate(law, action=action, money=money, unit_life=unit_life, steps=steps)
        for action in weighed.actions
    ]
    return np.stack(rates, axis=1) * YEAR_DAYS


def _today(
    session: Session,
    case: PairCase,
    weighed: WeighedPair,
    money: PairMoney,
    horizon: float,
    staying: np.ndarray,
    steps: int,
    level: float,
) -> Today | None:
    """What is done now, and what the rule of least cost saves against that."""
    if case.kind != "unseen":
        return None
    done = practice(session, case.first, case.second)
    cost = expected_pair_costs(
        case.law, start=case.start, action=done.action(), money=money, horizon_days=horizon,
        in_service=staying, steps=steps,
    ).money  # fmt: skip
    saved = cost[1:] - weighed.costs[:, weighed.least]
    tail = (1 - level) / 2
    low, high = np.quantile(saved, [tail, 1 - tail])
    return Today(
        hot_tests=done.hot,
        replaced_unasked=done.replaced,
        per_job=float(cost[0]),
        saving_per_100_jobs=100 * float(cost[0] - weighed.estimate[weighed.least]),
        saving_ci=(100 * float(low), 100 * float(high)),
    )


def _flips(
    case: PairCase,
    weighed: WeighedPair,
    costs: Costs,
    money: PairMoney,
) -> list[Flip]:
    """Values of single figures at which another action becomes the cheapest, on the estimate."""
    present = {
        "partner_price": money.first_price if case.start.failed == "second" else money.second_price,
        "tests.hot_cycle_minutes": costs["tests.hot_cycle_minutes"],
        "visit.return_unpaid": money.unpaid,
        "visit.visit_cost": money.visit,
    }
    out = []
    taken_by = {name: amounts[0] for name, amounts in weighed.amounts.items()}
    partner = "first_parts" if case.start.failed == "second" else "second_parts"
    amounts = {
        "partner_price": taken_by[partner],
        "tests.hot_cycle_minutes": taken_by["hot_tests"],
        "visit.return_unpaid": taken_by["unpaid"],
        "visit.visit_cost": taken_by["visits"] - taken_by["unpaid"],
    }
    for what, taken in amounts.items():
        scale = costs.minute if what == "tests.hot_cycle_minutes" else 1.0
        if scale <= 0:
            continue
        found = break_even(weighed, amounts=taken * scale, present=present[what])
        if found is not None:
            out.append(Flip(what=what, value=round(found, 2)))
    return out


# --- played: spreads, and what follows -----------------------------------------------------------


def _play(case: PairCase, action: PairAction, money: PairMoney) -> PlayedPairs:
    """Jobs like those of the records, a year on, under one rule."""
    start = case.start.only([0])
    good, bad = np.atleast_2d(start.good)[0], np.atleast_2d(start.bad)[0]
    rng = np.random.Generator(np.random.PCG64(SEED))
    cell = rng.choice(good.size, size=PLAYED, p=(good + bad) / (good + bad).sum())
    chance = np.divide(bad, good + bad, out=np.zeros(good.size), where=good + bad > 0)
    units = PairUnits(
        first_days=np.asarray(start.first_days)[cell],
        second_days=np.asarray(start.second_days)[cell],
        bad=rng.random(PLAYED) < chance[cell],
        until_days=np.full(PLAYED, float(FOLLOW_DAYS)),
        law=np.zeros(PLAYED, dtype=np.int64),
        first_failed=True,
    )
    return play_pairs(case.law.only([0]), units=units, action=action, money=money, seed=SEED)


def _experiment(
    session: Session, case: PairCase, weighed: WeighedPair, money: PairMoney
) -> Experiment | None:
    """The trial that tells the two cheapest rules apart."""
    if case.start.failed != "first" or weighed.decision.runner_up is None:
        return None
    least, other = weighed.decision.least, weighed.decision.runner_up
    k, j = weighed.at(least), weighed.at(other)
    one, two = (_play(case, weighed.actions[at], money).money for at in (k, j))
    need = jobs_that_settle(
        spread=(float(one.std()), float(two.std())),
        difference=float(one.mean() - two.mean()),
        whole_difference=float(weighed.estimate[k] - weighed.estimate[j]),
        cost=float(weighed.decision.expected_cost[k]),
        follow_days=FOLLOW_DAYS,
    )
    latest = session.as_of
    recent = [(latest - day).days < RECENT_DAYS for day in case.frame["index_on"].dt.date]
    per_week = sum(recent) / (RECENT_DAYS / 7)
    if need is None or per_week <= 0:
        return None
    pairing = {"always": 3, "if_older": 2, "test_hot": 1, "keep": 0}
    even, odd = sorted((least, other), key=lambda name: -pairing[name])
    return Experiment(
        weeks=int(np.ceil(need.jobs / per_week)),
        jobs=need.jobs,
        follow_days=need.follow_days,
        even=even,
        odd=odd,
    )


def _followed(
    case: PairCase, weighed: WeighedPair, money: PairMoney, level: float
) -> list[Followed]:
    """What followed within a year, seen and expected, for jobs with and without a new partner."""
    if case.kind != "unseen":
        return []
    jobs = case.frame
    both = jobs["both_replaced"].astype(bool)
    arms = {"keep": ~both & ~jobs["partner_passed_hot"].astype(bool), "always": both}
    clusters, code = np.unique(jobs["cluster_id"].astype(str), return_inverse=True)
    rng = np.random.default_rng(SEED)
    multiples = np.vstack(
        [np.ones(clusters.size), rng.poisson(1.0, size=(REPLICATES, clusters.size))]
    )
    tail, out = (1 - level) / 2, []
    for action, mask in arms.items():
        if mask.sum() < FEWEST_SEEN:
            continue
        seen = cumulative_incidence(
            jobs.loc[mask, "followed_days"].to_numpy(),
            event=jobs.loc[mask, "event"].to_numpy(),
            windows=[FOLLOW_DAYS],
            weights=multiples[:, code[mask.to_numpy()]],
        )[:, 0]
        low, high = np.nanquantile(seen[1:], [tail, 1 - tail])
        played = _play(case, weighed.actions[weighed.at(action)], money)
        out.append(
            Followed(
                action=action,
                window_days=FOLLOW_DAYS,
                jobs=int(mask.sum()),
                seen=float(seen[0]),
                ci=(float(low), float(high)),
                expected=float((played.visits > 1).mean()),
            )
        )
    return out


# --- words ---------------------------------------------------------------------------------------


def _words(
    case: PairCase,
    weighed: WeighedPair,
    flips: list[Flip],
    experiment: Experiment | None,
    saving: float,
    limits: tuple[float, float],
    currency: str,
    horizon: float,
    money: PairMoney,
    long_run: str,
    today: Today | None,
) -> str:
    """The rule as a manager reads it."""
    found, other = weighed.decision, text.words(case.second)
    span = f"the {text.years(horizon)} after"

    def do(name: str) -> str:
        return {
            "keep": f"leave the {other} in unless a test shows it bad",
            "test_hot": f"test the {other} hot, not only cold, and replace it if it is bad",
            "if_older": f"replace the {other} too if it is older than "
            f"{text.years(weighed.threshold_days)}",
            "always": f"replace the {other} too, every time",
        }[name]

    spared = (
        f"{text.money(saving, currency, decimals=0)} saved per 100 jobs against keeping it"
        f"{text.between(limits, lambda v: text.money(v, currency, decimals=0))}"
    )
    begin = f"hen {text.one(case.first)} has failed, "
    if not _worthwhile(case, weighed):
        return f"W{begin}{do('keep')}: no rule saves {text.share(LEAST_SAVING)} over {span}."
    if found.unclear:
        said = f"Unclear: w{begin}the least expected cost is to {do(found.least)}"
        if found.least != "keep":
            said += f" ({spared} over {span})"
        said += f", but to {do(found.runner_up or 'keep')} may be as good."
        if experiment is not None:
            said += f" T{experiment_text(experiment)[1:]}"
        return said
    if found.least == "keep":
        said = f"W{begin}{do('keep')}: the least cost over {span}."
    else:
        said = f"W{begin}{do(found.least)}: {spared} over {span}."
    if found.least != "keep" and today is not None:
        against = text.money(today.saving_per_100_jobs, currency, decimals=0)
        said += (
            f" Against what is done today it is {against}"
            f"{text.between(today.saving_ci, lambda v: text.money(v, currency, decimals=0))}."
        )
    price = next((f.value for f in flips if f.what == "partner_price"), None)
    present = money.first_price if case.start.failed == "second" else money.second_price
    if price is not None and (found.least != "keep" or case.kind == "unseen"):
        turn = "more" if price > present else "less"
        limit = text.money(price, currency, decimals=0)
        said += f" It would change if the {other} cost {turn} than {limit}."
    if long_run != found.least and case.kind == "unseen":
        said += f" In the long run, over the lives of units, it costs least to {do(long_run)}."
    return said
