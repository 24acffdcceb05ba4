"""A warehouse that is not what failstats left is named before anything is written on it."""

from __future__ import annotations

import json
import shutil

import duckdb
import pytest

from failstats.errors import WarehouseError
from failstats.intake.load import load
from failstats.intake.remove import forget, unload
from failstats.warehouse import manifest, store
from failstats.warehouse.backup import backup, restore
from failstats.warehouse.manifest import check_manifest, manifest_path, write_manifest

UNITS = "unit_id,family\nu1,E1\nu2,E1\nu3,\n"
JOBS = "job_id,unit_id,visited_on\nj1,u1,2020-01-02\nj2,u2,2020-03-04\n"


@pytest.fixture(scope="module")
def model(tmp_path_factory):
    """A warehouse of two batches, made once."""
    place = tmp_path_factory.mktemp("model")
    for name, text in (("units", UNITS), ("jobs", JOBS)):
        (place / f"{name}.csv").write_text(text)
        load(place / "w.duckdb", [place / f"{name}.csv"])
    return place / "w.duckdb"


@pytest.fixture
def filled(model, warehouse):
    """A copy of it, with its manifest."""
    shutil.copy(model, warehouse)
    shutil.copy(manifest_path(model), manifest_path(warehouse))
    return warehouse


def change(warehouse, statement):
    """What somebody does by hand."""
    with duckdb.connect(str(warehouse)) as connection:
        connection.execute(statement)
        connection.execute("checkpoint")


def test_every_way_of_writing_keeps_it_true(filled, put, tmp_path):
    assert check_manifest(filled) == []
    put(units=UNITS.replace("u1,E1", "u1,E2"))  # a correction
    assert check_manifest(filled) == []
    unload(filled, 3)
    assert check_manifest(filled) == []
    forget(filled, "u2")
    assert check_manifest(filled) == []
    backup(filled, tmp_path / "copy.duckdb")
    put(units=UNITS.replace("u1,E1", "u1,E3"))
    restore(filled, tmp_path / "copy.duckdb")
    assert check_manifest(filled) == []
    kept = json.loads(manifest_path(filled).read_text())
    write_manifest(filled)
    assert json.loads(manifest_path(filled).read_text()) == kept


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        ("delete from raw.jobs where job_id = 'j2'", "jobs has 1 rows of batch 2 and not 2"),
        ("update raw.jobs set visited_on = '2020-03-05' where job_id = 'j2'",
         "rows of jobs of batch 2 were changed"),
        ("insert into raw.units (unit_id, family, batch, file, line) values ('u9', 'E1', 7, '', 1)",
         "units has 1 rows of batch 7 and not 0"),
        ("update raw.units set superseded_in = 2 where unit_id = 'u1'",
         "units has 1 rows that are superseded and not 0"),
        ("delete from raw.quarantine", "quarantine has 0 rows and not 1"),
        ("update raw.batches set good = 5 where batch = 1", "rows of batches were changed"),
        ("update raw.settings set value = 'EUR' where name = 'currency'",
         "rows of settings were changed"),
    ],
)  # fmt: skip
def test_a_change_by_hand_is_named(filled, put, statement, says):
    change(filled, statement)
    assert check_manifest(filled) == [says]
    before = filled.read_bytes()
    with pytest.raises(WarehouseError, match=says):
        put(jobs="job_id,unit_id,visited_on\nj3,u1,2020-05-02\n")
    assert filled.read_bytes() == before
    manifest_path(filled).unlink()  # the change was meant
    assert put(jobs="job_id,unit_id,visited_on\nj3,u1,2020-05-02\n").batches[0]["good"] == 1
    assert check_manifest(filled) == []


def test_a_warehouse_cut_short_is_named(filled, put):
    whole = filled.read_bytes()
    filled.write_bytes(whole[: len(whole) // 2])
    (said,) = check_manifest(filled)
    assert said.startswith("w.duckdb cannot be read")
    with pytest.raises(WarehouseError):
        put(jobs="job_id,unit_id,visited_on\nj3,u1,2020-05-02\n")


def test_an_older_state_in_its_place_is_named(filled, put, tmp_path):
    older = shutil.copy(filled, tmp_path / "older.duckdb")
    put(jobs="job_id,unit_id,visited_on\nj3,u1,2020-05-02\n")
    shutil.copy(older, filled)
    assert "jobs has 0 rows of batch 3 and not 1" in check_manifest(filled)


def test_without_a_manifest_there_is_nothing_to_compare(filled, put):
    manifest_path(filled).unlink()
    assert check_manifest(filled) == [
        "there is no w.duckdb.manifest beside the warehouse to compare it with"
    ]
    put(jobs="job_id,unit_id,visited_on\nj3,u1,2020-05-02\n")
    assert check_manifest(filled) == []


def test_a_damaged_manifest_is_named(filled, put):
    manifest_path(filled).write_text("{")
    assert check_manifest(filled)
    with pytest.raises(WarehouseError, match="as failstats left it"):
        put(jobs="job_id,unit_id,visited_on\nj3,u1,2020-05-02\n")


def test_a_deleted_warehouse_leaves_no_claim(filled, tmp_path):
    filled.unlink()
    path = tmp_path / "units.csv"
    path.write_text(UNITS)
    assert load(filled, [path]).batches[0]["good"] == 2
    assert check_manifest(filled) == []


@pytest.mark.parametrize("swapped", [True, False])
def test_a_load_killed_at_the_end_is_believed_either_way(filled, put, monkeypatch, swapped):
    """Killed after or before the new state took the warehouse's place, the manifest not yet."""
    target = manifest if swapped else store.os
    name = "keep" if swapped else "replace"
    monkeypatch.setattr(manifest, "keep", lambda *_, **__: None)
    if not swapped:
        real = store.os.replace

        def replace(source, place):
            if str(place).endswith(".duckdb"):
                raise KeyboardInterrupt
            real(source, place)

        monkeypatch.setattr(target, name, replace)
    more = "job_id,unit_id,visited_on\nj3,u1,2020-05-02\n"
    if swapped:
        put(jobs=more)
    else:
        with pytest.raises(KeyboardInterrupt):
            put(jobs=more)
    monkeypatch.undo()
    assert check_manifest(filled) == []
    put(jobs="job_id,unit_id,visited_on\nj4,u1,2020-05-02\n")
    assert check_manifest(filled) == []
