"""The rows and the answer of `stock`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import pandas as pd

from failstats.answers import wording as text
from failstats.answers.result import Answer
from failstats.show import charts

__all__ = ["Item", "SpendPoint", "Step", "Stock", "VanList"]

MONTHS = 24  # how far back the demand looks
CYCLE_DAYS = 28.0
CHOOSING, VALUING = 400, 800  # simulated cycles to choose on, and fresh ones to value on
BORROWED_JOBS = 40.0  # weight of the company's jobs in a van's own mixture
FEW_JOBS = 30  # below it the answer says that the van borrows
SEED = 1
NEXT_SHOWN = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One line of a van's list."""

    item_id: str
    part: str
    families: list[str]
    quantity: int
    price: float
    why: str
    change: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SpendPoint:
    """What a spend would complete."""

    spend: float
    completion: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What to add next, or to take off first, and what it changes in completion."""

    items: list[str]
    price: float
    completion: float


@dataclass(frozen=True, slots=True, kw_only=True)
class VanList:
    """One row of `stock`: what one van should carry."""

    van: str
    cycle_days: float
    jobs_expected: float
    budget: float | None
    aim: str
    items: list[Item]
    completion: float
    completion_ci: tuple[float, float]
    cost_per_cycle: float | None
    spend: float
    volume_l: float
    optimum_gap: float | None
    spend_curve: list[SpendPoint]
    next_best: list[Step]
    drop_first: list[Step]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stock(Answer):
    """The lists of all vans."""

    command: ClassVar[str] = "stock"
    row_type: ClassVar[type | None] = VanList

    def interval(self, confidence_level: float = 0.95) -> tuple[float, float] | None:
        """Range of the first van's completion over coming cycles."""
        return self.results[0].completion_ci if self.results else None

    def table(self) -> pd.DataFrame:
        """One row per van and item."""
        rows = [
            {
                "van": van.van,
                "item_id": item.item_id,
                "part": item.part,
                "families": ", ".join(item.families),
                "quantity": item.quantity,
                "price": item.price,
                "why": item.why,
                "change": item.change,
            }
            for van in self.results
            for item in van.items
        ]
        columns = ["van", "item_id", "part", "families", "quantity", "price", "why", "change"]
        return pd.DataFrame(rows, columns=columns)

    def spend_table(self) -> pd.DataFrame:
        """van, spend, completion along each van's list, and the chosen point."""
        rows = [
            {"van": van.van, "spend": p.spend, "completion": p.completion, "chosen": False}
            for van in self.results
            for p in van.spend_curve
        ]
        rows += [
            {"van": van.van, "spend": van.spend, "completion": van.completion, "chosen": True}
            for van in self.results
        ]
        return pd.DataFrame(rows, columns=["van", "spend", "completion", "chosen"])

    def chart(self) -> Any:
        """Spend against jobs finished on the first visit."""
        frame = self.spend_table()
        return None if frame.empty else charts.frontier(frame, currency=self.settings["currency"])

    def headline(self) -> str:
        """All vans in one sentence."""
        if not self.results:
            return "No van has a list: no call-out in the records names a van."
        done = [van.completion for van in self.results]
        spend = sum(van.spend for van in self.results)
        low = min(van.completion_ci[0] for van in self.results)
        span = (
            text.share(done[0])
            if len(done) == 1
            else f"{text.share(min(done))} to {text.share(max(done))}"
        )
        said = ", ".join(
            f"{item.quantity} {item.item_id}"
            for item in sorted(self.results[0].items, key=lambda i: -i.quantity)[:4]
        )
        return (
            f"With {text.money(spend, self.settings['currency'], decimals=0)} of parts on "
            f"{len(self.results)} van{'s' if len(self.results) > 1 else ''}, {span} of the jobs are "
            f"finished on the first visit (a bad cycle: {text.share(low)}); van "
            f"{self.results[0].van} carries {said + ' and so on' if said else 'nothing'}."
        )

    def details(self) -> list[str]:
        """A short table per van, then its list."""
        lines = []
        currency = self.settings["currency"]
        for van in self.results:
            limit = (
                "" if van.budget is None else f" of {text.money(van.budget, currency, decimals=0)}"
            )
            lines.append(
                f"Van {van.van}: {van.jobs_expected:.0f} jobs in {van.cycle_days:.0f} days, "
                f"{text.share(van.completion)} finished on the first visit"
                f"{text.between(van.completion_ci, text.share)}, "
                f"{text.money(van.spend, currency, decimals=0)}{limit} spent, {van.volume_l:.0f} L."
            )
            rows = [
                {
                    "item": item.item_id,
                    "part": text.words(item.part),
                    "fits": ", ".join(item.families),
                    "carry": item.quantity,
                    "why": item.why,
                }
                for item in van.items
            ]
            lines.append(text.table(rows))
        lines += [text.wrap(f"Note: {note}.") for note in self.summary["notes"]]
        return lines
