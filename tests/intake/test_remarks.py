"""Plausible ranges: a value on the bound is plausible, one beyond it is remarked."""

from __future__ import annotations

import duckdb
import pytest

from failstats.intake.remarks import bounds, remark, remedies
from failstats.warehouse.schema import CREATE

BEYOND = 1.001  # factor by which a value is put outside its range
ENDS = [
    (bound, end)
    for bound in bounds()
    for end in ("least", "most")
    if getattr(bound, end) is not None
]


@pytest.fixture(scope="module")
def connection():
    with duckdb.connect() as made:
        made.execute(CREATE)
        yield made


def remarked(connection, bound, values):
    """The lines remarked among rows with these values; each row is one line."""
    connection.execute("begin")
    connection.execute(
        "insert into raw.batches values (1, $1, 'f', '', 0, 0, 0, 0, 0, now(), '')", [bound.table]
    )
    names = [bound.column, *bound.where, "batch", "file", "line"]
    for line, value in enumerate(values, start=1):
        connection.execute(
            f"insert into raw.{bound.table} ({', '.join(names)}) values "
            f"({', '.join(f'${at + 1}' for at in range(len(names)))})",
            [value, *bound.where.values(), 1, "f", line],
        )
    remark(connection, 1)
    found = connection.execute(
        'select line from raw.remarks where "check" = $1 order by line', [bound.name]
    ).fetchall()
    connection.execute("rollback")
    return [row[0] for row in found]


@pytest.mark.parametrize(("bound", "end"), ENDS, ids=[f"{b.name} {e}" for b, e in ENDS])
def test_both_sides_of_every_bound(connection, bound, end):
    on = getattr(bound, end)
    beyond = on * BEYOND if end == "most" else on / BEYOND if on else -1.0
    if bound.column.startswith("elbows"):
        beyond = on + 1
    assert remarked(connection, bound, [on, beyond, None]) == [2]


def test_every_bound_says_where_it_comes_from():
    for bound in bounds():
        assert len(bound.origin) > 20, bound.name
        assert bound.statement
        assert bound.remedy
        assert ("no source" in bound.origin) or ("arithmetic" in bound.origin) or (
            "code" in bound.origin
        ), bound.name  # fmt: skip
    assert {bound.name for bound in bounds()} < set(remedies())


def test_a_bound_holds_only_for_its_part(connection):
    (coil,) = [bound for bound in bounds() if bound.name == "coil_resistance"]
    connection.execute("begin")
    connection.execute(
        "insert into raw.batches values (1, 'lines', 'f', '', 0, 0, 0, 0, 0, now(), '')"
    )
    connection.execute(
        "insert into raw.lines (part, reading_ohm, batch, file, line) values "
        "('coil', 4000, 1, 'f', 1), ('motor', 4000, 1, 'f', 2), ('coil', 11.5, 1, 'f', 3)"
    )
    remark(connection, 1)
    assert connection.execute('select "check", line from raw.remarks').fetchall() == [
        (coil.name, 1)
    ]
    connection.execute("rollback")
