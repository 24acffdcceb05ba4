"""What stock and policy rest on, again by SciPy: use of parts, Poisson quantiles, cheapest age."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Callable
from typing import Any

import numpy as np

from failstats.answers.costs import Costs
from failstats.answers.headline import headline_life
from failstats.answers.lives_fits import silent_parts
from failstats.answers.policy_laws import prices_of
from failstats.answers.verify_figures import Checked, checked
from failstats.answers.verify_rows import RawRecords
from failstats.estimate.life_models import FittedLife
from failstats.estimate.replacement import age_replacement_weibull
from failstats.estimate.stock_levels import (
    least_stock,
    newsvendor,
    poisson_demand,
    poisson_loss,
)
from failstats.progress import each
from failstats.warehouse.session import Session

__all__ = ["policy_again", "stock_again"]

CYCLE_DAYS, LOOKED_BACK_DAYS = 28, 728
SERVICE = 0.95
YEAR_DAYS = 365.25


def stock_again(session: Session, raw: RawRecords, costs: Costs) -> list[Checked]:
    """Parts that jobs needed in 28 days, and how many of them cover Poisson demand.

    Notes
    -----
    All vans together, over the last two years: what the forecast of `stock` starts from, with the
    quantile, the money-weighing quantity (newsvendor) and the parts short beyond it.
    """
    from scipy.stats import poisson

    since = session.as_of - dt.timedelta(days=LOOKED_BACK_DAYS)
    mine = session.run("verify_use", since=since).set_index("part")["needed"]
    needed: Counter[str] = Counter()
    sockets = {
        (f["episode_id"], f["part"], f["position"])
        for f in raw.found
        if f["opened_on"] > since
        and f["kind"] in ("call_out", "maintenance")
        and (f["failed"] or f["replaced"])
    }
    needed.update(part for _, part, _ in sockets)
    prices, out = prices_of(session), []
    cycles = LOOKED_BACK_DAYS / CYCLE_DAYS
    for part in sorted(set(mine.index) | set(needed)):
        ours, theirs = float(mine.get(part, 0)) / cycles, needed[part] / cycles
        name = f"{part}: "
        out.append(checked("stock", f"{name}needed in {CYCLE_DAYS} days", ours, theirs, "raw rows"))
        if not ours or not theirs:
            continue
        demand = poisson_demand(ours)
        out.append(
            checked(
                "stock", f"{name}units that cover {SERVICE:.0%} of cycles",
                float(least_stock(demand, service=SERVICE)),
                float(poisson.ppf(SERVICE, theirs)), "SciPy",
            )
        )  # fmt: skip
        if part not in prices or not prices[part]:
            continue
        short = costs["visit.return_unpaid"]
        left = prices[part] * costs["parts.holding_rate"] * CYCLE_DAYS / YEAR_DAYS
        best = newsvendor(demand, underage=short, overage=left)
        wanted = float(poisson.ppf(short / (short + left), theirs))
        beyond = float(
            poisson.expect(lambda k, level=wanted: np.maximum(k - level, 0), args=(theirs,))
        )
        out += [
            checked("stock", f"{name}units that weigh a return against holding",
                    best.quantity, wanted, "SciPy"),
            checked("stock", f"{name}units short beyond them in a cycle",
                    float(poisson_loss(int(best.quantity), mean=ours)), beyond, "SciPy",
                    within=1e-6, why="theirs sums a finite tail"),
        ]  # fmt: skip
    return out


def policy_again(
    session: Session, costs: Costs, progress: Callable[[str], None] | None = None
) -> list[Checked]:
    """The cheapest age to replace a part, and what running it to failure costs a day.

    Parameters
    ----------
    costs : what things cost. progress : called with each part.

    Notes
    -----
    Money is what a costs file leaves assumed. Shape and scale are ours (compared under `lives`);
    SciPy integrates the life curve and searches the minimum of (planned S + failed F) / integral
    of S.
    """
    from scipy.optimize import minimize_scalar
    from scipy.stats import weibull_min

    hidden, prices, out = silent_parts(session), prices_of(session), []
    for part in each(progress, sorted(prices), lambda part: f"policy: {part}"):
        life = None if part in hidden else headline_life(session, part).found
        if not isinstance(life, FittedLife) or life.model != "weibull":
            continue
        shape, scale = life.parameters["shape"], life.parameters["scale"]
        planned = prices[part] + costs["parts.extra_minutes"] * costs.minute
        failed = planned + costs["visit.visit_cost"]
        best = age_replacement_weibull(
            shape, scale=scale, planned_cost=planned, failure_cost=failed
        )
        law = weibull_min(shape, scale=scale)
        never = failed / float(law.mean())
        out.append(
            checked("policy", f"{part}: cost a day when run to failure", best.cost_rate_never,
                    never, "SciPy")
        )  # fmt: skip
        if best.interval is None:
            continue
        theirs = minimize_scalar(
            _cost_rate, args=(law, planned, failed), method="bounded",
            bounds=(scale / 1000, 3 * max(best.interval, scale)),
            options={"xatol": 1e-6 * scale},
        )  # fmt: skip
        out += [
            checked("policy", f"{part}: cost a day when replaced at the cheapest age",
                    best.cost_rate, float(theirs.fun), "SciPy", within=1e-8),
            checked("policy", f"{part}: cheapest age in days", best.interval, float(theirs.x),
                    "SciPy", within=1e-3,
                    why="the cost is flat around its least: a search stops within a day or so"),
        ]  # fmt: skip
    return out


def _cost_rate(age: float, law: Any, planned: float, failed: float) -> float:
    """Money a day when replaced at an age, the life curve integrated numerically."""
    from scipy.integrate import quad

    lived, _ = quad(law.sf, 0.0, age, epsabs=1e-10, epsrel=1e-12, limit=200)
    return float((planned * law.sf(age) + failed * law.cdf(age)) / lived)
