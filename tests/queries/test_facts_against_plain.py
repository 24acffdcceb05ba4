"""The fast facts against `verify_plain`, row by row, on small random records full of hard cases."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from failstats.answers.verify_plain import Row
from failstats.warehouse.session import Session, open_session


def _sorted(rows: list[Row], columns: list[str]) -> list[tuple[Any, ...]]:
    return sorted((tuple(row[column] for column in columns) for row in rows), key=repr)


def test_facts_are_what_plain_python_makes_of_the_records(
    random_session: Session,
    rows_of: Callable[[Session, str], list[Row]],
    plain_of: Callable[[Session], dict[str, list[Row]]],
) -> None:
    plain = plain_of(random_session)
    assert len(plain) == 5
    for name, expected in plain.items():
        fast = rows_of(random_session, name)
        assert fast, name
        columns = sorted(fast[0])
        assert sorted(expected[0]) == columns, name
        assert _sorted(fast, columns) == _sorted(expected, columns), name


def test_the_random_records_hold_the_hard_cases(
    random_warehouse: Path, plain_of: Callable[[Session], dict[str, list[Row]]]
) -> None:
    with open_session(random_warehouse) as session:
        plain = plain_of(session)
        session.build("fact_lives")

        def count(sql: str) -> int:
            return int(session.scalar(sql))

        lines = count("select count(*) from stg_lines")
        assert count("select count(*) from fact_same_day") > 20
        assert count("select count(*) from fact_joined_visits where visit > 2") > 10
    found, made = plain["fact_findings"], plain["fact_lives"]
    assert len(found) < 0.9 * lines  # many lines share a visit, part and position
    assert {life["ending"] for life in made} >= {
        "failed", "tripped", "preventive", "replaced_working", "replaced_unknown", "moved", "left",
    }  # fmt: skip
    assert {life["birth"] for life in made} == {"known", "assumed", "unknown"}
    assert any(life["silent"] for life in made)
    assert max(life["ordinal"] for life in made) > 3
    assert any(not socket["on_roster"] for socket in plain["fact_sockets"])
    assert any(span["span"] > 1 for span in plain["fact_spans"])
