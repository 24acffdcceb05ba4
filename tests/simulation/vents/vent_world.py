"""Companies whose vents are cleaned more or less often, as arrays, with the truth known.

One unit has a coil (which the vent reaches) and a door switch (which it does not). Heavy users
neglect more: both parts fail more often behind a neglected vent even where it does nothing. Units
of a building share a cleaner and a share of their frailty. Time runs in whole days; a failure and
a cleaning happen at the end of their day. The neglect clock is written here a second time, by
different means than the queries, so that the two can be compared.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

YEAR = 365.25
END = 2922  # records cover days 0 to END: eight years
BANDS = ("under_12", "12_to_24", "over_24", "unknown")
EDGES = (364, 729)  # the last days, counted from the cleaning, of the first two bands
WATCHED_LONG = 730  # days of watching after which neglect is over 24 months at least
HORIZON, REACTION = 395, 30  # days ahead to the next cleaning; days in which it may be a reaction
FAR = 10**6


@dataclass(frozen=True, kw_only=True)
class World:
    """What the company is told. Durations in years; a Weibull life is exp(-(t/scale)^shape)."""

    units: int = 2600
    ratio: float = 2.0  # over 24 months; 12 to 24 months has its square root
    use_sd: float = 0.45  # of log loads a week
    use_coil: float = 0.8  # the hazard goes as (loads/6)^use
    use_switch: float = 1.0
    coil: tuple[float, float] = (1.8, 9.0)  # shape, scale
    switch: tuple[float, float] = (1.4, 11.0)
    frailty: float = 6.0  # gamma shape, by unit; the coil only
    building_frailty: float = 12.0  # gamma shape, by building
    in_buildings: float = 0.4
    building_size: int = 8
    interval: float = 1.7  # median years between cleanings at 6 loads a week
    interval_sd: float = 0.45  # between units (buildings)
    interval_noise: float = 0.25  # from one cleaning to the next
    interval_use: float = 0.45  # heavy users neglect more
    at_failure: float = 0.22  # vents cleaned at the very visit of a failure
    vent_new: float = 0.45
    joined_new: float = 0.6  # share of units watched from installation
    recorded: float = 0.95  # share of units whose use is in the records


@dataclass(frozen=True, kw_only=True, eq=False)
class Company:
    """Units, lives of known birth (coil or switch), cleanings as they were made, and every
    replacement of a failed part while the unit was watched."""

    units: pd.DataFrame
    lives: pd.DataFrame
    cleanings: pd.DataFrame
    replaced: pd.DataFrame


def _roster(world: World, rng: np.random.Generator) -> dict[str, np.ndarray]:
    n = world.units
    shared = rng.random(n) < world.in_buildings
    building = np.where(shared, np.arange(n) // world.building_size, np.arange(n) + n)
    house = np.unique(building, return_inverse=True)[1]
    count = house.max() + 1
    new = rng.random(n) < world.joined_new
    enrolled = np.floor(rng.uniform(0, END - 200, n)).astype(np.int64)
    age = np.where(new, 0, np.floor(rng.uniform(0, 12 * YEAR, n))).astype(np.int64)
    leaves = enrolled + np.ceil(rng.exponential(14 * YEAR, n)).astype(np.int64)
    loads = 6 * np.exp(rng.normal(-(world.use_sd**2) / 2, world.use_sd, n))
    together = rng.gamma(world.building_frailty, 1 / world.building_frailty, count)
    habit = world.interval * YEAR * np.exp(rng.normal(0, world.interval_sd, count))
    return {
        "building": building,
        "starts": enrolled,
        "ends": np.minimum(leaves, END),
        "installed": enrolled - age,
        "loads": loads,
        "frailty": rng.gamma(world.frailty, 1 / world.frailty, n) * together[house],
        "habit": habit[house] * (loads / 6) ** world.interval_use,
        "vent_new": rng.random(n) < world.vent_new,
        "recorded": rng.random(n) < world.recorded,
    }


def simulate(world: World, rng: np.random.Generator) -> Company:
    """Let one company live: what fails when, and which cleanings are made."""
    r = _roster(world, rng)
    n = world.units
    laws = {"coil": world.coil, "switch": world.switch}
    factor = {
        "coil": r["frailty"] * (r["loads"] / 6) ** world.use_coil,
        "switch": (r["loads"] / 6) ** world.use_switch,
    }
    raised = np.array([1.0, np.sqrt(world.ratio), world.ratio])
    now = r["installed"].astype(float)
    last = np.where(r["vent_new"], now, now - np.floor(rng.uniform(0, 4 * YEAR, n)))

    def gap(size: int, who: np.ndarray) -> np.ndarray:
        return np.ceil(r["habit"][who] * np.exp(rng.normal(0, world.interval_noise, size)))

    everyone = np.arange(n)
    due = np.maximum(last + gap(n, everyone), now + 1)
    born = {part: now.copy() for part in laws}
    left = {part: rng.exponential(1.0, n) for part in laws}
    ended: dict[str, list[tuple[np.ndarray, ...]]] = {part: [] for part in laws}
    cleaned: list[tuple[np.ndarray, np.ndarray]] = []
    active = everyone
    while active.size:
        t, since = now[active], last[active]
        neglected = t - since
        band = (neglected >= 365).astype(int) + (neglected >= 730)
        change = np.where(band == 0, since + 365, np.where(band == 1, since + 730, FAR))
        until = np.minimum(np.minimum(change, due[active]), r["ends"][active].astype(float))
        first, part_first = np.full(active.size, np.inf), np.full(active.size, -1)
        spent = {}
        for k, (part, (shape, scale)) in enumerate(laws.items()):
            speed = factor[part][active] * (raised[band] if part == "coil" else 1.0)
            begin = ((t - born[part][active]) / (scale * YEAR)) ** shape
            at = born[part][active] + scale * YEAR * (begin + left[part][active] / speed) ** (
                1 / shape
            )
            day = np.maximum(np.ceil(at), t + 1)
            sooner = (day <= until) & (day < first)
            first, part_first = np.where(sooner, day, first), np.where(sooner, k, part_first)
            spent[part] = (speed, begin)
        to = np.minimum(first, until)
        for part, (shape, scale) in laws.items():
            speed, begin = spent[part]
            done = ((to - born[part][active]) / (scale * YEAR)) ** shape
            left[part][active] = np.maximum(left[part][active] - speed * (done - begin), 1e-12)
        now[active] = to
        clean = to == due[active]
        for k, part in enumerate(laws):
            failing = (part_first == k) & (first <= until)
            who = active[failing]
            ended[part].append((who, born[part][who].copy(), to[failing]))
            born[part][who] = to[failing]
            left[part][who] = rng.exponential(1.0, who.size)
            clean |= failing & (rng.random(active.size) < world.at_failure)
        who = active[clean]
        cleaned.append((who, to[clean]))
        last[who] = to[clean]
        due[who] = to[clean] + gap(who.size, who)
        active = active[now[active] < r["ends"][active]]
    units = pd.DataFrame({"unit_id": everyone, **r})
    unit, day = (np.concatenate(x).astype(np.int64) for x in zip(*cleaned, strict=True))
    return Company(
        units=units,
        lives=_lives(units, ended, born),
        cleanings=pd.DataFrame({"unit_id": unit, "day": day}).sort_values(["unit_id", "day"]),
        replaced=_replaced(units, ended),
    )


def _replaced(units: pd.DataFrame, ended: dict[str, list[tuple[np.ndarray, ...]]]) -> pd.DataFrame:
    """Unit, day and part of every failure while the unit was watched, whatever its part's age."""
    pieces = []
    for part, blocks in ended.items():
        who, _, day = (np.concatenate(x) for x in zip(*blocks, strict=True))
        seen = day >= units["starts"].to_numpy()[who]
        pieces.append(pd.DataFrame({"unit_id": who[seen], "day": day[seen], "part": part}))
    return pd.concat(pieces, ignore_index=True)


def _lives(
    units: pd.DataFrame, ended: dict[str, list[tuple[np.ndarray, ...]]], born: dict[str, np.ndarray]
) -> pd.DataFrame:
    """Lives with known birth: those that began while the unit was watched."""
    pieces = []
    for part, blocks in ended.items():
        who, birth, death = (np.concatenate(x) for x in zip(*blocks, strict=True))
        pieces.append(pd.DataFrame({"unit_id": who, "born": birth, "exit": death, "failed": True}))
        pieces.append(
            pd.DataFrame(
                {
                    "unit_id": units["unit_id"],
                    "born": born[part],
                    "exit": units["ends"],
                    "failed": False,
                }
            )
        )
        for piece in pieces[-2:]:
            piece["part"] = part
    lives = pd.concat(pieces, ignore_index=True).merge(units, on="unit_id")
    lives = lives[(lives["born"] >= lives["starts"]) & (lives["exit"] > lives["born"])]
    first = lives["born"] == lives["installed"]
    age = (lives["born"] - lives["installed"]) / YEAR
    words = np.select([first, age < 5, age < 10], ["first", "under_5", "5_to_10"], "over_10")
    return lives.assign(
        first_or_later=np.where(first, "first", "later"),
        unit_age=words,
        born=lives["born"].astype(np.int64),
        exit=lives["exit"].astype(np.int64),
    ).reset_index(drop=True)


def clock(company: Company, *, same_day: bool = False) -> pd.DataFrame:
    """Stretches of one band of neglect: unit, band, from < day <= to, from recorded cleanings.

    same_day : a cleaning acts on its own day already (the mistake).
    """
    units = company.units
    seen = company.cleanings.merge(units[["unit_id", "starts", "ends"]], on="unit_id")
    seen = seen[(seen["day"] >= seen["starts"]) & (seen["day"] <= seen["ends"])]
    new = units[units["vent_new"] & (units["installed"] == units["starts"])]
    anchors = pd.concat(
        [
            pd.DataFrame({"unit_id": units["unit_id"], "day": units["starts"] - 1, "known": 0}),
            pd.DataFrame({"unit_id": new["unit_id"], "day": new["starts"], "known": 1}),
            pd.DataFrame({"unit_id": seen["unit_id"], "day": seen["day"] - same_day, "known": 1}),
        ]
    ).drop_duplicates()
    anchors = anchors.sort_values(["unit_id", "day", "known"]).reset_index(drop=True)
    unit, day = anchors["unit_id"].to_numpy(), anchors["day"].to_numpy()
    known = anchors["known"].to_numpy(bool)
    end = units["ends"].to_numpy()[unit]
    following = np.append(day[1:], FAR)
    to = np.where(np.append(unit[1:], -1) == unit, following, end)
    first, second = day + EDGES[0], day + EDGES[1]
    opened = day + WATCHED_LONG
    pieces = [
        (known, 0, day, np.minimum(to, first)),
        (known, 1, first, np.minimum(to, second)),
        (known, 2, second, to),
        (~known, 3, day, np.minimum(to, opened)),
        (~known, 2, opened, to),
    ]
    rows = []
    for mask, band, begin, stop in pieces:
        kept = mask & (begin < stop)
        rows.append(
            pd.DataFrame(
                {"unit_id": unit[kept], "band": band, "from": begin[kept], "to": stop[kept]}
            )
        )
    return pd.concat(rows).sort_values(["unit_id", "from"]).reset_index(drop=True)


def _pairs(
    unit: np.ndarray, begins: np.ndarray, stops: np.ndarray, pieces: pd.DataFrame
) -> tuple[np.ndarray, np.ndarray]:
    """Which rows meet which pieces of their unit; pieces of a unit touch and are sorted."""
    key = pieces["unit_id"].to_numpy() * 2 * FAR + pieces["from"].to_numpy() + FAR
    place = unit * 2 * FAR + FAR
    begin = np.searchsorted(key, place + begins, side="right") - 1
    stop = np.searchsorted(key, place + stops, side="left")
    count = np.maximum(stop - begin, 0)
    row = np.repeat(np.arange(unit.size), count)
    piece = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + begin[row]
    return row, piece


def episodes(company: Company, part: str, *, same_day: bool = False) -> pd.DataFrame:
    """Stretches at risk of one part, with the columns that the models take."""
    pieces = clock(company, same_day=same_day)
    lives = company.lives[company.lives["part"] == part].reset_index(drop=True)
    life, piece = _pairs(
        lives["unit_id"].to_numpy(), lives["born"].to_numpy(), lives["exit"].to_numpy(), pieces
    )
    mine, there = lives.iloc[life].reset_index(drop=True), pieces.iloc[piece].reset_index(drop=True)
    frame = pd.DataFrame(
        {
            "unit_id": mine["unit_id"],
            "cluster_id": mine["building"],
            "life": life,
            "born": mine["born"],
            "stratum": mine["first_or_later"],
            "unit_age": mine["unit_age"],
            "band": np.array(BANDS)[there["band"]],
            "loads_bin": loads_bins(company.units)[mine["unit_id"]],
            "start_days": np.maximum(mine["born"], there["from"]) - mine["born"],
            "stop_days": np.minimum(mine["exit"], there["to"]) - mine["born"],
            "failed": mine["failed"] & (there["to"] >= mine["exit"]),
        }
    )
    return frame[frame["start_days"] < frame["stop_days"]].reset_index(drop=True)


def coming(company: Company) -> pd.DataFrame:
    """Stretches by when the next recorded cleaning comes: unit, future, from < day <= to."""
    units = company.units
    seen = company.cleanings.merge(units[["unit_id", "starts", "ends"]], on="unit_id")
    seen = seen[(seen["day"] >= seen["starts"]) & (seen["day"] <= seen["ends"])]
    seen = seen.drop_duplicates(["unit_id", "day"])[["unit_id", "day"]]
    marks = pd.concat(
        [seen, pd.DataFrame({"unit_id": units["unit_id"], "day": np.full(len(units), FAR)})]
    ).sort_values(["unit_id", "day"])
    unit, nxt = marks["unit_id"].to_numpy(), marks["day"].to_numpy()
    start, end = units["starts"].to_numpy()[unit] - 1, units["ends"].to_numpy()[unit]
    before = np.where(np.append(-1, unit[:-1]) == unit, np.append(0, nxt[:-1]), start)
    closing = np.maximum(end - HORIZON, start)
    rows = []
    for word, begin, stop in (
        ("later", before, nxt - HORIZON - 1),
        ("soon", np.maximum(before, nxt - HORIZON - 1), nxt - REACTION - 1),
        ("at_once", np.maximum(before, nxt - REACTION - 1), nxt),
    ):
        begin, stop = np.maximum(begin, start), np.minimum(stop, closing)
        kept = begin < stop
        rows.append(
            pd.DataFrame(
                {"unit_id": unit[kept], "future": word, "from": begin[kept], "to": stop[kept]}
            )
        )
    last = units["ends"].to_numpy()
    close = np.maximum(last - HORIZON, units["starts"].to_numpy() - 1)
    rows.append(
        pd.DataFrame({"unit_id": units["unit_id"], "future": "end", "from": close, "to": last})
    )
    return pd.concat(rows).sort_values(["unit_id", "from"]).reset_index(drop=True)


def with_future(company: Company, frame: pd.DataFrame) -> pd.DataFrame:
    """The stretches at risk, cut where the outlook on the next cleaning changes too."""
    pieces = coming(company)
    begin, stop = frame["born"] + frame["start_days"], frame["born"] + frame["stop_days"]
    row, piece = _pairs(frame["unit_id"].to_numpy(), begin.to_numpy(), stop.to_numpy(), pieces)
    mine, there = frame.iloc[row].reset_index(drop=True), pieces.iloc[piece].reset_index(drop=True)
    end = mine["born"] + mine["stop_days"]
    mine = mine.assign(
        future=there["future"],
        start_days=np.maximum(mine["start_days"], there["from"] - mine["born"]),
        failed=mine["failed"] & (there["to"] >= end),
        stop_days=np.minimum(mine["stop_days"], there["to"] - mine["born"]),
    )
    return mine[mine["start_days"] < mine["stop_days"]].reset_index(drop=True)


def in_one_unit(company: Company) -> pd.DataFrame:
    """Failures of coil or switch while the age of both is known: which, ages, band, cluster."""
    rows = []
    pieces = clock(company)
    for part, other in (("coil", "switch"), ("switch", "coil")):
        mine = company.lives[(company.lives["part"] == part) & company.lives["failed"]]
        beside = company.lives.loc[company.lives["part"] == other, ["unit_id", "born", "exit"]]
        both = mine.merge(beside, on="unit_id", suffixes=("", "_other"))
        both = both[(both["born_other"] < both["exit"]) & (both["exit_other"] >= both["exit"])]
        ages = both["exit"] - both["born"], both["exit"] - both["born_other"]
        _, piece = _pairs(
            both["unit_id"].to_numpy(), both["exit"].to_numpy() - 1, both["exit"].to_numpy(), pieces
        )
        rows.append(
            pd.DataFrame(
                {
                    "unit_id": both["unit_id"].to_numpy(),
                    "is_part": part == "coil",
                    "band": np.array(BANDS)[pieces["band"].to_numpy()[piece]],
                    "cluster_id": both["building"].to_numpy(),
                    "loads_bin": loads_bins(company.units)[both["unit_id"].to_numpy()],
                    "part_age": ages[0 if part == "coil" else 1].to_numpy(),
                    "control_age": ages[1 if part == "coil" else 0].to_numpy(),
                }
            )
        )
    return pd.concat(rows, ignore_index=True)


def loads_bins(units: pd.DataFrame) -> np.ndarray:
    """Ten quantile bins of recorded use; 0 where it is not recorded."""
    known = units["recorded"].to_numpy()
    bins = np.zeros(len(units), dtype=np.int64)
    order = np.argsort(np.argsort(units["loads"].to_numpy()[known]))
    bins[known] = order * 10 // max(known.sum(), 1) + 1
    return bins


def naive(company: Company, part: str, *, by_the_end: bool) -> tuple[float, float]:
    """Log ratio of failures per day, lives ever cleaned against never, and its standard error.

    by_the_end : a cleaning at the visit of the failure counts too; else only earlier ones, which
        still hands the days before the cleaning to the cleaned (immortal time).
    """
    lives = company.lives[company.lives["part"] == part].reset_index(drop=True)
    wide = 2 * FAR
    key = np.sort(
        company.cleanings["unit_id"].to_numpy() * wide + company.cleanings["day"].to_numpy() + FAR
    )
    place = lives["unit_id"].to_numpy() * wide + FAR
    last = lives["exit"].to_numpy() - (0 if by_the_end else 1)
    ever = np.searchsorted(key, place + last, side="right") > np.searchsorted(
        key, place + lives["born"].to_numpy(), side="right"
    )
    days = (lives["exit"] - lives["born"]).to_numpy(float)
    failed = lives["failed"].to_numpy(bool)
    cases = np.array([failed[ever].sum(), failed[~ever].sum()], dtype=float)
    rate = cases / np.array([days[ever].sum(), days[~ever].sum()])
    return float(np.log(rate[0] / rate[1])), float(np.sqrt((1 / cases).sum()))


def changed(world: World, **told: Any) -> World:
    """The same world, told something else."""
    return replace(world, **told)
