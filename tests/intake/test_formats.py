"""The same records from every kind of file are the same rows."""

from __future__ import annotations

import datetime as dt
import json
import sqlite3

import pandas as pd
import pytest
import xlsxwriter

from failstats.errors import InputError
from failstats.intake.load import load

ROWS = [
    {"unit_id": "u1", "family": "E1", "installed_on": "2019-03-14", "duct_length": "12 ft"},
    {"unit_id": "u2", "family": "E2", "installed_on": None, "duct_length": "3.6"},
]
EXPECTED = [("u1", "E1", dt.date(2019, 3, 14), 3.6576), ("u2", "E2", None, 3.6)]


def write(kind, folder):
    """The two rows as one kind of file."""
    frame = pd.DataFrame(ROWS)
    if kind == "csv":
        frame.to_csv(folder / "units.csv", index=False)
    elif kind == "quoted csv":
        frame.to_csv(folder / "units.csv", index=False, quoting=1)
    elif kind == "parquet":
        frame.assign(installed_on=pd.to_datetime(frame["installed_on"])).to_parquet(
            folder / "units.parquet"
        )
    elif kind == "jsonl":
        lines = [json.dumps({k: v for k, v in row.items() if v is not None}) for row in ROWS]
        (folder / "units.jsonl").write_text("\n".join(lines))
    elif kind == "xlsx":
        dated = frame.assign(installed_on=[dt.date(2019, 3, 14), None])
        dated.to_excel(folder / "book.xlsx", sheet_name="units", index=False)
    else:
        with sqlite3.connect(folder / "book.sqlite") as connection:
            frame.to_sql("units", connection, index=False)


@pytest.mark.parametrize("kind", ["csv", "quoted csv", "parquet", "jsonl", "xlsx", "sqlite"])
def test_every_kind_gives_the_same_rows(kind, tmp_path, warehouse, ask):
    folder = tmp_path / "records"
    folder.mkdir()
    write(kind, folder)
    result = load(warehouse, [folder])
    assert [(row["rows_in"], row["good"]) for row in result.batches] == [(2, 2)]
    found = ask("select unit_id, family, installed_on, duct_length_m from raw.units order by line")
    assert found == EXPECTED
    assert load(warehouse, [folder]).batches == []


def test_a_row_of_a_sheet_has_the_number_a_person_sees(tmp_path, warehouse, ask):
    folder = tmp_path / "records"
    folder.mkdir()
    frame = pd.DataFrame([["u1", "E1"], [None, None], ["u2", None]], columns=["unit_id", "family"])
    frame.to_excel(folder / "book.xlsx", sheet_name="units", index=False)
    load(warehouse, [folder])
    assert ask('select line, "column", file from raw.quarantine') == [
        (4, "family", "book.xlsx[units]")
    ]


def test_a_sheet_that_is_no_table_is_refused(tmp_path, warehouse):
    folder = tmp_path / "records"
    folder.mkdir()
    with pd.ExcelWriter(folder / "book.xlsx") as book:
        pd.DataFrame(ROWS).to_excel(book, sheet_name="units", index=False)
        pd.DataFrame({"a": [1]}).to_excel(book, sheet_name="Summary", index=False)
    with pytest.raises(InputError, match="a sheet must be named after a table of ours"):
        load(warehouse, [folder])


def test_bad_lines_of_json_are_kept_apart(tmp_path, warehouse, ask):
    path = tmp_path / "units.jsonl"
    path.write_text(
        '{"unit_id": "u1", "family": "E1"}\n{"unit_id": "u2", "fam\n[1, 2]\n\n'
        '{"unit_id": "u3", "family": "E1", "loads_per_week": 1e400}\n'
        '{"unit_id": "u4", "family": "E1", "loads_per_week": 6.5}\n'
    )
    result = load(warehouse, [path])
    assert (result.batches[0]["rows_in"], result.quarantined) == (5, 3)
    assert ask("select line, reasons[1] from raw.quarantine order by line") == [
        (2, "line must be one JSON object"), (3, "line must be one JSON object"),
        (5, "loads_per_week must be a finite number"),
    ]  # fmt: skip
    assert ask("select loads_per_week from raw.units where unit_id = 'u4'") == [(6.5,)]


def test_an_error_in_a_cell_is_no_blank(tmp_path, warehouse, ask):
    with xlsxwriter.Workbook(str(tmp_path / "units.xlsx")) as book:
        sheet = book.add_worksheet("units")
        sheet.write_row(0, 0, ["unit_id", "family", "installed_on", "loads_per_week"])
        sheet.write_row(1, 0, ["u1", "E1", "2020-01-02", 4])
        sheet.write_row(2, 0, ["u2", "E1"])
        sheet.write_formula(2, 2, "=1/0", None, "#DIV/0!")
        sheet.write_row(3, 0, ["u3", "E1", "2020-01-02"])
        sheet.write_formula(3, 3, "=A99", None, "#REF!")
        sheet.write_row(4, 0, ["u4", "E1"])
        sheet.write_row(5, 0, ["u5", "#REF!"])  # as a CSV export has it
        sheet.write_row(6, 0, ["#N/A", "E1"])
    load(warehouse, [tmp_path / "units.xlsx"])
    assert ask("select unit_id from raw.units order by 1") == [("u1",), ("u4",)]
    assert ask('select line, "column" from raw.quarantine order by 1') == [
        (3, "installed_on"), (4, "loads_per_week"), (6, "family"), (7, "unit_id"),
    ]  # fmt: skip


def test_a_list_or_an_object_is_no_value(tmp_path, warehouse, ask):
    (tmp_path / "units.jsonl").write_text(
        '{"unit_id": "u1", "family": {"a": 1}, "more": [1]}\n'
        '{"unit_id": "u2", "family": "E1", "more": [1]}\n{"unit_id": ["u3"], "family": "E1"}\n'
    )
    mapping = tmp_path / "m.toml"
    mapping.write_text('drop = ["more"]')
    load(warehouse, [tmp_path / "units.jsonl"], mapping=mapping)
    assert ask("select unit_id from raw.units") == [("u2",)]
    assert ask("select line, reasons from raw.quarantine order by line") == [
        (line, ["a value must be a text or a number, but one is a list or an object"])
        for line in (1, 3)
    ]
    nested = pd.DataFrame({"unit_id": ["u4"], "family": [["E1"]], "more": [{"a": 1}]})
    nested.to_parquet(tmp_path / "units.parquet")
    with pytest.raises(InputError, match="column 2 holds lists or objects"):
        load(warehouse, [tmp_path / "units.parquet"], mapping=mapping)


def test_a_list_of_all_is_no_json_lines(tmp_path, warehouse):
    path = tmp_path / "units.jsonl"
    path.write_text("[\n1,\n2\n]")
    with pytest.raises(InputError, match="every line must be one JSON object, but none is"):
        load(warehouse, [path])


def test_a_bomb_of_a_sheet_is_refused(tmp_path, warehouse):
    import zipfile

    path = tmp_path / "units.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b" " * 30_000_000)
    with pytest.raises(InputError, match="at most 100 times its size"):
        load(warehouse, [path])


def test_a_sheet_with_paths_that_lead_out_is_refused(tmp_path, warehouse):
    import zipfile

    path = tmp_path / "units.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("xl/workbook.xml", b"<a/>")
        archive.writestr("../../x", b"out")
    with pytest.raises(InputError, match="paths that lead out"):
        load(warehouse, [path])
