"""Warehouses of every earlier format are brought up to date; newer ones are refused in words."""

from __future__ import annotations

import re
from pathlib import Path

import duckdb
import pytest

import failstats
from failstats.cli import main
from failstats.errors import WarehouseError
from failstats.warehouse.backup import backup
from failstats.warehouse.manifest import check_manifest, write_manifest
from failstats.warehouse.migrations import STEPS, migrate
from failstats.warehouse.schema import CREATE
from failstats.warehouse.store import FORMAT, connect_readonly, setting

HERE = Path(__file__).parent
EARLIER = sorted(path.stem.rpartition("_")[2] for path in HERE.glob("format_*.sql"))
EARLIER.remove(FORMAT)

# what a load of that time had left: five units lose their coil after a year or two
RECORDS = """
insert into raw.units (unit_id, family, fuel, installed_on, enrolled_on, duct_diameter_m, vent_new,
                       batch, file, line)
    select 'u' || k, 'E1', 'electric', date '2016-01-01', date '2016-01-01', 0.1016, false,
           1, 'units.csv', k + 1 from range(1, 41) as t(k);
insert into raw.jobs (job_id, unit_id, visited_on, kind, complaint, batch, file, line)
    select 'j' || k, 'u' || k, date '2016-06-01' + (k * 30)::integer, 'call_out', 'no_heat',
           1, 'jobs.csv', k + 1 from range(1, 31) as t(k);
insert into raw.lines (job_id, part, position, finding, mode, action, batch, file, line)
    select 'j' || k, 'coil', 1, 'failed', 'open_circuit', 'replaced', 1, 'lines.csv', k + 1
    from range(1, 31) as t(k);
insert into raw.batches
    select 1, name, name || '.csv', 'sum of ' || name, rows, rows, 0, 0, 0,
           timestamp '2020-01-01 08:00:00', '0.0.1'
    from (values ('units', 40), ('jobs', 30), ('lines', 30)) as t(name, rows);
insert into raw.settings values
    ('records_from', '2016-01-01'), ('records_to', '2019-12-31'), ('currency', 'USD');
"""


def made(path: Path, version: str, *, tables: str | None = None) -> Path:
    """A warehouse as that format's failstats would have left it."""
    with duckdb.connect(str(path)) as connection:
        connection.execute(tables or (HERE / f"format_{version}.sql").read_text("utf-8"))
        connection.execute("insert into raw.settings values ('format', $1)", [version])
        connection.execute(RECORDS)
    return path


def columns(path: Path) -> list[tuple[object, ...]]:
    with duckdb.connect(str(path), read_only=True) as connection:
        return connection.execute(
            "select table_name, column_name, column_index, data_type, is_nullable "
            "from duckdb_columns() where schema_name = 'raw' order by 1, 3"
        ).fetchall()


def words(sql: str) -> str:
    return re.sub(r"\s+", "", re.sub(r"--[^\n]*", "", sql)).lower()


def test_a_change_of_the_tables_needs_a_new_format() -> None:
    kept = (HERE / f"format_{FORMAT}.sql").read_text("utf-8")
    assert words(kept) == words(CREATE), (
        "the raw tables changed: raise FORMAT, write a step in migrations.py, and keep these "
        "tables as the next format_N.sql"
    )
    assert sorted(STEPS) == EARLIER == [str(k) for k in range(1, int(FORMAT))]


@pytest.mark.parametrize("version", EARLIER)
def test_an_earlier_warehouse_is_brought_up_to_date(tmp_path: Path, version: str) -> None:
    old, new = made(tmp_path / "old.duckdb", version), made(tmp_path / "new.duckdb", FORMAT)
    with pytest.raises(WarehouseError) as caught:
        failstats.open_warehouse(old)
    assert f"this file is of format {version}: an earlier failstats wrote it" in caught.value.what
    assert caught.value.do == f"bring it up to date: failstats migrate -w {old}"
    assert migrate(old) == [str(k) for k in range(int(version), int(FORMAT) + 1)]
    assert columns(old) == columns(new)
    with connect_readonly(old) as connection:
        assert setting(connection, "format") == FORMAT
    assert check_manifest(old) == []
    with failstats.open_warehouse(old) as one, failstats.open_warehouse(new) as other:
        mine, theirs = one.lives("coil").to_dict(), other.lives("coil").to_dict()
        assert mine["results"][0]["failures"] == 30
        assert mine["results"] == theirs["results"]
        assert one.quality().to_dict()["results"] == other.quality().to_dict()["results"]


def test_both_shapes_of_the_first_format_are_known(tmp_path: Path) -> None:
    """The list of forgotten units came before the number that says so."""
    path = made(tmp_path / "w.duckdb", "1", tables=CREATE)
    with duckdb.connect(str(path)) as connection:
        connection.execute("insert into raw.tombstones values ('unit', 'a token')")
    assert migrate(path) == ["1", "2"]
    with duckdb.connect(str(path), read_only=True) as connection:
        assert connection.execute("select * from raw.tombstones").fetchall() == [
            ("unit", "a token")
        ]


def test_records_can_be_loaded_and_forgotten_afterwards(tmp_path: Path) -> None:
    path = made(tmp_path / "w.duckdb", "1")
    more = tmp_path / "jobs.csv"
    more.write_text("job_id,unit_id,visited_on\nj99,u40,2019-05-01\n")
    with pytest.raises(WarehouseError, match="earlier failstats wrote it"):
        failstats.load(path, [more])
    migrate(path)
    assert failstats.load(path, [more]).batches[0]["good"] == 1
    assert main(["forget", "u40", "-w", str(path), "-q"]) == 0


def test_a_migration_is_all_or_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = made(tmp_path / "w.duckdb", "1")
    before = path.read_bytes()
    monkeypatch.setitem(STEPS, "1", "create table raw.units (no integer)")
    with pytest.raises(duckdb.Error):
        migrate(path)
    assert path.read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["w.duckdb"]


def test_a_changed_warehouse_is_not_migrated(tmp_path: Path) -> None:
    path = made(tmp_path / "w.duckdb", FORMAT)
    write_manifest(path)
    with duckdb.connect(str(path)) as connection:
        connection.execute("update raw.settings set value = '1' where name = 'format'")
        connection.execute("delete from raw.jobs where job_id = 'j3'")
    with pytest.raises(WarehouseError, match="jobs has 29 rows of batch 1 and not 30"):
        migrate(path)


def test_a_newer_warehouse_is_refused_in_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = made(tmp_path / "w.duckdb", FORMAT)
    with duckdb.connect(str(path)) as connection:
        connection.execute("update raw.settings set value = '7' where name = 'format'")
    for command in (["lives"], ["migrate"], ["unload", "1"]):
        assert main([*command, "-w", str(path), "-q"]) == 2
        said = capsys.readouterr().err
        assert "this file is of format 7: a newer failstats wrote it" in said
        assert "do: install that failstats or a later one; nothing was changed." in said


def test_the_command_says_what_it_did(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = made(tmp_path / "w.duckdb", "1")
    copy = backup(path, tmp_path / "copy.duckdb")  # before anything is changed
    assert main(["migrate", "-w", str(path), "-q"]) == 0
    assert capsys.readouterr().out == f"{path} is of format 2 now; it was of format 1.\n"
    assert main(["migrate", "-w", str(path), "-q"]) == 0
    assert "already; nothing was changed" in capsys.readouterr().out
    assert main(["restore", str(copy), "-w", str(path), "-q"]) == 2
    assert f"failstats migrate -w {copy}" in capsys.readouterr().err
