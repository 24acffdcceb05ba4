"""One pass over rows, by unit: the lives from which it is seen whether units differ."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
import pyarrow as pa

from failstats.counts.own_order import in_own_order
from failstats.warehouse.session import Session

__all__ = ["frailty_lives"]


def frailty_lives(session: Session, parts: Sequence[str]) -> pd.DataFrame:
    """All lives of some parts in units watched from installation, for the frailty of units.

    Returns
    -------
    One row per life: unit (a number that stands for it), law (the part), first (fitted with the
    unit), exit (days lived), failed, family, loads_per_week.
    """
    tables = session.map_units(_frailty_lives, tuple(parts), reading=("lives_rows",))
    found, units = [], 0
    for table in tables:
        frame = table.to_pandas()
        found.append(frame.assign(unit=frame["unit"] + units, exit=frame["exit"].astype(float)))
        units += int(frame["unit"].max()) + 1 if len(frame) else 0
    lives = in_own_order(
        pd.concat(found, ignore_index=True),
        unit="unit",
        known=["law", "first", "exit", "failed", "family", "loads_per_week"],
    )
    return lives.sort_values("law", kind="stable", ignore_index=True)


def _frailty_lives(session: Session, parts: tuple[str, ...]) -> pa.Table:
    """Of some units, which are numbered from 0."""
    found = []
    for part in parts:
        rows = session.run(
            "lives_rows", part=part, births=["known"], followed=["contract"], bracket="stated_end"
        )
        whole = rows.loc[rows["first_or_later"] == "first", "unit_id"]
        mine = rows[rows["unit_id"].isin(whole)]
        found.append(
            pd.DataFrame(
                {
                    "unit": mine["unit_id"],
                    "law": part,
                    "first": mine["first_or_later"] == "first",
                    "exit": (mine["exit_days"] - mine["entry_days"]).astype("int64"),
                    "failed": mine["ending"] == "failed",
                    "family": mine["family"],
                    "loads_per_week": mine["loads_per_week"],
                }
            )
        )
    lives = pd.concat(found, ignore_index=True)
    lives = lives.assign(unit=pd.factorize(lives["unit"])[0])
    return pa.Table.from_pandas(lives, preserve_index=False).replace_schema_metadata(None)
