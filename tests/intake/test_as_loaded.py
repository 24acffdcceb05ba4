"""`--as-loaded`: the answer of then, whatever came in later."""

from __future__ import annotations

import pytest

from failstats.answers.quality import quality
from failstats.intake.remove import unload
from failstats.warehouse.session import open_session

UNITS = "unit_id,family,enrolled_on\nu1,E1,2018-01-01\nu2,E1,2018-01-01\n"
JOBS = "job_id,unit_id,visited_on\nj1,u1,2019-03-01\n"
LATER = "job_id,unit_id,visited_on\nj2,u2,2022-05-01\nj9,u2,2022-99-01\n"
EARLIER = "job_id,unit_id,visited_on\nj3,u2,2018-02-01\n"


def seen(warehouse, batch=None):
    """First and last day of the records, days watched, whether the end is assumed."""
    with open_session(warehouse, as_loaded=batch) as session:
        session.build("fact_spans")
        days = session.scalar("select sum(ends_on - starts_on) from fact_spans")
        first = session.scalar("select records_from from stg_clock")
        assumed = [code for code, _ in session.warnings] == ["records_end_assumed"]
        return str(first), str(session.as_of), days, assumed


def test_later_loads_do_not_lengthen_what_was_watched_by_then(put, warehouse):
    put(units=UNITS, jobs=JOBS)
    then = seen(warehouse)
    put(jobs=LATER)
    put(jobs=EARLIER)
    assert then[:2] == ("2019-03-01", "2019-03-01")
    assert seen(warehouse, 1) == then
    assert seen(warehouse, 2)[:2] == ("2019-03-01", "2022-05-01")
    assert seen(warehouse, 3) == seen(warehouse)
    assert seen(warehouse)[0] == "2018-02-01"


def test_what_was_stated_by_then_holds(put, warehouse):
    put(units=UNITS, jobs=JOBS, mapping="records_from = 2018-01-01\nrecords_to = 2019-12-31\n")
    then = seen(warehouse)
    assert then[1] == "2019-12-31"
    assert not then[3]
    put(jobs=LATER, mapping="records_to = 2022-12-31\n")
    assert seen(warehouse, 1) == then
    assert seen(warehouse)[:2] == ("2018-01-01", "2022-12-31")
    unload(warehouse, 1)
    assert seen(warehouse, 2)[1] == "2022-12-31"


@pytest.mark.parametrize(("batch", "batches", "waiting"), [(1, 2, 0), (2, 3, 1), (3, 4, 0)])
def test_quality_lists_what_was_there_by_then(put, warehouse, batch, batches, waiting):
    put(units=UNITS, jobs=JOBS)
    put(jobs=LATER)
    put(jobs=LATER.replace("2022-99", "2022-06"))
    with open_session(warehouse, as_loaded=batch) as session:
        told = quality(session).results
    assert len(told.batches) == batches
    assert told.quarantine_total == len(told.quarantine) == waiting


def test_units_without_a_visit_are_all_counted(put, warehouse):
    put(units="unit_id,family,installed_on\nu1,E1,2020-02-03\nu2,E1,2021-02-03\nu3,E1,\n")
    with open_session(warehouse, may_be_empty=True) as session:
        assert quality(session).results.tables["units"] == 3
        assert str(session.as_of) == "2021-02-03"
