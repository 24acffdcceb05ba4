"""A wrong batch goes, a unit is forgotten."""

from __future__ import annotations

import pytest

from failstats.errors import InputError, WarehouseError
from failstats.intake.remove import forget, unload
from failstats.warehouse.backup import backup, listed_backups, restore

UNITS = "unit_id,family\nunit-alpha,E1\nunit-beta,E1\n"
JOBS = "job_id,unit_id,visited_on\njob-alpha,unit-alpha,2023-03-01\njob-beta,unit-beta,2023-03-02\n"
LINES = "job_id,part,finding,action\njob-alpha,coil,failed,replaced\njob-beta,coil,failed,kept\n"
CLEANINGS = "unit_id,cleaned_on,job_id\nunit-alpha,2023-04-01,job-alpha\nunit-beta,2023-01-01,\n"


def test_unload_puts_back_what_the_batch_had_corrected(put, ask, warehouse):
    put(units=UNITS, jobs=JOBS)
    put(units=UNITS.replace("E1", "E2"))
    put(units=UNITS.replace("E1", "E3"))
    unload(warehouse, 2)
    assert ask("select distinct family, batch, superseded_in from raw.units order by batch") == [
        ("E1", 1, 3), ("E3", 3, None),
    ]  # fmt: skip
    unload(warehouse, 3)
    assert ask("select distinct family, superseded_in from raw.units") == [("E1", None)]
    assert ask("select distinct batch from raw.batches") == [(1,)]


def test_unload_of_parents_leaves_no_orphans(put, ask, warehouse):
    put(units=UNITS)
    put(jobs=JOBS)
    put(lines=LINES, cleanings=CLEANINGS)
    result = unload(warehouse, 2)
    assert result.rows["jobs"] == 2
    assert ask("select count(*) from raw.lines") == [(0,)]
    assert ask('select "table", count(*) from raw.quarantine group by 1') == [("lines", 2)]
    assert ask("select rows_in, good, quarantined from raw.batches where \"table\" = 'lines'") == [
        (2, 0, 2)
    ]
    put(jobs=JOBS)
    assert ask("select count(*) from raw.lines") == [(2,)]
    unload(warehouse, 1)
    assert ask("select unit_id, family from raw.units order by 1") == [
        ("unit-alpha", "unknown"), ("unit-beta", "unknown"),
    ]  # fmt: skip


def test_a_file_may_come_again_after_the_batch_it_repeated_is_gone(put, ask, warehouse):
    put(units=UNITS)
    more = UNITS + "unit-gamma,E1\n"
    put(units=more)
    unload(warehouse, 1)
    assert ask("select count(*) from raw.units") == [(1,)]
    put(units=more)
    assert ask("select count(*) from raw.units where superseded_in is null") == [(3,)]


def test_what_an_unloaded_batch_stated_no_longer_holds(put, ask, warehouse):
    """A wrong last day would go on making lives that nobody watched."""
    stated = "select name, value from raw.settings where name like 'records_to%' order by 1"
    put(units=UNITS, jobs=JOBS)
    put(cleanings=CLEANINGS, mapping='records_to = 2025-12-31\ncurrency = "EUR"\n')
    put(lines=LINES)
    assert ("records_to@3", "2025-12-31") in ask(stated)
    result = unload(warehouse, 2)
    assert "records_to was stated with this batch" in str(result)
    assert ask(stated) == [("records_to", "2023-03-02"), ("records_to_stated", "no")]
    assert ask("select value from raw.settings where name = 'records_end_assumed'") == [("yes",)]
    put(cleanings=CLEANINGS, mapping="records_to = 2024-06-30\n")
    put(units=UNITS.replace("E1", "E2"), mapping="records_to = 2024-12-31\n")
    result = unload(warehouse, 5)
    assert "2024-06-30, as batch 4 states it" in str(result)
    assert ("records_to", "2024-06-30") in ask(stated)


def test_nothing_is_stated_of_an_empty_warehouse(put, ask, warehouse):
    put(units=UNITS, jobs=JOBS, mapping='records_to = 2025-12-31\ncurrency = "EUR"\n')
    unload(warehouse, 1)
    put(units=UNITS, jobs=JOBS)
    told = dict(ask("select name, value from raw.settings"))
    assert (told["records_to"], told["records_to_stated"]) == ("2023-03-02", "no")
    assert (told["currency"], told["currency_assumed"]) == ("USD", "yes")


def test_unload_of_no_batch_is_refused(put, warehouse):
    put(units=UNITS)
    with pytest.raises(InputError, match="a batch must be in the warehouse, but 7 is not"):
        unload(warehouse, 7)


@pytest.mark.parametrize("keyed", [False, True])
def test_forget_leaves_no_byte(put, ask, warehouse, tmp_path, keyed):
    options = {}
    if keyed:
        options["key_file"] = tmp_path / "key.txt"
        options["key_file"].write_text("k" * 40)
    put(units=UNITS, jobs=JOBS, lines=LINES + "job-alpha,coyl,failed,kept\n",
        cleanings=CLEANINGS + "unit-alpha,2999-01-01,\nunit-alpha;1\n",
        options=options)  # fmt: skip
    put(units=UNITS.replace("E1", "E9"), options=options)
    trace = ask("select unit_id from raw.units where line = 2 limit 1")[0][0]
    job = ask("select job_id from raw.jobs where line = 2")[0][0]
    before = warehouse.read_bytes()
    assert trace.encode() in before
    assert job.encode() in before
    result = forget(warehouse, "unit-alpha", **options)
    assert result.rows["units"] == 2
    assert result.rows["lines"] == 1
    after = warehouse.read_bytes()
    for text in ("unit-alpha", "job-alpha", trace, job):
        assert text.encode() not in after
    assert sorted(path.name for path in tmp_path.iterdir() if path.name.startswith("w.")) == [
        "w.duckdb", "w.duckdb.manifest",
    ]  # fmt: skip
    sums = (tmp_path / "w.duckdb.manifest").read_text()
    assert not any(text in sums for text in ("unit-alpha", "job-alpha", trace, job))
    assert len(ask("select * from raw.units where superseded_in is null")) == 1
    # the tombstone keeps it out
    again = put(units=UNITS.replace("E1", "E7"), jobs=JOBS + "job-new,unit-alpha,2023-05-05\n",
                lines=LINES + "job-new,coil,failed,kept\n", options=options)  # fmt: skip
    assert again.reasons["belongs to a unit that was forgotten"] == 5
    assert all(row["rows_in"] == row["good"] + row["quarantined"] + row["duplicates"]
               for row in again.batches)  # fmt: skip
    for text in ("unit-alpha", "job-alpha", trace, job):
        assert text.encode() not in warehouse.read_bytes()


def test_forget_takes_nothing_from_neighbours_with_a_longer_id(put, ask, warehouse):
    put(units="unit_id,family,installed_on\nu-1,E1,\nu-10,E1,2023-13-01\nu-2,E1,2023-02-30\n",
        jobs="job_id,unit_id,visited_on,continues\nj-1,u-1,2023-01-02,\nj-2,u-2,x,j-1\n"
        "j-3,u-2,2023-01-05,j-1\n")  # fmt: skip
    forget(warehouse, "u-1")
    held = ask(
        "select content->>'unit_id' from raw.quarantine where \"table\" = 'units' order by 1"
    )
    assert held == [("u-10",), ("u-2",)]
    texts = [row[0] for row in ask("select content::varchar from raw.quarantine")]
    assert not any("j-1" in text for text in texts)


def test_forget_names_the_copies_that_still_hold_the_unit(put, warehouse, tmp_path):
    put(units=UNITS)
    kept = backup(warehouse, tmp_path / "copy.duckdb")
    gone = backup(warehouse, tmp_path / "gone.duckdb")
    gone.unlink()
    told = forget(warehouse, "unit-alpha").notes[0]
    assert str(kept.resolve()) in told
    assert "gone.duckdb" not in told
    assert listed_backups(warehouse) == []  # the next copies do not hold it


def test_a_copy_does_not_bring_a_forgotten_unit_back(put, ask, warehouse, tmp_path):
    put(units=UNITS)
    copy = backup(warehouse, tmp_path / "copy.duckdb")
    forget(warehouse, "unit-alpha")
    with pytest.raises(WarehouseError, match="holds 1 forgotten since") as refusal:
        restore(warehouse, copy)
    assert "unit-alpha" not in str(refusal.value)
    forget(copy, "unit-alpha")
    restore(warehouse, copy)
    assert ask("select count(*) from raw.units where unit_id = 'unit-alpha'") == [(0,)]
    warehouse.write_bytes(b"broken")
    restore(warehouse, copy)
    with pytest.raises(WarehouseError, match="the copy to put back must exist"):
        restore(warehouse, tmp_path / "absent.duckdb")


def test_forget_of_no_unit_is_refused_without_its_name(put, warehouse):
    put(units=UNITS)
    with pytest.raises(InputError) as refusal:
        forget(warehouse, "unit-omega")
    assert "unit-omega" not in str(refusal.value)


def test_a_warehouse_that_is_not_there_is_said_to_be_missing(warehouse):
    for take in (lambda: unload(warehouse, 1), lambda: forget(warehouse, "u1")):
        with pytest.raises(WarehouseError, match="must exist"):
            take()
    assert not warehouse.exists()
