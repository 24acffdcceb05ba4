"""What should each van carry? A list with a reason for every line, and what it is worth."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from failstats.answers import wording as text
from failstats.answers.costs import Costs, read_costs
from failstats.answers.result import Warning_
from failstats.answers.stock_rows import Item, SpendPoint, Step, Stock, VanList
from failstats.errors import InputError, PlanError
from failstats.estimate.stocking import Plan, plan
from failstats.estimate.stocking_scenarios import Scenarios
from failstats.warehouse.session import Session

__all__ = ["Item", "Stock", "VanList", "stock"]

MONTHS = 24  # how far back the demand looks
CYCLE_DAYS = 28.0
CHOOSING, VALUING = 400, 800  # simulated cycles to choose on, and fresh ones to value on
BORROWED_JOBS = 40.0  # weight of the company's jobs in a van's own mixture
FEW_JOBS = 30  # below it the answer says that the van borrows
SEED = 1
NEXT_SHOWN = 3


# --- what is needed ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shelf:
    """The items that can go on a van, in the order of the plan's columns."""

    item_id: list[str]
    part: dict[str, str]
    families: dict[str, list[str]]
    price: np.ndarray
    volume_l: np.ndarray
    fits: dict[tuple[str, str], int]
    known: set[tuple[str, str]]

    def need(self, family: str, parts: Sequence[str]) -> dict[int, int] | None:
        """Items one job needs; None where one of its parts cannot be fitted in the field."""
        out: Counter[int] = Counter()
        for part in parts:
            item = self.fits.get((part, family), self.fits.get((part, "*")))
            if item is None:
                return None
            out[item] += 1
        return dict(out)


def _shelf(session: Session) -> _Shelf:
    """The catalogue as of the session's date; the cheapest field-fit item serves each need."""
    frame = session.run("stg_catalogue")
    if frame.empty:
        raise InputError(
            "stocking needs a catalogue of items with prices, but none is loaded.",
            where="table catalogue",
            do="load a catalogue: failstats draft tables writes a blank one.",
        )
    frame = frame[frame["field_fit"].fillna(True).astype(bool)]
    frame = frame[frame["replaced_by"].isna()].sort_values(["price", "item_id"])
    if frame.empty:
        raise InputError(
            "stocking needs items that can be fitted on the spot, but the catalogue has none.",
            where="catalogue column field_fit",
            do="correct field_fit.",
        )
    ids = sorted(frame["item_id"].unique())
    column = {item: k for k, item in enumerate(ids)}
    first = frame.drop_duplicates("item_id").set_index("item_id")
    families = {item: sorted(group["family"]) for item, group in frame.groupby("item_id")}
    fits: dict[tuple[str, str], int] = {}
    for part, group in frame.groupby("part"):
        pooled = group[group["family"] == "*"]
        for family in set(group["family"]):
            mine = pd.concat([group[group["family"] == family], pooled]).sort_values(
                ["price", "item_id"]
            )
            fits[str(part), str(family)] = column[str(mine.iloc[0]["item_id"])]
    return _Shelf(
        item_id=ids,
        part={item: str(first.loc[item, "part"]) for item in ids},
        families=families,
        price=first.loc[ids, "price"].to_numpy(float),
        volume_l=first.loc[ids, "volume_l"].fillna(0.0).to_numpy(float),
        fits=fits,
        known=set(fits),
    )


def _simulate(
    own: list[dict[int, int] | None],
    company: list[dict[int, int] | None],
    counts: np.ndarray,
    cycles: int,
    rng: np.random.Generator,
    items: int,
) -> Scenarios:
    """Coming cycles of one van: how many jobs, and what each needs.

    The number of jobs is negative binomial with the mean and the excess variance of past cycles
    (Poisson where they vary less), its mean drawn anew for each cycle from what so many past
    cycles can tell. Each job's need is one of the van's own past jobs, or, by so much as the van
    is short of them, one of the company's.
    """
    mean = float(counts.mean())
    excess = max(float(counts.var(ddof=1)) - mean, 0.0) if len(counts) > 1 else 0.0
    sure = rng.gamma(counts.sum() + 0.5, 1.0 / len(counts), size=cycles)
    if excess > 0 and mean > 0:
        size = mean**2 / excess
        sure = sure * rng.gamma(size, 1.0 / size, size=cycles)
    jobs = rng.poisson(sure)
    weight_own = len(own) / (len(own) + BORROWED_JOBS)
    out = []
    for number in jobs:
        from_own = rng.random(number) < weight_own
        picks = [
            own[int(rng.integers(len(own)))]
            if mine and own
            else company[int(rng.integers(len(company)))]
            for mine in from_own
        ]
        out.append(picks)
    return Scenarios.from_sets(out, items=items)


def _past_cycles(
    days: pd.Series, first: pd.Timestamp, last: pd.Timestamp, cycle: float
) -> np.ndarray:
    """Jobs in each whole cycle that ends with the records, latest first."""
    whole = max(int(((last - first).days + 1) // cycle), 1)
    index = ((last - pd.to_datetime(days)).dt.days // cycle).astype(int)
    return np.bincount(index[index < whole], minlength=whole)[:whole]


# --- the answer ----------------------------------------------------------------------------------


def stock(
    session: Session,
    *,
    van: Sequence[str] = (),
    cycle: float | None = None,
    budget: float | None = None,
    volume: float | None = None,
    target: float | None = None,
    fix: dict[str, int] | None = None,
    exclude: Sequence[str] = (),
    costs: Costs | None = None,
    seconds: float = 0.0,
    progress: Callable[[str], None] | None = None,
) -> Stock:
    """What should each van carry, and how many jobs does that finish on the first visit?

    Parameters
    ----------
    van : the vans; all that call-outs name where empty.
    cycle : days between restocks; default each van's own, else 28.
    budget, volume : limits (money, litres); default each van's own.
    target : share of jobs to finish on the first visit; then the least spend that does is sought.
    fix : item -> quantity that must be carried. exclude : items that must not be.
    costs : what a return visit and holding cost.
    seconds : time per van for a mixed-integer program beside the search.
    progress : called with each van.

    Returns
    -------
    Stock : one list per van.

    Raises
    ------
    InputError : no catalogue, an unknown van or item, a limit that is not positive.
    PlanError : a target out of reach (the message says the best reachable).

    Notes
    -----
    A job is finished when every item it needs is still on the van as it comes, in order of
    arrival; jobs without a fault need nothing; jobs with a part that no field-fit item serves are
    never finished. Demand is what the last 24 months needed; a forecast from the ages of the
    parts in the territory is not part of this figure.
    """
    used = costs or read_costs(currency=_currency(session))
    shelf = _shelf(session)
    for option, limit in (("--budget", budget), ("--volume", volume), ("--cycle", cycle)):
        if limit is not None and not (np.isfinite(limit) and limit > 0):
            raise InputError(
                f"{option} must be above 0, but is {limit}.", where=option, do="correct it."
            )
    if target is not None and not 0 < target <= 1:
        raise InputError(
            f"--target must be a share above 0 and at most 1, but is {target}.",
            where="--target",
            do="write 0.85 for 85 %.",
        )
    column = {item: k for k, item in enumerate(shelf.item_id)}
    unknown = [item for item in (*(fix or {}), *exclude) if item not in column]
    if unknown:
        raise InputError(
            f"--fix and --exclude must name items that can go on a van, but {', '.join(unknown)} cannot.",
            where="known: " + ", ".join(shelf.item_id),
            do="correct the item.",
        )
    episodes = session.run("stock_episodes", months=MONTHS)
    vans = session.run("stg_vans").set_index("van_id")
    known = sorted(set(episodes["van_id"]))
    strange = [name for name in van if name not in known and name not in vans.index]
    if strange:
        raise InputError(
            f"--van must name a van of the records, but {', '.join(strange)} is not one.",
            where="known: " + ", ".join(known),
            do="correct the van.",
        )
    needs = [shelf.need(row.family, list(row.needs)) for row in episodes.itertuples()]
    episodes = episodes.assign(need=pd.Series(needs, index=episodes.index, dtype=object))
    warnings = [Warning_(code=code, text=said) for code, said in session.warnings]
    assumed = used.warning()
    rows: list[VanList] = []
    notes: list[str] = []
    last = pd.Timestamp(session.as_of)
    first = max(
        last - pd.DateOffset(months=MONTHS) + pd.Timedelta(days=1),
        pd.Timestamp(session.choices["records_from"]),
    )
    if assumed:
        warnings.append(Warning_(code=assumed[0], text=assumed[1]))
    for name in van or known:
        if progress:
            progress(f"van {name}")
        mine = episodes[episodes["van_id"] == name]
        if len(mine) < FEW_JOBS:
            notes.append(f"van {name} has only {len(mine)} jobs and borrows from the company's")
        own = vans.loc[name] if name in vans.index else None
        days = float(cycle or (own["cycle_days"] if own is not None else CYCLE_DAYS))
        limit = budget
        if limit is None and target is None and own is not None and pd.notna(own["budget"]):
            limit = float(own["budget"])
        room = volume
        if room is not None and not shelf.volume_l.any():
            raise InputError(
                "a limit on room needs the volume of the items, but the catalogue states none.",
                where="--volume",
                do="fill in volume in the catalogue, or leave --volume out.",
            )
        if room is None and own is not None and pd.notna(own["volume_l"]):
            room = float(own["volume_l"])
        counts = _past_cycles(mine["opened_on"], first, last, days)
        rng = np.random.default_rng([SEED, sorted({*known, *van}).index(name)])
        company = list(episodes["need"])
        draw = [
            _simulate(list(mine["need"]), company, counts, cycles, rng, len(shelf.item_id))
            for cycles in (CHOOSING, VALUING)
        ]
        found = _plan(
            shelf,
            name,
            draw[0],
            evaluate=draw[1],
            price=shelf.price,
            volume=shelf.volume_l,
            budget=limit,
            volume_limit=room,
            target=target,
            holding=used["parts.holding_rate"] * days / 365.25,
            return_cost=used["visit.return_unpaid"],
            fixed={column[item]: number for item, number in (fix or {}).items()},
            excluded=[column[item] for item in exclude],
            seconds=seconds,
        )
        notes += [f"van {name}: {note}" for note in found.warnings]
        if target is not None and found.completion < target and not found.warnings:
            notes.append(
                f"van {name}: the target was met on the cycles the list was chosen on; on fresh ones "
                f"{text.share(found.completion)} of the jobs are finished"
            )
        rows.append(
            _list(session, name, days, limit, found, shelf, float(draw[1].jobs_per_cycle.mean()))
        )
    hopeless = _hopeless(episodes, shelf)
    settings = {
        **session.choices,
        "currency": used.currency,
        "months": MONTHS,
        "cycle_days": cycle,
        "budget": budget,
        "volume_l": volume,
        "target": target,
        "fix": dict(fix or {}),
        "exclude": list(exclude),
        "seed": SEED,
        "cycles_simulated": VALUING,
        "costs": {key: float(value) for key, value in used.values.items()},
    }
    summary = {
        "vans": len(rows),
        "spend": sum(row.spend for row in rows),
        "jobs": len(episodes),
        "never_finished_share": hopeless["share"],
        "never_finished_parts": hopeless["parts"],
        "demand": "what call-outs of the last months needed, per van, short ones helped out by the company",
        "notes": notes,
    }
    return Stock(
        as_of=session.as_of.isoformat(),
        settings=settings,
        warnings=tuple(warnings),
        summary=summary,
        results=tuple(rows),
    )


def _plan(shelf: _Shelf, van: str, scenarios: Scenarios, **asked: Any) -> Plan:
    """The list of one van; a fault names the van and the item, not its place in a table."""
    try:
        return plan(scenarios, **asked)
    except (PlanError, InputError) as fault:
        said = re.sub(r"\bitem (\d+)\b", lambda found: shelf.item_id[int(found[1])], fault.what)
        raise type(fault)(
            said, where=f"van {van}", do=fault.do or "ask for less, or raise the limit."
        ) from None


def _currency(session: Session) -> str:
    found = session.scalar("select value from raw.settings where name = 'currency'")
    return str(found) if found else "USD"


def _hopeless(episodes: pd.DataFrame, shelf: _Shelf) -> dict[str, Any]:
    """Jobs that no van can finish: a part without an item that can be fitted in the field."""
    lost = episodes[episodes["need"].isna()]
    parts: Counter[str] = Counter()
    for row in lost.itertuples():
        parts.update(p for p in row.needs if shelf.need(row.family, [p]) is None)
    return {"share": len(lost) / max(len(episodes), 1), "parts": dict(parts)}


def _list(
    session: Session,
    van: str,
    days: float,
    budget: float | None,
    found: Plan,
    shelf: _Shelf,
    jobs: float,
) -> VanList:
    """One van's list in the words of the contract."""
    carried = session.run("stg_carried")
    on_board = (
        carried[carried["van_id"] == van].set_index("item_id")["quantity"] if len(carried) else None
    )
    items = []
    order = np.argsort(-found.finishes, kind="stable")
    for k in order:
        item, quantity = shelf.item_id[k], int(found.quantity[k])
        present = None if on_board is None or on_board.empty else int(on_board.get(item, 0))
        if quantity == 0 and not present:
            continue
        items.append(
            Item(
                item_id=item,
                part=shelf.part[item],
                families=shelf.families[item],
                quantity=quantity,
                price=float(shelf.price[k]),
                why=f"finishes {found.finishes[k]:.1f} of {jobs:.0f} jobs a cycle",
                change=None if present is None else quantity - present,
            )
        )
    return VanList(
        van=van,
        cycle_days=days,
        jobs_expected=jobs,
        budget=budget,
        aim={"jobs": "most jobs finished", "spend": "least spend", "cost": "least cost"}[found.aim],
        items=items,
        completion=found.completion,
        completion_ci=(
            min(found.completion_ci[0], found.completion),
            max(found.completion_ci[1], found.completion),
        ),
        cost_per_cycle=found.cost_per_cycle,
        spend=found.spend,
        volume_l=found.volume,
        optimum_gap=found.optimum_gap,
        spend_curve=[SpendPoint(spend=s, completion=c) for s, c in found.spend_curve],
        next_best=[
            Step(items=[shelf.item_id[i] for i in group], price=price, completion=gain)
            for group, price, gain in found.next_best[:NEXT_SHOWN]
        ],
        drop_first=[
            Step(items=[shelf.item_id[i]], price=price, completion=-loss)
            for i, price, loss in found.drop_first[:NEXT_SHOWN]
        ],
    )
