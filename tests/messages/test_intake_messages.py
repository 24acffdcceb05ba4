"""What a person reads when records do not come in: what must hold, where, what to do."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import failstats.intake
from failstats.errors import InputError
from failstats.intake.load import load

UNITS = "unit_id,family,installed_on\n"


def refusal(tmp_path: Path, name: str, text: str, mapping: str | None = None) -> str:
    """The message of a refused file."""
    (tmp_path / name).write_text(text, encoding="utf-8")
    plan = None
    if mapping is not None:
        plan = tmp_path / "map.toml"
        plan.write_text(mapping)
    with pytest.raises(InputError) as caught:
        load(tmp_path / "w.duckdb", [tmp_path / name], mapping=plan)
    return str(caught.value)


@pytest.mark.parametrize(
    ("name", "text", "message"),
    [
        (
            "units.csv",
            UNITS + "u1,E1,03/04/2023\n",
            "a date must have one reading, but 03/04/2023 may be 2023-04-03 (day first) or "
            "2023-03-04 (month first).\n"
            "where: units.csv, column installed_on\n"
            'do: state the order in the mapping: date_order = "dmy" or "mdy".',
        ),
        (
            "units.csv",
            UNITS + "u1,E1,13/04/2023\nu2,E1,04/13/2023\n",
            "all dates of installed_on must have one order of day and month, but some can only be "
            "day first and some only month first.\n"
            "where: units.csv, column installed_on\n"
            "do: state date_order in the mapping; dates in the other order then go to quarantine.",
        ),
        (
            "units.csv",
            "unit_id,family,colour\nu1,E1,white\n",
            "every column must be one of units, but 1 is not: 'colour'.\n"
            "where: units.csv, header\n"
            "do: say in the mapping which column it is, or drop it by name: drop = [...].",
        ),
        (
            "units.csv",
            "unit_id,family,phone,notes\nu1,E1,1,2\n",
            "every column must be one of units, but 2 are not: 'phone', 'notes'. 'phone', 'notes' "
            "look like what identifies somebody or like free text.\n"
            "where: units.csv, header\n"
            "do: say in the mapping which column it is, or drop it by name: drop = [...].",
        ),
        (
            "units.csv",
            "unit_id,fuel\nu1,gas\n",
            "a header must name family, unit_id, but family is not in it.\n"
            "where: units.csv, header\n"
            "do: add the column, or rename one in the mapping (failstats draft map writes one).",
        ),
        (
            "units.csv",
            "unit_id:family\nu1:E1\n",
            "a header must name family, unit_id, but one column is found: what separates them?\n"
            "where: units.csv, header\n"
            "do: state the separator and the columns' names in the mapping.",
        ),
        (
            "units.csv",
            "unit_id,family\nu1,E1\nu2,555-010-9999\nu3,(555) 010-9999\n",
            "records must not identify anybody, but column family holds what looks like a phone "
            "number in 2 rows.\n"
            "where: units.csv, column family, lines 3, 4\n"
            "do: drop the column by name in the mapping (drop = [...]), or, for an id, load with "
            "--key-file.",
        ),
        (
            "visits.csv",
            "a,b\n1,2\n",
            "a data file must be named after a table (units, periods, jobs, lines, cleanings, "
            "catalogue, vans, carried) or be named in a mapping, but this one is not.\n"
            "where: visits.csv\n"
            "do: rename it, take it out of the folder, or write a mapping: failstats draft map "
            "visits.csv",
        ),
        (
            "units.csv",
            "<html><body>Log in</body></html>",
            "a file of records must be text, but this is a web page.\n"
            "where: units.csv\n"
            "do: it may be a log-in page: export the table again.",
        ),
    ],
)
def test_refusals(tmp_path, name, text, message):
    assert refusal(tmp_path, name, text) == message


def test_a_wrong_separator_is_named(tmp_path):
    text = "unit_id,family\nu1,E1\n"
    assert refusal(tmp_path, "units.csv", text, mapping='delimiter = ";"') == (
        "a header must name its columns, but one column is found: is the separator ',' and not "
        "';'?\n"
        "where: units.csv, header\n"
        "do: correct delimiter in the mapping, or the first line sep= of the file."
    )


def test_latin_1(tmp_path):
    (tmp_path / "units.csv").write_bytes("unit_id,family\nu1,E1\nü2,E1\n".encode("latin-1"))
    with pytest.raises(InputError) as caught:
        load(tmp_path / "w.duckdb", [tmp_path / "units.csv"])
    assert str(caught.value) == (
        "text must be UTF-8, but line 3 is not.\n"
        "where: units.csv, line 3\n"
        'do: state the encoding in the mapping, for example encoding = "latin-1" or "cp1252".'
    )


def test_a_load_says_what_became_of_the_rows(tmp_path):
    (tmp_path / "units.csv").write_text(
        UNITS + "u1,E1,2019-03-14\nu1,E1,2019-03-14\nu2,E1,2023-02-30\nu3,,2019-01-01\n"
    )
    result = load(tmp_path / "w.duckdb", [tmp_path / "units.csv"])
    assert str(result) == (
        "loaded batch 1: 4 rows from 1 file\n"
        "1 good (0 of them corrections), 1 already there, 2 in quarantine\n"
        "  1 × family must be given\n"
        "  1 × installed_on must be a day of the calendar, but 2023-02 has no day 30\n"
        "failstats quality lists them: correct the file, or load --requeue"
    )
    assert str(load(tmp_path / "w.duckdb", [tmp_path / "units.csv"])) == (
        "units.csv: already loaded as batch 1, nothing changed"
    )


def refusals_in_code() -> list[tuple[str, int, ast.Call]]:
    """Every InputError that intake makes."""
    found = []
    for path in sorted(Path(failstats.intake.__file__).parent.glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "InputError":
                found.append((path.name, node.lineno, node))
    return found


def test_every_refusal_has_its_three_parts():
    # in convert.py the texts are reasons of a row, to which file, line and column are added
    short = [
        (name, line)
        for name, line, call in refusals_in_code()
        if name != "convert.py" and not {"where", "do"} <= {k.arg for k in call.keywords}
    ]
    assert short == []
    assert len(refusals_in_code()) > 30


def test_many_notes_are_cut_short(tmp_path):
    for name in ("periods", "jobs", "lines", "cleanings", "vans", "carried", "catalogue"):
        (tmp_path / f"{name}.csv").write_text("")
    (tmp_path / "units.csv").write_text(UNITS + "u1,E1,\n")
    text = str(load(tmp_path / "w.duckdb", [tmp_path]))
    assert text.splitlines()[-1] == "…"
    assert len(text.splitlines()) == 7
    result = load(tmp_path / "w.duckdb", [tmp_path])
    assert "units.csv: already loaded as batch 1, nothing changed" in result.notes
