"""What `verify` reads: raw rows, made into lives, calls and states of the vent in plain Python."""

from __future__ import annotations

import contextlib
import datetime as dt
import gc
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pandas as pd

from failstats.answers.verify_plain import (
    Row,
    episodes,
    exposures,
    findings,
    lives,
    sockets,
    spans,
)
from failstats.warehouse.drawing import hash_below
from failstats.warehouse.session import Session

__all__ = ["EVERY", "RawRecords", "raw_records", "sampled"]

TABLES = ("units", "periods", "jobs", "lines", "cleanings")
EVERY = "g"  # md5 is written in hexadecimal digits: all of them come before this
LIFE_COLUMNS = (
    "unit_id", "part", "position", "ordinal", "first_or_later", "birth", "entry_days", "exit_days",
    "ending", "followed_as", "family", "building_id", "born_on", "span",
)  # fmt: skip
EXPOSURE_COLUMNS = (*LIFE_COLUMNS, "fuel", "van_id", "state", "start_days", "stop_days", "failed")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RawRecords:
    """The records in force, row by row, and what plain Python makes of them.

    ``units``, ``visits`` (with their episode), ``found`` (one row per visit, part and position)
    and ``watched`` (one row per unit and span) are lists of dicts; ``lives`` and ``exposures``
    frames.
    """

    units: list[Row]
    visits: list[Row]
    found: list[Row]
    watched: list[Row]
    cleanings: list[Row]
    lives: pd.DataFrame
    exposures: pd.DataFrame

    def calls(self) -> list[Row]:
        """Call-out episodes: complaint, family, unit, what failed and what was replaced."""
        parts = defaultdict(list)
        for finding in self.found:
            parts[finding["episode_id"]].append(finding)
        family = {unit["unit_id"]: unit["family"] for unit in self.units}
        return [
            {
                "episode_id": visit["episode_id"],
                "unit_id": visit["unit_id"],
                "family": family[visit["unit_id"]],
                "opened_on": visit["opened_on"],
                "complaint": visit["complaint"],
                "findings": parts[visit["episode_id"]],
                "failed": {f["part"] for f in parts[visit["episode_id"]] if f["failed"]},
                "replaced": {f["part"] for f in parts[visit["episode_id"]] if f["replaced"]},
            }
            for visit in self.visits
            if visit["visit"] == 1 and visit["kind"] == "call_out"
        ]


def sampled(session: Session, share: float) -> tuple[Session, str]:
    """The same questions asked of a share of the units, chosen by a hash of their ids.

    Returns
    -------
    A session of its own, and the hash below which a unit is in it.
    """
    below = hash_below(share)
    found = session.again(as_of=session.as_of, below=below)
    found.most_units = 0  # both sides of the comparison go through all that are left
    found.choices["queries"] = session.choices["queries"]  # they are run for this answer
    return found, below


def _table(session: Session, name: str, below: str) -> list[Row]:
    given: dict[str, Any] = {"below": below}
    if name != "lines":
        given["as_of"] = session.as_of
    frame = session.run(f"verify_{name}", **given)
    for column in frame.columns:
        if column.endswith("_on"):
            frame[column] = pd.to_datetime(frame[column]).dt.date
    frame = frame.astype(object).where(frame.notna(), None)
    return [{str(key): cell for key, cell in row.items()} for row in frame.to_dict("records")]


@contextlib.contextmanager
def _without_sweeps() -> Iterator[None]:
    """Millions of small dicts hold no cycles: looking for some takes longer than making them."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def raw_records(session: Session, below: str = EVERY) -> RawRecords:
    """Read the raw tables and build lives, calls and states of the vent again, row by row.

    Parameters
    ----------
    below : only units whose md5 comes before this.

    Notes
    -----
    Neither staging nor facts nor counts of failstats are read: see `verify_plain`.
    """
    with _without_sweeps():
        return _made(session, {name: _table(session, name, below) for name in TABLES})


def _made(session: Session, tables: dict[str, list[Row]]) -> RawRecords:
    choices, as_of = session.choices, session.as_of
    tables["units"] = [
        unit
        for unit in tables["units"]
        if (not choices["families"] or unit["family"] in choices["families"])
        and (not choices["fuels"] or unit["fuel"] in choices["fuels"])
    ]
    for row in (*tables["units"], *tables["periods"]):
        if row["enrolled_on"] is not None and row["enrolled_on"] > as_of:
            row["enrolled_on"] = None
        if row["left_on"] is not None and row["left_on"] > as_of:
            row["left_on"] = row["left_because"] = None
    starts = dt.date.fromisoformat(choices["records_from"])
    if choices["from"] is not None:
        starts = max(starts, dt.date.fromisoformat(choices["from"]))
    clock = {
        "as_of": as_of, "records_from": starts, "contract_only": choices["contract_only"],
    }  # fmt: skip
    units, parts = tables["units"], session.vocabulary.parts
    visits = episodes(tables["jobs"], {unit["unit_id"] for unit in units})
    found = findings(tables.pop("lines"), visits, parts)  # the lines are not needed any more
    watched, where = spans(tables, clock), sockets(units, found, parts)

    def made() -> Any:
        return lives(units, where, found, watched)

    return RawRecords(
        units=units,
        visits=visits,
        found=found,
        watched=watched,
        cleanings=tables["cleanings"],
        lives=pd.DataFrame(
            ([row[name] for name in LIFE_COLUMNS] for row in made()), columns=list(LIFE_COLUMNS)
        ),
        exposures=pd.DataFrame(
            (
                [row[name] for name in EXPOSURE_COLUMNS]
                for row in exposures(units, watched, tables["cleanings"], made())
            ),
            columns=list(EXPOSURE_COLUMNS),
        ),
    )
