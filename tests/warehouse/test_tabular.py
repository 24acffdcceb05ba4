"""Frames in which equal texts are one object: DuckDB's own in every other respect."""

from __future__ import annotations

import duckdb
import pandas as pd
import pytest

from failstats.warehouse.tabular import as_frame

SELECTS = {
    "all kinds": "select i % 3 = 0 as yes, i::integer as small, i as big, i / 7 as share, "
    "date '2020-01-01' + i::integer as day, 'u' || i % 4 as unit_id, [i, i + 1] as pair, "
    "(i / 3)::decimal(14, 4) as price, ['a', 'b' || i] as words from range(40) as t(i)",
    "blanks": "select case when i % 2 = 0 then i end as number, case when i % 2 = 0 then 'é' end "
    "as text, case when i % 2 = 0 then i > 3 end as yes, case when i % 2 = 0 then "
    "date '2020-01-01' end as day, null::varchar as nothing from range(9) as t(i)",
    "no rows": "select 'a' as text, 1 as number, null::date as day where false",
    "texts alone": "select 'a' || i % 2 as text from range(5) as t(i)",
    "no text": "select i from range(5) as t(i)",
    "one name twice": "select 'a' as text, 'b' as text",
}


@pytest.mark.parametrize("name", SELECTS)
def test_it_is_what_duckdb_gives(name: str) -> None:
    with duckdb.connect() as connection:
        expected = connection.sql(SELECTS[name]).df()
        found = as_frame(connection, connection.sql(SELECTS[name]))
    pd.testing.assert_frame_equal(found, expected, check_exact=True)
    for column in range(found.shape[1]):
        theirs = expected.iloc[:, column]
        assert list(map(type, found.iloc[:, column])) == list(map(type, theirs))


def test_a_text_that_occurs_again_is_not_held_again() -> None:
    with duckdb.connect() as connection:
        rows = connection.sql("select 'u' || i % 5 as unit_id from range(10_000) as t(i)")
        frame = as_frame(connection, rows)
    assert len({id(text) for text in frame["unit_id"]}) == 5
