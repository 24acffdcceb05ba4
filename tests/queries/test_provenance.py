"""Every answer names the queries that counted for it, and the last load that it has seen."""

from __future__ import annotations

from collections.abc import Callable

from failstats.records import Records
from failstats.warehouse.queries import all_queries

UNITS = "unit_id,family,fuel,installed_on,enrolled_on\nu1,E1,electric,2016-01-01,2016-01-01\n"
JOBS = "job_id,unit_id,visited_on,kind\nj1,u1,2018-01-01,call_out\n"
LINES = "job_id,part,finding,action\nj1,coil,failed,replaced\n"


def test_each_answer_keeps_its_own_queries(company: Callable[..., Records]) -> None:
    records = company(units=UNITS, jobs=JOBS, lines=LINES)
    causes, quality = records.causes(), records.quality()
    for answer, own in ((causes, "causes_sets"), (quality, "quality_tables")):
        names = answer.settings["queries"]
        assert own in names
        assert len(names) == len(set(names))
        assert set(names) <= set(all_queries())
    assert "quality_tables" not in causes.settings["queries"]
    assert "causes_sets" not in quality.settings["queries"]
    assert causes.settings["last_batch"] >= 1


def test_a_kept_fit_brings_its_queries_along(company: Callable[..., Records]) -> None:
    records = company(units=UNITS, jobs=JOBS, lines=LINES)
    session = records._session
    session.begin()
    session.run("quality_tables")
    session.kept["a fit"] = 1
    session.begin()
    assert session.choices["queries"] == []
    assert session.kept["a fit"] == 1
    assert session.choices["queries"] == ["quality_tables"]
    session.begin()
    assert session.kept.get("another fit", 7) == 7
    assert session.choices["queries"] == []
    assert session.kept.get("a fit") == 1
    assert session.choices["queries"] == ["quality_tables"]
