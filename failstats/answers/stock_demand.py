"""What the next cycle will ask of the vans: forecast from the roster, drawn as possible cycles."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from failstats.answers.headline import headline_life
from failstats.answers.lives_fits import silent_parts
from failstats.answers.stock_pairs import PairRule, sets_under
from failstats.answers.stock_shelf import StockShelf
from failstats.answers.wording import words
from failstats.counts.row_pass import hidden_rows
from failstats.errors import FitError
from failstats.estimate.hidden_state import HiddenState, hidden_state_fit
from failstats.estimate.life_models import FittedLife
from failstats.estimate.stocking_forecast import (
    Forecast,
    Roster,
    chance_law,
    excess_size,
    forecast_jobs,
    season_factors,
)
from failstats.estimate.stocking_scenarios import Scenarios
from failstats.estimate.stocking_sets import Drawn, Pools, draw_cycles
from failstats.progress import Stages, each
from failstats.warehouse.session import Session

__all__ = ["MONTHS", "SEED", "Demand", "demand_of", "past_scenarios", "scenarios_of"]

MONTHS = 24  # how far back jobs are compared with what was to be expected of the roster
DRAWS = 24  # of everything that is estimated
SEED = 1
BANDS = ("under_12", "12_to_24", "over_24", "unknown")
STANDINGS = ("contract", "under_1_year", "1_to_2_years", "2_to_4_years", "over_4_years")
BIRTHS = ("known", "assumed", "unknown")
YEAR_DAYS = 365.25
TIMES = {  # seconds on the demo
    "past jobs and parts in service": 2.0,
    "the life of each part": 2.5,
    "the forecast": 0.5,
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Demand:
    """The forecast of all vans for one length of cycle.

    Attributes
    ----------
    days, starts_on : of the coming cycle. vans, parts, families : names of the codes.
    jobs : the past jobs of the same number of months, one row each, in order.
    first_on, last_on : what these months are.
    forecast, pools : see `stocking_forecast`, `stocking_sets`.
    season : (draws,) multiplier of the coming cycle's time of the year.
    size : of the negative binomial count of jobs.
    """

    days: int
    starts_on: dt.date
    vans: list[str]
    parts: list[str]
    families: list[str]
    jobs: pd.DataFrame
    cycles: int
    first_on: dt.date
    last_on: dt.date
    forecast: Forecast
    pools: Pools
    season: np.ndarray
    size: float

    def jobs_of(self, van: str) -> pd.DataFrame:
        """The past jobs of one van."""
        return self.jobs[self.jobs["van_id"] == van]

    def last_cycle(self, van: str) -> pd.DataFrame:
        """The jobs of the last whole cycle of one van, in order of arrival."""
        mine = self.jobs_of(van)
        return mine[mine["cycle"] == 0]

    def expected(self, van: str) -> float:
        """Jobs to expect of one van, by the estimate."""
        return float(self.forecast.jobs[self.vans.index(van)] * self.season[0])

    def drawn(self, van: str, cycles: int, rng: np.random.Generator) -> Drawn:
        """Possible cycles of one van."""
        return draw_cycles(
            self.forecast,
            van=self.vans.index(van),
            pools=self.pools,
            season=self.season,
            size=self.size,
            cycles=cycles,
            rng=rng,
        )

    def scenarios(
        self,
        van: str,
        shelf: StockShelf,
        cycles: int,
        rng: np.random.Generator,
        rules: Sequence[PairRule] = (),
    ) -> Scenarios:
        """The same as needs of items; jobs with a part that no item serves are hopeless."""
        found = self.drawn(van, cycles, rng)
        return scenarios_of(found, self, shelf, rules, rng)


# --- what past jobs needed, as items -----------------------------------------------------------


def scenarios_of(
    found: Drawn,
    demand: Demand,
    shelf: StockShelf,
    rules: Sequence[PairRule],
    rng: np.random.Generator,
) -> Scenarios:
    """Drawn cycles in terms of the shelf's items, under the pair rules in force."""
    needs = demand.jobs["needs"].to_list()
    failed = demand.jobs["failed"].to_list()
    own_family = demand.jobs["family"].to_list()
    named: dict[tuple[int, int, int], int] = {}
    types: dict[Any, int] = {}
    rows: list[dict[int, int] | None] = []
    kind = np.empty(found.past.size, dtype=np.int64)
    chance = rng.random(found.past.size) if rules else np.zeros(found.past.size)
    for place, (past, family, part) in enumerate(
        zip(found.past.tolist(), found.family.tolist(), found.part.tolist(), strict=True)
    ):
        key = (past, family, part)
        if rules or key not in named:
            name = demand.families[family] if family >= 0 else own_family[past] if past >= 0 else ""
            if past >= 0:
                parts = list(needs[past])
                parts = sets_under(rules, parts, list(failed[past]), float(chance[place]))
            else:
                parts = [demand.parts[part]] if part > 0 else []
            need = shelf.need(name, parts)
            frozen = None if need is None else tuple(sorted(need.items()))
            if frozen not in types:
                types[frozen] = len(rows)
                rows.append(need)
            named[key] = types[frozen]
        kind[place] = named[key]
    table = np.zeros((max(len(rows), 1), len(shelf.item_id)), dtype=np.int64)
    for row, need in enumerate(rows):
        for item, quantity in (need or {}).items():
            table[row, item] = quantity
    count = np.bincount(found.cycle, minlength=found.cycles)
    jobs = np.full((found.cycles, int(count.max(initial=0))), -1, dtype=np.int64)
    order = np.arange(found.cycle.size) - np.repeat(np.cumsum(count) - count, count)
    jobs[found.cycle, order] = kind
    can = [need is not None for need in rows] or [True]
    return Scenarios(need=table, jobs=jobs, completable=can)


# --- the forecast ------------------------------------------------------------------------------


def _laws(
    session: Session, parts: Sequence[str], progress: Callable[[str], None] | None
) -> dict[str, FittedLife | HiddenState | None]:
    """Part -> its life as `lives` states it; the two-state model where failures are silent."""
    laws: dict[str, FittedLife | HiddenState | None] = {}
    silent = silent_parts(session)
    for part in each(progress, parts, lambda part: f"the life of each part: {words(part)}"):
        pair = silent.get(part)
        state = None if pair is None else _hidden(session, *pair[0])
        if pair is not None and state is not None:
            laws[part] = state if part == pair[0][0] else (state.visible or state.hidden)
            continue
        found = headline_life(session, part).seen
        laws[part] = found if isinstance(found, FittedLife) else None
    return laws


def _hidden(session: Session, first: str, second: str) -> HiddenState | None:
    """The two-state fit, without the other assumptions that `lives` sets beside it."""
    known = session.kept.get(f"hidden {first} {second}")
    if known is not None:
        return known.fit
    key = f"stock hidden {first} {second}"
    if key not in session.kept:
        try:
            session.kept[key] = hidden_state_fit(
                hidden_rows(session.some_units(), first, second)
            ).clustered()
        except FitError:
            session.kept[key] = None
    return session.kept[key]


def _starts(session: Session, days: int) -> list[dt.date]:
    """The last day before each past cycle, latest first; at least one."""
    last = session.as_of
    first = dt.date.fromisoformat(session.choices["records_from"])
    if session.choices["from"]:
        first = max(first, dt.date.fromisoformat(session.choices["from"]))
    whole = ((last - first).days + 1) // days
    most = max(round(MONTHS * YEAR_DAYS / 12 / days), 1)
    count = min(max(whole, 1), most)
    return [last - dt.timedelta(days=days * k) for k in range(1, count + 1)]


def _codes(values: pd.Series, names: Sequence[str]) -> np.ndarray:
    place = {name: code for code, name in enumerate(names)}
    return values.map(place).fillna(-1).to_numpy(int)


def _roster(frame: pd.DataFrame, parts: list[str], families: list[str], vans: list[str]) -> Roster:
    return Roster(
        part=_codes(frame["part"], parts),
        family=_codes(frame["family"], families),
        van=_codes(frame["van_id"], vans),
        band=_codes(frame["band"], BANDS),
        standing=_codes(frame["standing"], STANDINGS),
        birth=_codes(frame["birth"], BIRTHS),
        age_days=frame["age_quarters"].to_numpy(float) * 91,
        partner_days=frame["partner_quarters"].astype("Float64").to_numpy(float, na_value=np.nan)
        * 91,
        lives=frame["lives"].to_numpy(float),
        led=frame["led"].to_numpy(float),
    )


def demand_of(
    session: Session,
    *,
    days: float,
    starting: dt.date | None = None,
    progress: Callable[[str], None] | None = None,
) -> Demand:
    """Forecast the next cycle of every van.

    Parameters
    ----------
    days : length of the cycle (rounded to whole days).
    starting : its first day; default the day after the as-of date.
    progress : called with each step.
    """
    whole = max(round(days), 1)
    first_day = starting or session.as_of + dt.timedelta(days=1)
    key = f"demand {whole} {first_day}"
    if key not in session.kept:
        session.kept[key] = _demand(session, whole, first_day, progress)
    found = session.kept[key]
    assert isinstance(found, Demand)
    return found


def _demand(
    session: Session, days: int, first_day: dt.date, progress: Callable[[str], None] | None
) -> Demand:
    stage = Stages(progress, TIMES)
    stage("past jobs and parts in service")
    starts = _starts(session, days)
    jobs = session.run("stock_jobs", starts=starts, days=days)
    past = session.run("stock_roster", starts=starts, days=days)
    now = session.run("stock_roster", starts=[session.as_of], days=days)
    stated = session.run("stg_vans")["van_id"].tolist()
    vans = sorted({*jobs["van_id"], *(v for v in now["van_id"] if v), *stated})
    parts = ["", *sorted({*past["part"], *now["part"], *jobs["lead"]} - {""})]
    families = sorted({*past["family"], *now["family"], *jobs["family"]})
    fuels = sorted({*past["fuel"], *now["fuel"], *jobs["fuel"]})
    fuel_of = dict(zip(jobs["family"], jobs["fuel"], strict=True))
    fuel_of |= dict(zip(now["family"], now["fuel"], strict=True))
    last = pd.Timestamp(session.as_of)
    jobs["cycle"] = (last - pd.to_datetime(jobs["opened_on"])).dt.days // days
    rng = np.random.default_rng(SEED)
    stage("the life of each part")
    laws = _laws(session, parts[1:], progress)
    stage("the forecast")
    hazards = [chance_law(None, draws=DRAWS, rng=rng)]
    hazards += [chance_law(laws[part], draws=DRAWS, rng=rng) for part in parts[1:]]
    unexpected = jobs[~jobs["expected"].astype(bool)]
    extra = unexpected["van_id"].value_counts().reindex(vans).fillna(0).to_numpy(float)
    forecast = forecast_jobs(
        _roster(past, parts, families, vans),
        now=_roster(now, parts, families, vans),
        unexpected=extra,
        cycles=len(starts),
        hazards=hazards,
        days=float(days),
        later_days=float((first_day - session.as_of).days - 1),
        sizes=(len(vans), len(parts), len(families)),
        seed=SEED,
    )
    counts = np.zeros((max(len(vans), 1), len(starts)))
    place = {van: k for k, van in enumerate(vans)}
    kept = jobs[jobs["cycle"] < len(starts)]
    np.add.at(counts, (kept["van_id"].map(place).to_numpy(int), kept["cycle"].to_numpy(int)), 1)
    months = session.run("stock_months")
    factors = season_factors(months["jobs"], month=months["month"], draws=DRAWS, seed=SEED)
    dates = pd.date_range(first_day, periods=days)
    return Demand(
        days=days,
        starts_on=first_day,
        vans=vans,
        parts=parts,
        families=families,
        jobs=jobs,
        cycles=len(starts),
        first_on=starts[-1] + dt.timedelta(days=1),
        last_on=session.as_of,
        forecast=forecast,
        pools=_pools(jobs, vans, parts, families, fuels, fuel_of),
        season=factors[:, dates.month.to_numpy() - 1].mean(axis=1),
        size=excess_size(counts),
    )


def _pools(
    jobs: pd.DataFrame,
    vans: list[str],
    parts: list[str],
    families: list[str],
    fuels: list[str],
    fuel_of: Mapping[str, str],
) -> Pools:
    van, part = _codes(jobs["van_id"], vans), _codes(jobs["lead"], parts)
    fuel = _codes(jobs["fuel"], fuels)
    expected = jobs["expected"].to_numpy(bool)

    def groups(*columns: np.ndarray, rows: np.ndarray) -> dict[Any, np.ndarray]:
        table = np.column_stack([column[rows] for column in columns])
        out: dict[Any, list[int]] = {}
        for key, row in zip(map(tuple, table.tolist()), rows.tolist(), strict=True):
            out.setdefault(key if len(key) > 1 else key[0], []).append(row)
        return {key: np.array(found, dtype=np.int64) for key, found in out.items()}

    everyone, new = np.arange(len(jobs)), np.flatnonzero(~expected)
    codes = {name: code for code, name in enumerate(fuels)}
    return Pools(
        by_part=groups(part, fuel, rows=everyone),
        by_van=groups(van, part, fuel, rows=everyone),
        newcomers=new,
        newcomers_by_van=groups(van, rows=new),
        fuel_of=np.array([codes[fuel_of[name]] for name in families], dtype=np.int64),
    )


def past_scenarios(jobs: pd.DataFrame, shelf: StockShelf) -> Scenarios:
    """Past jobs as one cycle, in order of arrival: what they needed, as items."""
    needs = [
        shelf.need(family, list(parts))
        for family, parts in zip(jobs["family"], jobs["needs"], strict=True)
    ]
    return Scenarios.from_sets([needs], items=len(shelf.item_id))
