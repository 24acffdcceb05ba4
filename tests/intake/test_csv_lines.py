"""No line is ever lost: what is read, line by line, against Python's own reader and by counting."""

from __future__ import annotations

import csv
import io
import random
import tempfile
from pathlib import Path

import duckdb
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from failstats.errors import InputError
from failstats.intake import csv_blocks, csv_lines, csv_rows, prepass
from failstats.intake.csv_lines import open_csv
from failstats.intake.load import load

EXAMPLES = 15
HEADER = ["a", "b", "c"]


def rows_of(data: bytes) -> list[tuple[object, ...]]:
    """(place, broken, fields) of every row of a file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "t.csv"
        path.write_bytes(data)
        work = Path(folder) / "work"
        work.mkdir()
        opened = open_csv(path, work, wanted=[frozenset(HEADER)])
        assert opened is not None
        with duckdb.connect() as connection:
            opened.stage(connection, "t")
            return connection.execute("select place, broken, c0, c1, c2 from t order by place"
                                      ).fetchall()  # fmt: skip


def clean(text: str) -> str | None:
    """A field as it is staged: without white space around it, None where nothing is left."""
    return text.strip(" \t\r\n\u00a0\ufeff") or None


# text without NUL and lone carriage returns, which are tested by themselves
plain = st.text(st.characters(blacklist_characters="\0\r\x0b\x0c\x1c\x1d\x1e\x85\u2028\u2029",
                              blacklist_categories=["Cs"]), max_size=8)  # fmt: skip


@settings(max_examples=EXAMPLES, deadline=None)
@given(st.lists(st.tuples(plain, plain, plain), max_size=12))
@example([("", "\n,0", "")])  # the end of a quoted field that looks like a row of its own
def test_what_is_written_well_is_read_as_by_another_reader(rows):
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(HEADER)
    writer.writerows(rows)
    text = buffer.getvalue()
    expected = []
    reader = csv.reader(io.StringIO(text, newline=""))
    next(reader)
    line = 2
    for fields in reader:
        if fields and not (len(fields) == 1 and not fields[0].strip()):
            expected.append((line, *fields))
        line = reader.line_num + 1
    found = rows_of(text.encode())
    # a row whose own quoted text looks like a whole row may be given up, never silently misread
    for place, broken, *fields in found:
        if broken is None:
            good = next(row for row in expected if row[0] == place)
            assert tuple(fields) == tuple(clean(field) for field in good[1:])
        else:
            assert any("\n" in field for row in rows for field in row)
    if not any("\n" in field for row in rows for field in row):
        assert [row[0] for row in found] == [row[0] for row in expected]


pieces = st.sampled_from(["x", "1.5", ",", '"', '""', " ", "\n", "\n", ",", "é", "\r\n"])


@settings(max_examples=EXAMPLES, deadline=None)
@given(st.lists(pieces, max_size=60))
def test_every_line_of_any_text_is_a_row_or_within_one(parts):
    body = "".join(parts)
    found = rows_of((",".join(HEADER) + "\n" + body).encode())
    lines = body.replace("\r\n", "\n").split("\n")
    covered = set()
    for place, broken, *fields in found:
        inside = sum((field or "").count("\n") for field in fields) if broken is None else 0
        span = set(range(place, place + inside + 1))
        assert not span & covered  # no line is in two rows
        covered |= span
    # a quoted field of line ends only is blank, so its last line (a quote) cannot be told here
    filled = {at for at, line in enumerate(lines, start=2) if line.replace('"', "").strip()}
    assert filled <= covered
    assert not {at for at in covered if at > len(lines) + 1}


def both_ways(
    connection: duckdb.DuckDBPyConnection, data: bytes, folder: Path
) -> tuple[list[tuple[object, ...]], list[tuple[object, ...]]]:
    """All that the two readers of CSV make of a file: in blocks, and line by line."""
    found = []
    for name in ("blocks", "lines"):
        path, work = folder / f"{name}.csv", folder / f"work_{name}"
        path.write_bytes(data)
        work.mkdir()
        opened = open_csv(path, work, wanted=[frozenset(HEADER)], delimiter=",", label="t.csv")
        assert opened is not None
        opened.plain = frozenset({0})
        table = f"{name}_{folder.name}"
        if name == "lines":
            opened._stage_lines(connection, table)
        else:
            opened.stage(connection, table)
            assert opened.in_memory is not None  # this way was taken
        found.append(connection.execute(f"from {table} order by place").fetchall())
    return found[0], found[1]


PIECES = ("x", "1.5", ",", ",", '"', '""', " ", "\n", "\n", "é", "\r\n", "\t", "\u00a0", '","',
          "\0", "x,y,z\n", 'a,"b\nc",d\n', "a@b.example")  # fmt: skip
FILES = 25
LONGEST = 200  # pieces


def test_blocks_and_lines_make_the_same_rows(tmp_path, monkeypatch):
    monkeypatch.setattr(csv_blocks, "PART", 40)  # files of a few parts
    monkeypatch.setattr(csv_blocks.os, "cpu_count", lambda: 3)
    chance = random.Random(8)
    rows = 0
    with duckdb.connect() as connection:
        for number in range(FILES):
            body = "".join(chance.choice(PIECES) for _ in range(chance.randint(0, LONGEST)))
            place = tmp_path / str(number)
            place.mkdir()
            blocks, lines = both_ways(connection, f"a,b,c\n{body}".encode(), place)
            assert blocks == lines, body
            rows += len(lines)
    assert rows > 20 * FILES


def test_a_file_of_quotes_is_read_line_by_line(tmp_path, monkeypatch):
    monkeypatch.setattr(csv_rows, "QUOTED_FREE", 10)
    path = tmp_path / "units.csv"
    body = "".join(f'"u{at}","E{at}"\n' for at in range(40))
    path.write_text('"unit_id","family"\n' + body + '"u40","E"1\n')
    result = load(tmp_path / "w.duckdb", [path])
    assert (result.batches[0]["good"], result.batches[0]["quarantined"]) == (40, 1)


def test_one_stray_quote_among_many_rows_costs_one_row():
    body = "".join(f"u{at},E1,gas\n" for at in range(5000))
    text = "a,b,c\n" + body.replace("u700,E1", 'u700,"E1')
    found = rows_of(text.encode())
    assert len(found) == 5000
    assert [row[0] for row in found if row[1]] == [702]
    assert found[-1] == (5001, None, "u4999", "E1", "gas")


def test_a_nul_byte_inside_a_quoted_field_costs_its_lines_once():
    found = rows_of(b'a,b,c\nu1,"x\ny\0y\nz",1\nu2,E1,2\n')
    assert [row[0] for row in found] == [2, 3, 4, 5]
    assert [row[1] for row in found[:2]] == [
        "row has a quote that is not closed", "line has a NUL byte",
    ]  # fmt: skip
    assert found[3] == (5, None, "u2", "E1", "2")


def test_quotes_inside_a_field_are_its_text():
    found = rows_of(b'a,b,c\nu1,12\'6",x\n"u2","say ""hi""",\n')
    assert found == [(2, None, "u1", "12'6\"", "x"), (3, None, "u2", 'say "hi"', None)]


def test_a_lost_row_stops_the_load(tmp_path, monkeypatch):
    path = tmp_path / "units.csv"
    path.write_text('unit_id,family\nu1,"E1\nu2,E2\n')
    monkeypatch.setattr(csv_lines, "_resynchronise", lambda *_: ([], [], set()))
    with pytest.raises(InputError, match=r"of units\.csv 2 lines became 1 rows"):
        load(tmp_path / "w.duckdb", [path])
    assert not (tmp_path / "w.duckdb").exists()


def test_a_file_that_changes_while_it_is_read_stops_the_load(tmp_path, monkeypatch):
    path = tmp_path / "units.csv"
    path.write_text("unit_id,family\nu1,E1\nu2,E2\n")

    def grow(*args, **options):
        found = prepass.examine(*args, **options)
        with path.open("a") as handle:
            handle.write("u3,E3\n")
        return found

    monkeypatch.setattr(csv_lines, "examine", grow)
    with pytest.raises(InputError, match="has 3 lines and 4 were read"):
        load(tmp_path / "w.duckdb", [path])
    assert not (tmp_path / "w.duckdb").exists()
