"""How long each exhaust run is by the code's table, and how hard air is pushed through it.

Units whose runs are described alike are worked out once; a unit's own run is looked up where its
rows are.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from failstats.answers.vents_models import UNKNOWN
from failstats.estimate.airflow import (
    BASE_LENGTH,
    CAUTION,
    CODE_TABLE,
    ELBOW_LENGTH,
    INCH,
    RADIUS_TOLERANCE,
    equivalent_length,
    over_limit,
    pressure_drop,
)
from failstats.warehouse.session import Session

__all__ = ["EDITION", "FLOW", "Runs", "run_lengths", "runs_of_units"]

EDITION = "2021"
# Air through a dryer's exhaust: 150 cubic feet a minute (common practice, no source: 100 to 200).
FLOW = 150 * 0.3048**3 / 60
DROP_BINS = 10
LONGEST_SHOWN = 20
DESCRIBED = (
    "duct_length_m", "elbows_90", "elbows_45", "elbow_radius_m", "duct_diameter_m", "duct_limit_m",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Runs:
    """Every exhaust run: ``known``, by its description, with length (within, over_limit, unknown)
    and drop_bin (0: unknown); ``drops`` (bins + 1,) the median pressure drop of each bin in
    pascals; ``said``: the flag in numbers, with the caution that belongs beside it."""

    known: pd.DataFrame
    drops: np.ndarray
    said: dict[str, Any]


def _numbers(frame: pd.DataFrame) -> pd.DataFrame:
    """Descriptions as numbers, blanks as NaN: so they can be joined."""
    return frame.assign(
        **{name: pd.to_numeric(frame[name], errors="coerce").astype(float) for name in DESCRIBED}
    )


def runs_of_units(session: Session, known: pd.DataFrame) -> pd.DataFrame:
    """Of the units of this session: unit_id and what ``known`` says of their runs."""
    units = _numbers(session.run("vents_unit_runs"))
    found = units.merge(known, on=list(DESCRIBED), how="left")
    return found.drop(columns=list(DESCRIBED))


def _longest(session: Session, over: pd.DataFrame) -> pd.DataFrame:
    """Of some units: those furthest over their limit."""
    found = runs_of_units(session, over).dropna(subset="excess")
    return _first(found)


def _first(found: pd.DataFrame) -> pd.DataFrame:
    order = found.assign(shorter=-found["excess"]).sort_values(["shorter", "unit_id"])
    return order.drop(columns="shorter").head(LONGEST_SHOWN)


def _median(values: np.ndarray, units: np.ndarray) -> float:
    """Of values that stand for so many units each."""
    order = np.argsort(values)
    upto = np.cumsum(units[order])
    middle = [(upto[-1] - 1) // 2, upto[-1] // 2]
    return float(values[order][np.searchsorted(upto, middle, side="right")].mean())


def run_lengths(session: Session, edition: str) -> Runs:
    """How long each exhaust run is by the code's table, and how hard air is pushed through it.

    Notes
    -----
    Pressure drop: Darcy-Weisbach with Colebrook friction over the equivalent length at 150 cubic
    feet a minute, every duct as smooth metal: a scale to order runs by, not a measurement. It is
    cut into tenths of all units; runs of one drop lie in one bin. The code's deduction for an
    elbow is no hydraulic equivalent.

    Raises
    ------
    InputError : no such edition.
    """
    runs = _numbers(session.run("vents_runs"))
    number = {name: runs[name].to_numpy(float) for name in DESCRIBED}
    units = runs["units"].to_numpy(np.int64)
    radius = number["elbow_radius_m"]
    nominal = np.array([inches * INCH for inches in ELBOW_LENGTH])
    listed = (np.abs(radius[:, None] - nominal) <= RADIUS_TOLERANCE).any(axis=1)
    odd = ~listed & ~np.isnan(radius)
    length = equivalent_length(
        number["duct_length_m"],
        elbows_90=number["elbows_90"],
        elbows_45=number["elbows_45"],
        elbow_radius=np.where(odd, np.nan, radius),
        edition=edition,
    )
    run = over_limit(length, maker_limit=number["duct_limit_m"], edition=edition)
    bore = number["duct_diameter_m"]
    drop = pressure_drop(length, flow=FLOW, diameter=np.where(bore > 0, bore, 4 * INCH))
    known = np.asarray(run.known)
    word = np.where(~known, UNKNOWN, np.where(run.over, "over_limit", "within"))
    bins = np.zeros(len(runs), dtype=np.int64)
    drops = np.zeros(DROP_BINS + 1)
    if known.any():
        _, place = np.unique(drop[known], return_inverse=True)
        there = np.bincount(place, weights=units[known]).astype(np.int64)
        below = (np.cumsum(there) - there)[place]  # units with a smaller drop
        bins[known] = below * DROP_BINS // units[known].sum() + 1
        for k in np.unique(bins[known]):
            drops[k] = _median(drop[bins == k], units[bins == k])
    over = known & run.over
    longest = _first(
        pd.concat(
            session.map_units(
                _longest,
                runs.loc[over, list(DESCRIBED)].assign(
                    equivalent=run.equivalent[over],
                    limit=run.limit[over],
                    excess=run.excess[over],
                    drop=drop[over],
                ),
                reading=("vents_unit_runs",),
            ),
            ignore_index=True,
        )
    )
    said = {
        "edition": edition,
        "table": CODE_TABLE.get(edition, "mitred elbows only"),
        "code_limit_m": float(BASE_LENGTH[edition]),
        "known": int(units[known].sum()),
        "over_limit": int(units[over].sum()),
        "by_makers_limit": int(units[run.by_maker].sum()),
        "unknown": int(units[~known].sum()),
        "odd_radius_taken_as_mitred": int(units[odd].sum()),
        "longest": [
            {
                "unit_id": str(row.unit_id),
                "equivalent_m": float(row.equivalent),
                "limit_m": float(row.limit),
                "excess_m": float(row.excess),
                "pressure_drop_pa": float(row.drop),
            }
            for row in longest.itertuples()
        ],
        "flow_m3_per_s": FLOW,
        "caution": CAUTION,
    }
    listed = runs[list(DESCRIBED)].assign(length=word, drop_bin=bins)
    return Runs(known=listed, drops=drops, said=said)
