"""What is sought and what may be carried, checked before any search begins."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from failstats.errors import InputError, PlanError
from failstats.estimate.stocking_scenarios import Engine, State

__all__ = ["Aim", "Shelf", "aim_of", "shelf_of", "worth"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Aim:
    """What counts as better: most jobs, least spend for a number of jobs, or least cost.

    Attributes
    ----------
    kind : ``jobs``, ``spend`` or ``cost``.
    wanted : jobs to finish, summed over the cycles (``spend``).
    holding : money per cycle for one unit of price carried (``cost``).
    return_cost : money for a job that needs a second visit (``cost``).
    """

    kind: Literal["jobs", "spend", "cost"]
    wanted: float = 0.0
    holding: float = 0.0
    return_cost: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shelf:
    """What may be carried: prices, room, packs, and how few or many of each item.

    Attributes
    ----------
    price, volume, pack : (items,).
    low, high : (items,) least and most units of each item.
    budget, room : limits on the summed price and volume; infinite where there is none.
    """

    price: NDArray[np.float64]
    volume: NDArray[np.float64]
    pack: NDArray[np.int64]
    low: NDArray[np.int64]
    high: NDArray[np.int64]
    budget: float
    room: float

    def spend(self, stock: NDArray[np.int64]) -> float:
        """Summed price of a stock."""
        return float(stock @ self.price)

    def fits(self, stocks: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Which stocks (candidates, items) stay within every limit."""
        money = stocks @ self.price <= self.budget * (1 + 1e-12) + 1e-9
        space = stocks @ self.volume <= self.room * (1 + 1e-12) + 1e-9
        inside = ((stocks >= self.low) & (stocks <= self.high)).all(axis=1)
        return np.asarray(money & space & inside)

    def weight(self, changes: NDArray[np.int64], *, by_room: bool = False) -> NDArray[np.float64]:
        """Positive burden of each change: its price, and its share of the room if asked."""
        burden = changes @ self.price
        if by_room and np.isfinite(self.room) and self.room > 0:
            scale = self.budget if np.isfinite(self.budget) and self.budget > 0 else 1.0
            burden = burden / scale + changes @ self.volume / self.room
        tiny = 1e-9 * max(float(self.price.max(initial=0.0)), 1e-3)
        return np.maximum(burden, tiny)


def worth(aim: Aim, shelf: Shelf, engine: Engine, state: State) -> tuple[float, float, float]:
    """A state's rank under the aim; larger tuples are better, ties go to less spend, more jobs."""
    spend = shelf.spend(state.stock)
    if aim.kind == "jobs":
        return (float(state.total), -spend, 0.0)
    if aim.kind == "spend":
        short = max(aim.wanted - state.total, 0.0)
        return (-short, -spend, float(state.total))
    cycles = max(engine.cycles, 1)
    broken = (engine.jobs_total - state.total) / cycles
    return (-(aim.holding * spend + aim.return_cost * broken), -spend, float(state.total))


def shelf_of(
    most: NDArray[np.int64],
    *,
    price: ArrayLike,
    volume: ArrayLike | None,
    budget: float | None,
    volume_limit: float | None,
    fixed: Mapping[int, int],
    excluded: Iterable[int],
    pack_size: ArrayLike | None,
) -> Shelf:
    """Check the limits of a van and put them in one place.

    Parameters
    ----------
    most : (items,) the largest need of each item in any cycle.
    fixed : {item: quantity}; excluded : items. The others are as in ``plan``.
    """
    items = most.size
    prices = _row(price, "price", items)
    volumes = np.zeros(items) if volume is None else _row(volume, "volume", items)
    packs = np.ones(items) if pack_size is None else _row(pack_size, "pack_size", items)
    if (packs < 1).any() or (packs != np.floor(packs)).any():
        raise InputError(
            "pack_size must hold whole numbers of at least 1.", do="leave it out for single units."
        )
    for name, value in (("budget", budget), ("volume_limit", volume_limit)):
        if value is not None and not value >= 0:
            raise InputError(f"{name} must be at least 0, but is {value}.", do=f"raise {name}.")
    pack = packs.astype(np.int64)
    low = np.zeros(items, dtype=np.int64)
    high = -(-most // pack) * pack
    for item in excluded:
        high[_known(item, items, "excluded")] = 0
        if fixed.get(item, 0) > 0:
            raise InputError(
                f"item {item} is both excluded and fixed at {fixed[item]}.", do="drop one of them."
            )
    for item, quantity in fixed.items():
        if quantity < 0 or quantity != int(quantity):
            raise InputError(
                f"a fixed quantity must be a whole number of at least 0, but item {item} has "
                f"{quantity}.",
                do="correct the quantity.",
            )
        low[_known(item, items, "fixed")] = high[item] = int(quantity)
        pack[item] = 1
    shelf = Shelf(
        price=prices,
        volume=volumes,
        pack=pack,
        low=low,
        high=high,
        budget=np.inf if budget is None else float(budget),
        room=np.inf if volume_limit is None else float(volume_limit),
    )
    if not shelf.fits(low[None, :])[0]:
        raise PlanError(
            f"the fixed items cost {shelf.spend(low):.2f} and fill {float(low @ volumes):g}, which "
            f"is more than the budget ({budget}) or the volume ({volume_limit}) allows.",
            do="fix fewer items or raise the limit.",
        )
    return shelf


def _row(values: ArrayLike, name: str, items: int) -> NDArray[np.float64]:
    row = np.array(values, dtype=np.float64)
    if row.shape != (items,):
        raise InputError(
            f"{name} must have one entry for each of {items} items, but has shape {row.shape}.",
            do=f"give {name} in the order of the items.",
        )
    bad = np.flatnonzero(~(np.isfinite(row) & (row >= 0)))
    if bad.size:
        raise InputError(
            f"{name} must be a number of at least 0, but {bad.size} of {items} are not.",
            where=f"items {', '.join(map(str, bad[:5]))}",
            do=f"complete {name} in the catalogue, or exclude the items.",
            rows=bad.tolist(),
        )
    return row


def _known(item: int, items: int, name: str) -> int:
    if not 0 <= item < items:
        raise InputError(
            f"{name} must name items 0 to {items - 1}, but names {item}.", do="correct the item."
        )
    return int(item)


def aim_of(
    engine: Engine,
    *,
    budget: float | None,
    volume_limit: float | None,
    target: float | None,
    holding: float | None,
    return_cost: float | None,
) -> Aim:
    """Which of the three aims the options ask for."""
    for name, value in (("holding", holding), ("return_cost", return_cost)):
        if value is not None and not (np.isfinite(value) and value >= 0):
            raise InputError(f"{name} must be at least 0, but is {value}.", do=f"correct {name}.")
    if target is not None:
        if not 0 < target <= 1:
            raise InputError(
                f"target must be a share above 0 and at most 1, but is {target}.",
                do="give 0.9 for 90 %.",
            )
        return Aim(kind="spend", wanted=float(np.ceil(target * engine.jobs_total - 1e-9)))
    if budget is not None:
        return Aim(kind="jobs")
    if holding is not None and return_cost is not None:
        return Aim(kind="cost", holding=holding, return_cost=return_cost)
    if volume_limit is not None:
        return Aim(kind="jobs")
    raise InputError(
        "a plan needs a budget, a target, or both holding and return_cost, but none was given.",
        do="give one of them.",
    )
