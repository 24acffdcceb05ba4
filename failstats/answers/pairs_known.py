"""What is known of a dryer that makes its parts last longer or shorter: use, family, run, vent.

Two parts that fail early in the same dryers may do so because the dryer is used hard or its vent
is neglected. What the records say of that goes into the fit; only what is left over is frailty.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from failstats.answers.vents_models import UNKNOWN
from failstats.answers.vents_runs import EDITION, run_lengths, runs_of_units
from failstats.warehouse.session import Session

__all__ = ["cut_by_vents", "known_columns", "known_of_units"]

FEWEST_IN_LEVEL = 5  # failures of either part in a level, to tell it from the largest one
FEWEST_KNOWN = 0.5  # share of rows with use recorded: below, use is left out
#: Levels that the others are held against; else the one with the most rows.
PLAIN = {"vent_state": "under_12", "run_length": "within"}
LEVELS = ("family", "fuel", "run_length", "vent_state")


def known_of_units(session: Session) -> pd.DataFrame:
    """unit_id, family, fuel, loads_per_week, run_length (within, over_limit, unknown)."""
    units = session.run("stg_units")[["unit_id", "family", "fuel", "loads_per_week"]]
    known = run_lengths(session, EDITION).known
    runs = runs_of_units(session, known).rename(columns={"length": "run_length"})
    return units.merge(runs[["unit_id", "run_length"]], on="unit_id", how="left")


def cut_by_vents(stretches: pd.DataFrame, neglect: pd.DataFrame) -> pd.DataFrame:
    """Stretches of `lives_hidden`, cut on the days the vent's state changes.

    Parameters
    ----------
    stretches : with life, unit_id, span, from_on, to_on, ages at from_on and to_on, and what
        happened at the end.
    neglect : rows of `pairs_neglect`.

    Returns
    -------
    The same with vent_state ("unknown" where nothing is said); no day is lost or counted twice,
    and what happened stays at the end of the last piece.
    """
    stretches = stretches.assign(stretch=np.arange(len(stretches)))
    inside = stretches.merge(neglect, on=["unit_id", "span"])
    inside = inside[(inside["from_day"] < inside["to_on"]) & (inside["to_day"] > inside["from_on"])]
    cuts = pd.concat(
        [
            stretches[["stretch", "from_on"]].rename(columns={"from_on": "cut_on"}),
            inside.loc[inside["from_day"] > inside["from_on"], ["stretch", "from_day"]].rename(
                columns={"from_day": "cut_on"}
            ),
            inside.loc[inside["to_day"] < inside["to_on"], ["stretch", "to_day"]].rename(
                columns={"to_day": "cut_on"}
            ),
        ]
    ).drop_duplicates()
    cuts = cuts.sort_values(["stretch", "cut_on"], kind="stable")
    pieces = stretches.merge(cuts, on="stretch", how="right")
    following = pieces["cut_on"].shift(-1).where(pieces["stretch"] == pieces["stretch"].shift(-1))
    last = following.isna()
    begins = (pieces["cut_on"] - pieces["from_on"]).dt.days
    ends = (following.fillna(pieces["to_on"]) - pieces["from_on"]).dt.days
    states = pieces[["stretch", "cut_on"]].merge(
        inside[["stretch", "from_day", "to_day", "band"]], on="stretch"
    )
    states = states[
        (states["from_day"] <= states["cut_on"]) & (states["cut_on"] < states["to_day"])
    ]
    states = states.drop_duplicates(["stretch", "cut_on"])[["stretch", "cut_on", "band"]]
    state = pieces.merge(states, on=["stretch", "cut_on"], how="left")["band"].fillna(UNKNOWN)
    ages = {
        "b_to": pieces["b_from"] + ends,
        "b_from": pieces["b_from"] + begins,
        "a_from": pieces["a_from"] + begins,
    }
    flags = {name: pieces[name] & last for name in ("a_failed", "visible", "untested")}
    counts = {name: pieces[name].where(last, 0) for name in ("hot_passed", "cold_passed", "found")}
    return pieces.assign(**ages, **flags, **counts, vent_state=state.to_numpy()).drop(
        columns=["stretch", "cut_on"]
    )


def known_columns(frame: pd.DataFrame, failures: list[pd.Series]) -> tuple[pd.DataFrame, list[str]]:
    """Columns of what is known, and what they are about.

    Parameters
    ----------
    frame : one row per stretch, with loads_per_week, family, fuel, run_length, vent_state.
    failures : whether each of the two parts failed at the end of each row.

    Notes
    -----
    Use is the log of loads a week about its mean; not recorded is a level of its own. A level in
    which a part failed fewer than five times is not told from the usual one. Fuel is left out
    where the families say it.
    """
    columns: dict[str, pd.Series] = {}
    names: list[str] = []

    def enough(inside: pd.Series) -> bool:
        return min(int((one & inside).sum()) for one in failures) >= FEWEST_IN_LEVEL

    loads = frame["loads_per_week"].astype(float)
    known = loads.notna() & (loads > 0)
    if known.mean() > FEWEST_KNOWN and loads[known].nunique() > 1:
        use = np.log(loads.where(known, loads[known].median()))
        columns["loads_per_week"] = use - use.mean()
        names.append("loads_per_week")
        if enough(~known):
            columns["loads_per_week unknown"] = (~known).astype(float)
    for name in LEVELS:
        held = frame[name].fillna(UNKNOWN).astype(str)
        if name == "fuel" and held.groupby(frame["family"].fillna(UNKNOWN)).nunique().max() == 1:
            continue
        plain = PLAIN.get(name, "")
        if plain not in set(held) or not enough(held == plain):
            plain = str(held.value_counts().index[0])
        told = [level for level in sorted(set(held) - {plain}) if enough(held == level)]
        columns |= {f"{name} {level}": (held == level).astype(float) for level in told}
        if told:
            names.append(name)
    return pd.DataFrame(columns, index=frame.index), names
