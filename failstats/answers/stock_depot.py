"""Behind the vans: what the depot holds over the lead time, and what comes back under warranty."""

from __future__ import annotations

from typing import Any

import numpy as np

from failstats.answers.costs import Costs
from failstats.answers.stock_demand import Demand
from failstats.answers.stock_shelf import StockShelf
from failstats.estimate.stock_levels import (
    base_stock,
    negative_binomial_demand,
    poisson_demand,
)
from failstats.estimate.stocking_scenarios import Scenarios
from failstats.warehouse.session import Session

__all__ = ["depot_rows", "warranty_returns"]

YEAR_DAYS = 365.25
SLIGHT = 1e-3  # of the mean; less scatter beyond Poisson is none


def depot_rows(
    shelf: StockShelf, drawn: dict[str, tuple[Scenarios, int]], costs: Costs
) -> list[dict[str, Any]]:
    """Base stock of every item whose lead time the catalogue states.

    Parameters
    ----------
    drawn : van -> possible cycles and their length in days. What the vans use is ordered again at
        once; the depot serves all of them.
    costs : a unit short at the depot is taken to cost one return visit.

    Returns
    -------
    One row per item with a use: mean and base_stock in units, order_multiple the pack.
    """
    stated = np.flatnonzero(np.isfinite(shelf.lead_time_days))
    if not stated.size or not drawn:
        return []
    mean, variance = np.zeros(len(shelf.item_id)), np.zeros(len(shelf.item_id))
    for cycles, days in drawn.values():
        use = _use(cycles)
        mean += use.mean(axis=0) / days
        variance += use.var(axis=0, ddof=1) / days
    rows = []
    for place in stated:
        lead = float(shelf.lead_time_days[place])
        wanted = mean[place] * lead
        if not wanted > 0:
            continue
        excess = (variance[place] - mean[place]) * lead
        demand = (
            negative_binomial_demand(wanted, size=wanted**2 / excess)
            if excess > SLIGHT * wanted
            else poisson_demand(wanted)
        )
        best = base_stock(
            demand,
            holding=costs["parts.holding_rate"] * float(shelf.price[place]) / YEAR_DAYS,
            shortage=costs["visit.return_unpaid"] / max(lead, 1.0),
        )
        rows.append(
            {
                "item_id": shelf.item_id[place],
                "lead_time_days": lead,
                "mean": wanted,
                "base_stock": best.stock,
                "order_multiple": int(shelf.pack_size[place]),
                "ready_rate": best.ready_rate,
                "fill_rate": best.fill_rate,
                "back_orders": best.back_orders,
            }
        )
    return rows


def _use(cycles: Scenarios) -> np.ndarray:
    """(cycles, items) units that the jobs of each cycle need and can be fitted in the field."""
    held = cycles.jobs >= 0
    row, _ = np.nonzero(held)
    kind = cycles.jobs[held]
    need = cycles.need * cycles.completable[:, None]
    out = np.zeros((cycles.cycles, cycles.items))
    np.add.at(out, row, need[kind])
    return out


def warranty_returns(
    session: Session, demand: Demand, shelf: StockShelf, costs: Costs
) -> list[dict[str, Any]]:
    """Parts that failed within the warranty: they are needed again, and the old one goes back.

    Returns
    -------
    part, returns, share : units in the months looked at, and their share of the part's jobs.
    """
    found = session.run("stock_warranty", since=demand.first_on, days=int(costs["warranty.days"]))
    return [
        {"part": row.part, "returns": int(row.returns), "share": row.returns / row.jobs}
        for row in found.itertuples()
        if row.returns
    ]
