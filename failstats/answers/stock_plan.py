"""One van's list, chosen on drawn cycles and valued on fresh ones."""

from __future__ import annotations

import re

import numpy as np

from failstats.answers.stock_asked import VanLimits, Wanted
from failstats.answers.stock_demand import SEED, Demand
from failstats.answers.stock_shelf import StockShelf
from failstats.errors import InputError, PlanError
from failstats.estimate.stocking import Plan, plan
from failstats.estimate.stocking_scenarios import Scenarios

__all__ = ["CHOOSING", "VALUING", "plan_van"]

CHOOSING, VALUING = 400, 800  # drawn cycles to choose on, and fresh ones to value on
YEAR_DAYS = 365.25


def plan_van(
    shelf: StockShelf, demand: Demand, van: str, limits: VanLimits, wanted: Wanted
) -> tuple[Plan, Scenarios]:
    """The list of one van and the fresh cycles it was valued on.

    Raises
    ------
    PlanError, InputError : as `plan` does; a fault names the van and the item.
    """
    rng = np.random.default_rng([SEED, demand.vans.index(van)])
    chosen, fresh = (
        demand.scenarios(van, shelf, cycles, rng, wanted.rules) for cycles in (CHOOSING, VALUING)
    )
    try:
        found = plan(
            chosen,
            evaluate=fresh,
            price=shelf.price,
            volume=shelf.volume_l,
            budget=limits.budget,
            volume_limit=limits.room,
            target=wanted.target,
            holding=wanted.holding_rate * limits.days / YEAR_DAYS,
            return_cost=wanted.return_cost,
            fixed=wanted.fixed,
            excluded=wanted.excluded,
            pack_size=shelf.pack_size,
            seconds=wanted.seconds,
            confidence_level=wanted.level,
        )
    except (PlanError, InputError) as fault:
        said = re.sub(r"\bitem (\d+)\b", lambda hit: shelf.item_id[int(hit[1])], fault.what)
        raise type(fault)(
            said, where=f"van {van}", do=fault.do or "ask for less, or raise the limit."
        ) from None
    return found, fresh
