"""The rows and the answer of `stock`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import pandas as pd

from failstats.answers import wording as text
from failstats.answers.result import Answer
from failstats.show import charts

WOULD_HAVE = "would have finished "  # said once, in the heading of a column

__all__ = ["BackTest", "Item", "NaiveRule", "SpendPoint", "Step", "Stock", "VanList"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One line of a van's list.

    last_cycle : jobs of the last cycle that would have needed a second visit without the item.
    jobs_per_cycle : the same of a coming cycle. change : against what is on board; null unknown.
    """

    item_id: str
    part: str
    families: list[str]
    quantity: int
    price: float
    why: str
    last_cycle: int
    jobs_per_cycle: float
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
class NaiveRule:
    """A simple rule at the same spend, over the same cycles."""

    rule: str
    realised: float
    spend: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BackTest:
    """Past cycles planned from what was known before each, and what then happened.

    inside_90 : share of the cycles whose realised completion lay in the promised 90 % range.
    spend : of our lists, on average.
    """

    from_: str
    to: str
    cycles: int
    jobs: int
    promised: float
    realised: float
    inside_90: float
    spend: float
    naive: list[NaiveRule]


@dataclass(frozen=True, slots=True, kw_only=True)
class VanList:
    """One row of `stock`: what one van should carry.

    next_50 : what the next 50 of money would buy. backtest : null unless asked for.
    """

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
    next_50: Step | None
    drop_first: list[Step]
    backtest: BackTest | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stock(Answer):
    """The lists of all vans."""

    command: ClassVar[str] = "stock"
    row_type: ClassVar[type | None] = VanList

    def interval(self, confidence_level: float = 0.95) -> tuple[float, float] | None:
        """Range of the first van's completion over coming cycles."""
        return self.results[0].completion_ci if self.results else None

    def rows_table(self) -> pd.DataFrame:
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

    def change_table(self) -> pd.DataFrame:
        """van, item_id, load, take_off: what to do today where it is known what is on board."""
        rows = [
            {
                "van": van.van,
                "item_id": item.item_id,
                "load": max(item.change, 0),
                "take_off": max(-item.change, 0),
            }
            for van in self.results
            for item in van.items
            if item.change
        ]
        return pd.DataFrame(rows, columns=["van", "item_id", "load", "take_off"])

    def backtest_table(self) -> pd.DataFrame:
        """One row per van and way of filling it: promised, realised, spend."""
        rows = []
        for van in self.results:
            test = van.backtest
            if test is None:
                continue
            head = {"van": van.van, "from": test.from_, "to": test.to, "cycles": test.cycles}
            rows.append(
                head
                | {"rule": "this plan", "promised": test.promised, "realised": test.realised}
                | {"inside_90": test.inside_90, "spend": test.spend}
            )
            rows += [
                head | {"rule": naive.rule, "realised": naive.realised, "spend": naive.spend}
                for naive in test.naive
            ]
        return pd.DataFrame(rows)

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
            f"{len(self.results)} van{'s' if len(self.results) > 1 else ''}, {span} of the jobs "
            f"are finished on the first visit (a bad cycle: {text.share(low)}); van "
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
            said = (
                f"Van {van.van}: {van.jobs_expected:.0f} jobs in {van.cycle_days:.0f} days, "
                f"{text.share(van.completion)} finished on the first visit"
                f"{text.between(van.completion_ci, text.share)}, "
                f"{text.money(van.spend, currency, decimals=0)}{limit} spent, "
                f"{text.quantity(van.volume_l, 'l')}."
            )
            lines.append(text.wrap(said))
            known = any(item.change is not None for item in van.items)
            rows = [
                {"item": item.item_id, "fits": ", ".join(item.families).replace("*", "all")}
                | {"carry": item.quantity}
                | ({"change": _signed(item.change)} if known else {})
                | {"would have finished": item.why.removeprefix(WOULD_HAVE)}
                for item in van.items
            ]
            lines.append(text.table(rows))
            lines += [text.wrap(said) for said in _beside(van, currency, self.settings)]
        lines += _depot(self.summary.get("depot") or [])
        lines += [text.wrap(said) for said in _around(self.summary)]
        lines += [text.wrap(f"Note: {note}.") for note in self.summary["notes"]]
        return lines


def _signed(change: int | None) -> str:
    return "" if change is None else "same" if change == 0 else f"{change:+d}"


def _named(items: list[str]) -> str:
    """'2 coil-e1, 1 fuse-std'."""
    return ", ".join(f"{items.count(item)} {item}" for item in dict.fromkeys(items))


def _beside(van: VanList, currency: str, settings: dict[str, Any]) -> list[str]:
    """What more money would buy, what to drop first, how near the best, and the proof."""
    said = []
    if van.next_50 is not None:
        said.append(
            f"The next {text.money(50, currency, decimals=0)} would buy "
            f"{_named(van.next_50.items)}: {text.points(van.next_50.completion)} more of the jobs."
        )
    if van.drop_first:
        step = van.drop_first[0]
        said.append(
            f"Drop first: {_named(step.items)} ({text.money(step.price, currency, decimals=0)}): "
            f"{text.points(-step.completion)} fewer."
        )
    if van.optimum_gap is not None:
        most = f"at most {100 * van.optimum_gap:.1f} %"
        if settings.get("target") is not None:
            said.append(f"The best list there is would cost {most} less.")
        elif van.budget is not None:
            said.append(f"The best list there is would finish {most} more jobs.")
        else:
            said.append(
                f"The best list there is would cost {most} less a cycle, holding and second visits "
                "together."
            )
    if van.backtest is not None:
        said.append(_proof(van.backtest))
    return said


def _proof(test: BackTest) -> str:
    naive = "; ".join(f"{n.rule} {text.share(n.realised)}" for n in test.naive)
    return (
        f"Tried on {test.cycles} past cycles ({test.from_} to {test.to}): promised "
        f"{text.share(test.promised)}, realised {text.share(test.realised)}; in "
        f"{text.share(test.inside_90)} of the cycles within the promised 90 % range. At the same "
        f"spend: {naive}."
    )


def _depot(rows: list[dict[str, Any]]) -> list[str]:
    if not rows:
        return []
    shown = [
        {
            "depot item": row["item_id"],
            "lead time": f"{row['lead_time_days']:.0f} d",
            "wanted in it": f"{row['mean']:.1f}",
            "base stock": row["base_stock"],
            "served at once": text.share(row["fill_rate"]),
        }
        for row in rows
    ]
    return [text.wrap("Depot: what to hold and have on order together."), text.table(shown)]


def _around(summary: dict[str, Any]) -> list[str]:
    """What no list can finish, what comes back under warranty, and all back-tests together."""
    said = []
    never = summary.get("never_finished_parts") or {}
    if never:
        named = ", ".join(f"{count} {text.words(part)}" for part, count in never.items())
        said.append(
            f"No van can finish {text.share(summary['never_finished_share'])} of the jobs: no item "
            f"fits on the spot for {named}."
        )
    back = summary.get("warranty_returns") or []
    if back:
        named = ", ".join(f"{row['returns']} {text.words(row['part'])}" for row in back)
        said.append(f"Send back under warranty, of the months looked at: {named}.")
    proof = summary.get("backtest")
    if proof:
        naive = "; ".join(f"{n['rule']} {n['realised']:.1%}" for n in proof["naive"])
        said.append(
            f"All vans, {proof['van_cycles']} past cycles, {proof['jobs']} jobs: promised "
            f"{proof['promised']:.1%}, realised {proof['realised']:.1%}; {proof['inside_90']:.0%} "
            f"within the promised 90 % range. At the same spend: {naive}."
        )
        said += [f"The plan lost: {one}." for one in proof["loses"]]
        if not proof["enough"]:
            said.append("That is too few cycles to prove much.")
    return said
