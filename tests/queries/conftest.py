"""Small random records full of hard cases, and what `verify_plain` makes of them.

Days are few, so that visits of one unit share days; ids are drawn, so that their order is not the
order of the rows; lines repeat a part under other tests, in other positions, in families of one.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable
from pathlib import Path
from random import Random
from typing import Any

import pandas as pd
import pytest

from failstats.answers.verify_plain import Row, episodes, findings, lives, sockets, spans
from failstats.vocabulary import load_vocabulary
from failstats.warehouse.session import Session, open_session
from failstats.warehouse.store import rebuild

OPENS, DAYS = dt.date(2020, 1, 1), 400
UNITS, JOBS, SINGLE = 120, 600, "F9"
OPTIONS: tuple[dict[str, Any], ...] = (
    {},
    {"as_of": OPENS + dt.timedelta(days=250)},
    {"since": OPENS + dt.timedelta(days=120)},
    {"contract_only": True},
    {"families": ["F1", SINGLE], "as_loaded": 1},
)
FACTS = ("fact_episodes", "fact_findings", "fact_spans", "fact_sockets", "fact_lives")
ACTIONS = ("replaced", "replaced", "kept", "kept", "reset", "cleaned")


def _day(luck: Random, share: float = 1.0, *, step: int = 1, before: int = 0) -> dt.date | None:
    day = OPENS + dt.timedelta(days=luck.randrange(0, DAYS, step) - before)
    return day if luck.random() < share else None


def _records(luck: Random) -> dict[str, list[Row]]:
    units, jobs, lines = [], [], []
    for number in range(UNITS):
        began, left = _day(luck, 0.7), _day(luck, 0.3)
        units.append({
            "unit_id": f"u{number}", "family": SINGLE if number == 0 else f"F{luck.randrange(3)}",
            "fuel": luck.choice(["electric", "electric", "gas"]),
            "installed_on": luck.choice([None, began, _day(luck, before=900)]),
            "enrolled_on": began, "left_on": left,
            "left_because": None if left is None else luck.choice([None, "moved"]),
            "loads_per_week": luck.choice([None, 4.0]), "van_id": luck.choice(["v1", "v2"]),
            "building_id": luck.choice([None, "b1"]),
        })  # fmt: skip
    ids = luck.sample(range(10 * JOBS), JOBS)
    for job in ids:
        jobs.append({
            "job_id": f"j{job}", "unit_id": f"u{luck.randrange(UNITS)}",
            "visited_on": _day(luck, step=5),
            "kind": luck.choice(["call_out", "call_out", "maintenance"]),
            "complaint": luck.choice([None, "no_heat", "noisy"]),
            "completed": luck.choice([None, True, True, False]),
            "continues": f"j{luck.choice(ids)}" if luck.random() < 0.3 else None,
        })  # fmt: skip
        for part in luck.sample(["coil", "thermostat", "belt", "igniter", "motor", "lamp"], 3):
            for test in luck.sample([None, "cold_continuity", "hot_cycle", "visual"], 2):
                lines.append({
                    "job_id": f"j{job}", "part": part, "position": luck.choice([1, 1, 1, 2, 70]),
                    "finding": luck.choice(["failed", "worn", "working", "untested"]),
                    "mode": luck.choice([None, "tripped", "open_circuit", "stuck_closed"]),
                    "test": test, "broke_at": luck.choice([None, "end", "middle"]),
                    "action": luck.choice(ACTIONS),
                    "item_id": luck.choice([None, "x-1", "x-2"]),
                    "cost": luck.choice([None, 20, 3]),
                })  # fmt: skip
    # a continued visit of the same unit is rare by chance: make some
    for job in jobs:
        if job["continues"] and luck.random() < 0.5:
            other = luck.choice(jobs)
            job |= {"continues": other["job_id"], "unit_id": other["unit_id"]}
    periods = [
        {
            "unit_id": f"u{luck.randrange(UNITS)}",
            "enrolled_on": _day(luck),
            "left_on": _day(luck, 0.8),
        }
        for _ in range(UNITS // 3)
    ]
    cleanings = [
        {"unit_id": f"u{luck.randrange(UNITS)}", "cleaned_on": _day(luck), "scope": "full_run",
         "cleaned_by": luck.choice(["owner", "company"])}
        for _ in range(UNITS)
    ]  # fmt: skip
    luck.shuffle(lines)
    tables = {"units": units, "jobs": jobs, "lines": lines}
    return tables | {"periods": periods, "cleanings": cleanings}


def _store(path: Path, luck: Random) -> None:
    with rebuild(path) as connection:
        for name, rows in _records(luck).items():
            # some rows came in a later batch, some were replaced by it
            frame = pd.DataFrame(rows).astype(object).where(lambda cell: cell.notna(), None)
            frame["batch"] = [1 if luck.random() < 0.95 else 2 for _ in rows]
            frame["superseded_in"] = None if name != "lines" else [
                2 if luck.random() < 0.05 else None for _ in rows
            ]  # fmt: skip
            frame["file"], frame["line"] = f"{name}.csv", range(2, len(rows) + 2)
            kinds = connection.execute(f"describe raw.{name}").fetchall()
            wanted = ", ".join(
                f'cast("{k[0]}" as {k[1]}) as "{k[0]}"' for k in kinds if k[0] in frame
            )
            connection.register("frame", frame)
            connection.execute(f"insert into raw.{name} by name select {wanted} from frame")
            connection.unregister("frame")
        last = (OPENS + dt.timedelta(days=DAYS)).isoformat()
        connection.execute(
            "insert into raw.settings values ('records_from', $1), ('records_to', $2)",
            [OPENS.isoformat(), last],
        )
        connection.execute(
            "insert into raw.batches select $1, 'lines', 'lines.csv', '', 0, 0, 0, 0, 0, now(), ''",
            [1],
        )


def _rows(session: Session, name: str) -> list[Row]:
    session.build(name)
    found = session.connection.execute(f"select * from {name}")
    columns = [column[0] for column in found.description]
    return [dict(zip(columns, row, strict=True)) for row in found.fetchall()]


def _plain(session: Session) -> dict[str, list[Row]]:
    names = ("units", "jobs", "lines", "periods", "cleanings")
    tables = {name: _rows(session, f"stg_{name}") for name in names}
    clock = _rows(session, "stg_clock")[0] | {"contract_only": session.choices["contract_only"]}
    parts, units = load_vocabulary().parts, tables["units"]
    visits = episodes(tables["jobs"], {unit["unit_id"] for unit in units})
    found = findings(tables["lines"], visits, parts)
    watched, where = spans(tables, clock), sockets(units, found, parts)
    made = (visits, found, watched, where, list(lives(units, where, found, watched)))
    return dict(zip(FACTS, made, strict=True))


@pytest.fixture(scope="module")
def random_warehouse(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A warehouse of random records."""
    path = tmp_path_factory.mktemp("plain") / "random.duckdb"
    _store(path, Random(4))
    return path


@pytest.fixture(scope="session")
def rows_of() -> Callable[[Session, str], list[Row]]:
    """Rows of a view, as the database has them."""
    return _rows


@pytest.fixture(scope="session")
def plain_of() -> Callable[[Session], dict[str, list[Row]]]:
    """Facts as plain Python makes them of a session's records."""
    return _plain


@pytest.fixture(
    scope="module", params=OPTIONS, ids=[", ".join(option) or "all" for option in OPTIONS]
)
def random_session(request: pytest.FixtureRequest, random_warehouse: Path) -> Iterable[Session]:
    """The random records through each of several filters."""
    with open_session(random_warehouse, **request.param) as session:
        yield session
