"""Companies whose call-out customers leave without a word, with known truth.

Every unit has parts that fail and are renewed; it calls at each failure while it is still there;
the records begin on day 0 and end on day ``span``. Only what was called for is written down.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from failstats.counts.risk_table import RiskTable
from failstats.counts.row_pass import LossLives, LossRows

YEAR = 365.25


@dataclass(frozen=True)
class LossTruth:
    """What the company is told; durations in years."""

    parts: dict[str, tuple[float, float]] = field(
        default_factory=lambda: {"coil": (1.8, 9.0), "belt": (2.0, 12.0), "switch": (1.3, 20.0)}
    )
    loss: tuple[float, float] = (1.1, 12.0)
    units: int = 4000
    span: float = 8.0
    before: float = 13.0
    told: float = 0.2
    other_rate: float = 0.05
    frailty: float = 0.0  # variance of a gamma frailty on all parts of a unit
    leaves_after_repair: float = 0.0  # chance to leave at a repair: breaks the assumption


def simulate(truth: LossTruth, seed: int) -> pd.DataFrame:
    """Every life of every part in days of the records: unit, part, born, died, and the unit's
    installed and gone days; all of it, seen or not."""
    rng = np.random.Generator(np.random.PCG64(seed))
    n, span = truth.units, truth.span * YEAR
    installed = np.floor(rng.random(n) * (truth.span + truth.before) * YEAR) - truth.before * YEAR
    installed = np.floor(installed)
    shape, scale = truth.loss
    gone = installed + np.ceil(scale * YEAR * (-np.log1p(-rng.random(n))) ** (1 / shape))
    frames = []
    weak = rng.gamma(1 / truth.frailty, truth.frailty, n) if truth.frailty else np.ones(n)
    for part, (k, s) in truth.parts.items():
        born, units = installed.copy(), np.arange(n)
        ordinal = 0
        while units.size:
            died = born + np.ceil(
                s * YEAR * (-np.log1p(-rng.random(units.size)) / weak[units]) ** (1 / k)
            )
            frames.append(
                pd.DataFrame(
                    {"unit": units, "part": part, "ordinal": ordinal, "born": born, "died": died}
                )
            )
            keep = (died < gone[units]) & (died < span)
            units, born, ordinal = units[keep], died[keep], ordinal + 1
    lives = pd.concat(frames, ignore_index=True)
    if truth.leaves_after_repair:
        # a repair that drives the customer away: the unit is gone just after it
        repairs = lives[(lives["died"] >= 0) & (lives["died"] < span)].sort_values("died")
        away = repairs[rng.random(len(repairs)) < truth.leaves_after_repair]
        first = away.groupby("unit")["died"].min()
        gone[first.index] = np.minimum(gone[first.index], first.to_numpy())
    lives["installed"], lives["gone"] = installed[lives["unit"]], gone[lives["unit"]]
    told = rng.random(n) < truth.told
    lives["told"] = told[lives["unit"]] & (gone[lives["unit"]] <= span)
    count = rng.poisson(truth.other_rate * truth.span, n)
    which = np.repeat(np.arange(n), count)
    day = np.floor(rng.random(which.size) * span)
    here = (day >= installed[which]) & (day <= gone[which])
    lives.attrs["other"] = pd.DataFrame({"unit": which[here], "day": day[here]})
    lives.attrs["span"] = span
    return lives


def loss_rows(lives: pd.DataFrame, parts: list[str]) -> tuple[LossRows, pd.DataFrame]:
    """What a company would have on paper: the rows of the fit, and the known-birth lives with
    both brackets for the naive answers (entry 0; exit at the end, at the contact plus a year)."""
    span, other = lives.attrs["span"], lives.attrs["other"]
    failed = lives[
        (lives["died"] >= 0) & (lives["died"] <= lives["gone"]) & (lives["died"] <= span)
    ]
    calls = pd.concat([failed[["unit", "died"]].set_axis(["unit", "day"], axis=1), other])
    first = calls.groupby("unit")["day"].min()
    last = calls.groupby("unit")["day"].max()
    ids = first.index.to_numpy()
    code = pd.Series(np.arange(ids.size), index=ids)
    unit = lives.drop_duplicates("unit").set_index("unit").loc[ids]
    told = unit["told"].to_numpy() & (unit["gone"].to_numpy() >= first.to_numpy())
    contact = np.where(told, unit["gone"].to_numpy(), last.to_numpy())
    installed = unit["installed"].to_numpy()
    ends = np.where(told, contact, span)
    mine = lives[lives["unit"].isin(ids)].copy()
    at = code[mine["unit"]].to_numpy()
    mine["first"], mine["contact"], mine["ends"] = first.to_numpy()[at], contact[at], ends[at]
    mine = mine[(mine["died"] > mine["first"]) & (mine["born"] <= mine["contact"])]
    at = code[mine["unit"]].to_numpy()
    known = (mine["born"] >= mine["first"]).to_numpy()
    dead = ((mine["died"] <= mine["contact"]) & (mine["died"] <= mine["gone"])).to_numpy()
    laws = [*parts, *(f"{part} before" for part in parts)]
    law = np.array([parts.index(p) for p in mine["part"]]) + np.where(known, 0, len(parts))
    born = np.where(known, mine["born"], mine["installed"])
    entry = np.where(known, 0, mine["first"] - born)
    exit_ = np.where(dead, mine["died"], mine["contact"]) - born
    counted = {
        name: RiskTable.from_lives(entry[law == i], exit_[law == i], dead[law == i])
        if (law == i).any()
        else RiskTable.from_lives([0], [1], [False])
        for i, name in enumerate(laws)
    }
    tail = ~dead
    after = other.assign(first=first.reindex(other["unit"]).to_numpy())
    rows = LossRows(
        laws=tuple(laws),
        counted=counted,
        watched_from=first.to_numpy() - installed,
        last_contact=contact - installed,
        ends=ends - installed,
        outcome=told.astype(int),
        tail_unit=at[tail],
        tail_law=law[tail],
        tail_born=(born - mine["installed"]).to_numpy()[tail],
        other_contacts=int((after["day"] > after["first"]).sum()),
        other_days=float((contact - first.to_numpy()).sum()),
        lives=LossLives(
            cluster=at, law=law, entry=np.asarray(entry, dtype=float),
            exit=np.asarray(exit_, dtype=float), failed=dead, unit_cluster=np.arange(ids.size),
            unit_other=np.bincount(
                code[after["unit"]].to_numpy(int),
                weights=after["day"] > after["first"],
                minlength=ids.size,
            ),
        ),
    )  # fmt: skip
    naive = pd.DataFrame(
        {
            "part": mine["part"],
            "failed": dead,
            "to_the_end": np.where(dead, mine["died"], mine["ends"]) - born,
            "contact_plus_a_year": np.where(
                dead, mine["died"], np.minimum(mine["ends"], mine["contact"] + 365)
            )
            - born,
        }
    )[known]
    return rows, naive
