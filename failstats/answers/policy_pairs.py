"""The pair rules of `policy`: what each action costs per job, and which one to take."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from failstats.answers import wording as text
from failstats.answers.costs import Costs
from failstats.answers.pairs import FEWEST_INDEX_JOBS, index_jobs
from failstats.answers.policy_rows import ActionCost, Advice, Flip
from failstats.estimate.follow_on import cumulative_incidence
from failstats.estimate.regret import decide
from failstats.show.cautions import caution_for_pair
from failstats.warehouse.session import Session

__all__ = ["REPLICATES", "SEED", "YEAR_DAYS", "PairRisks", "pair_advice", "pair_costs", "prices_of"]

LEAST_AT_RISK = 20  # jobs still followed in each arm; the horizon ends where fewer are
REPLICATES = 1000
SEED = 2
YEAR_DAYS = 365.25
FEWEST_HOT_TESTS = 20


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PairRisks:
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
) -> PairRisks | None:
    tests = _hot_tests(session, first, second)
    clusters = sorted({*jobs["cluster_id"].astype(str), *tests["cluster_id"].astype(str)})
    place = {name: k for k, name in enumerate(clusters)}
    rng = np.random.default_rng(SEED)
    multiples = np.vstack(
        [np.ones(len(clusters)), rng.poisson(1.0, size=(REPLICATES, len(clusters)))]
    )
    both = jobs["both_replaced"]
    kept = ~both & ~jobs["partner_passed_hot"]
    passed = ~both & jobs["partner_passed_hot"]
    if min(both.sum(), kept.sum()) < FEWEST_INDEX_JOBS:
        return None
    hot = len(tests) >= FEWEST_HOT_TESTS and passed.sum() >= FEWEST_INDEX_JOBS
    horizon = _reach(
        jobs, [both, kept, *([passed] if hot else [])], int(costs["horizon.years"] * YEAR_DAYS)
    )
    warranty = min(int(costs["warranty.days"]), horizon)
    windows = [max(warranty, 1), horizon]

    def incidence(mask: pd.Series) -> np.ndarray:
        arm = jobs[mask]
        weights = multiples[:, arm["cluster_id"].astype(str).map(place).to_numpy()]
        found = cumulative_incidence(
            arm["followed_days"].to_numpy(),
            event=arm["event"].to_numpy(),
            windows=windows,
            weights=weights,
        )
        return found * [warranty > 0, 1.0]

    bad = None
    if hot:
        weights = multiples[:, tests["cluster_id"].astype(str).map(place).to_numpy()]
        total = weights.sum(axis=1)
        found_bad = weights @ tests["bad"].to_numpy(float)
        bad = np.divide(found_bad, total, out=np.zeros(len(total)), where=total > 0)
    return PairRisks(
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


def pair_costs(
    risks: PairRisks, costs: Costs, first_price: float, second_price: float
) -> dict[str, np.ndarray]:
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


def _break_even(
    risks: PairRisks, costs: Costs, first_price: float, second_price: float, least: str
) -> list[Flip]:
    """Values of single figures at which another action becomes the cheapest, on the estimate."""

    def best(**changed: float) -> str:
        values = dict(costs.values)
        values |= {k: v for k, v in changed.items() if k != "partner_price"}
        used = Costs(currency=costs.currency, values=values, assumed=costs.assumed)  # type: ignore[arg-type]
        price = changed.get("partner_price", second_price)
        found = pair_costs(risks, used, first_price, price)
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


def prices_of(session: Session) -> dict[str, float]:
    """Part -> price of the item that would be fitted, averaged over the units of the roster.

    As in `stock`: the cheapest field-fit item that is not replaced serves each family.
    """
    frame = session.run("stg_catalogue")
    if frame.empty:
        return {}
    frame = frame[frame["field_fit"].fillna(True).astype(bool) & frame["replaced_by"].isna()]
    units = session.run("stg_units")["family"].value_counts()
    out = {}
    for part, group in frame.groupby("part"):
        cheapest = group.groupby("family")["price"].min().astype(float)
        pooled = float(cheapest.get("*", np.inf))
        own = cheapest.drop("*", errors="ignore")
        families = {f: min(float(own.get(f, np.inf)), pooled) for f in units.index}
        known = {f: price for f, price in families.items() if np.isfinite(price)}
        weight = sum(units[f] for f in known)
        if weight:
            out[str(part)] = sum(units[f] * price for f, price in known.items()) / weight
        elif np.isfinite(pooled):
            out[str(part)] = pooled
    return out


def pair_advice(
    session: Session, first: str, second: str, costs: Costs, prices: dict[str, float], level: float
) -> Advice | None:
    jobs = index_jobs(session, first, second)
    risks = _risks(session, jobs, first, second, costs)
    if risks is None:
        return None
    by_action = pair_costs(risks, costs, prices[first], prices[second])
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
