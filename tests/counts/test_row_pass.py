"""What the warehouse says of selected records: a few units given, the arrays expected."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from failstats.counts.frailty_pass import frailty_lives
from failstats.counts.joint_table import joint_table
from failstats.counts.row_pass import hidden_rows, loss_rows
from failstats.counts.world_pass import world_rows
from failstats.intake.load import load
from failstats.warehouse.session import Session, open_session

UNITS = """unit_id,family,installed_on,enrolled_on,left_on,left_because
silent,E1,2017-01-01,,,
told,E1,2017-01-01,,2020-01-01,moved
joined,E1,2017-01-01,2018-07-21,,
blank,E1,,,,
found,E1,2018-01-01,2018-01-01,,
waited,E1,2018-01-01,2018-01-01,,
late,E1,2015-01-01,2018-06-01,,
"""
JOBS = """job_id,unit_id,visited_on,kind,complaint,completed,continues
s1,silent,2018-07-01,call_out,no_heat,yes,
s2,silent,2019-01-01,call_out,slow_dry,yes,
s3,silent,2019-07-01,call_out,noisy,yes,
t1,told,2018-07-01,call_out,no_heat,yes,
j1,joined,2018-07-01,call_out,no_heat,yes,
b1,blank,2018-07-01,call_out,no_heat,yes,
f1,found,2019-01-01,call_out,no_heat,yes,
f2,found,2020-01-01,call_out,no_heat,yes,
w1,waited,2019-01-01,call_out,no_heat,no,
w2,waited,2019-03-01,call_out,no_heat,yes,w1
l1,late,2019-06-01,call_out,no_heat,yes,
"""
LINES = """job_id,part,finding,mode,test,action
s1,coil,failed,open_circuit,cold_continuity,replaced
s3,belt,failed,broken,visual,replaced
t1,coil,failed,open_circuit,cold_continuity,replaced
j1,coil,failed,open_circuit,cold_continuity,replaced
b1,coil,failed,open_circuit,cold_continuity,replaced
f1,cutout,failed,open_circuit,cold_continuity,replaced
f1,thermostat,working,,hot_cycle,kept
f2,cutout,failed,tripped,cold_continuity,replaced
f2,thermostat,failed,stuck_closed,hot_cycle,replaced
w1,cutout,failed,open_circuit,cold_continuity,kept
w1,thermostat,working,,cold_continuity,kept
w2,cutout,failed,open_circuit,cold_continuity,replaced
w2,thermostat,untested,,none,replaced
l1,coil,failed,open_circuit,cold_continuity,replaced
"""
SPAN = "records_from = 2018-01-01\nrecords_to = 2021-12-31\n"


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Session]:
    folder = tmp_path_factory.mktemp("records")
    for name, text in (("units", UNITS), ("jobs", JOBS), ("lines", LINES)):
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    mapping = folder.parent / "map.toml"
    mapping.write_text(SPAN, encoding="utf-8")
    warehouse = Path(folder.parent / "w.duckdb")
    load(warehouse, [folder], mapping=mapping)
    with open_session(warehouse) as opened:
        yield opened


def test_units_that_may_have_left(session: Session) -> None:
    """Ages from installation: first visit, last contact (the slow_dry call is an other contact),
    end of the records; the unit of unknown age is left out and counted."""
    rows = loss_rows(session)
    found = sorted(
        zip(rows.watched_from, rows.last_contact, rows.ends, rows.outcome, strict=True),
        key=lambda one: one[3],
    )
    assert found == [
        (546, 911, 1825, 0),  # silent since 2019-07-01
        (546, 1095, 1095, 1),  # said on 2020-01-01 that it left
        (546, 566, 566, 2),  # under contract from 2018-07-21
    ]
    assert rows.no_installation == 1
    assert (rows.other_contacts, rows.other_days) == (1, 365 + 549 + 20)


def test_laws_of_the_parts_known_and_before(session: Session) -> None:
    rows = loss_rows(session)
    belt = rows.counted["belt before"]
    # silent: from the first visit at 546 to its failure at 911; told and joined: never failed
    assert belt.failed["failed"][belt.age == 911].tolist() == [1]
    assert belt.entered[belt.age == 546].tolist() == [3]
    coil = rows.counted["coil"]
    # silent to its last contact 365; told 549; joined to the end of the records; contract units
    # from installation or from a replacement; the coil of the late unit of unknown birth is out
    assert coil.left[coil.age == 365].tolist() == [1]
    assert coil.left[coil.age == 549].tolist() == [1]
    assert "coil before" not in rows.laws  # each failed on its first visit: no time at risk
    silent = int(np.flatnonzero(rows.outcome == 0)[0])
    tails = {
        (rows.laws[law], born)
        for unit, law, born in zip(rows.tail_unit, rows.tail_law, rows.tail_born, strict=True)
        if unit == silent
    }
    assert {("coil", 546.0), ("belt", 911.0), ("cutout before", 0.0)} <= tails
    assert set(rows.tail_unit) == {silent}


def test_assumed_births_share_the_law(session: Session) -> None:
    rows = loss_rows(session, births=("known", "assumed"))
    assert not any(law.endswith("before") for law in rows.laws)
    belt = rows.counted["belt"]
    assert belt.failed["failed"][belt.age == 911].tolist() == [1]


def _lives(session: Session, unit_life: int) -> list[tuple[object, ...]]:
    rows = hidden_rows(session, "cutout", "thermostat")
    mine = rows.life == unit_life
    names = (
        "b_from",
        "b_to",
        "a_from",
        "a_failed",
        "hot_passed",
        "cold_passed",
        "found",
        "untested",
    )
    return list(zip(*(getattr(rows, name)[mine].tolist() for name in names), strict=True))


def test_stretches_between_looks(session: Session) -> None:
    """A trip is a failure of the partner here; the hot test ends the life as found."""
    assert _lives(session, 0) == [
        (0, 365, 0, True, 1, 0, 0, False),
        (365, 730, 0, True, 0, 0, 1, False),
    ]
    assert _lives(session, 1) == [(0, 730, 0, False, 0, 0, 0, False)]


def test_a_partner_that_waits_for_its_part(session: Session) -> None:
    """Failed and kept on 2019-01-01, replaced on 2019-03-01: out of service in between, and the
    failure counts once. The thermostat replaced untested ends its life in an unknown state."""
    assert _lives(session, 2) == [
        (0, 365, 0, True, 0, 1, 0, False),
        (365, 424, -1, False, 0, 0, 0, True),
    ]
    assert _lives(session, 3) == [(0, 1036, 0, False, 0, 0, 0, False)]
    assert hidden_rows(session, "cutout", "thermostat").lives == 4  # the late unit is left out


def test_assumed_births_bring_the_late_unit(session: Session) -> None:
    rows = hidden_rows(session, "cutout", "thermostat", births=("known", "assumed"))
    # the lives in order of units: two of found, late with its condition, two of waited
    assert rows.weight.tolist() == [1, 1, 1, -1, 1, 1]
    assert rows.b_from[rows.life == 2].tolist() == [0.0, 1247.0]
    assert rows.a_from[rows.life == 2].tolist() == [0.0, 1247.0]
    assert rows.b_to[rows.life == 3].tolist() == [1247.0]
    assert not rows.a_failed[rows.life == 3].any()


def test_parts_of_unknown_birth(session: Session) -> None:
    table, ends = joint_table(session, "coil", step=100.0)
    assert table.entry.tolist() == [12]  # 1,247 days old when the contract began
    assert table.forward.tolist() == [3]  # failed 365 days later
    assert table.failed.tolist() == [True]
    by = ends.set_index("ending")["lives"]
    assert by["failed"] == 1
    both, _ = joint_table(session, "belt", followed=("contract", "call_out"), step=100.0)
    failed = both.failed
    # silent: 365 days old when the records begin, worked 181 days to its first visit, failed at 546
    assert (both.entry[failed].tolist(), both.forward[failed].tolist()) == ([3], [5])
    assert set(both.given_forward.tolist()) == {1}
    assert both.given_count.sum() == 3


def test_the_roster_and_its_failures(session: Session) -> None:
    world = world_rows(session, ["coil", "belt"])
    assert world.failed_day.size == 2  # the coil of late, the belt of silent
    failed = world.failed_socket
    assert np.isnan(world.part_age[failed]).all()
    assert sorted(world.unit_age[failed]) == [546.0, 1247.0]
    silent = world.loses
    assert set(world.from_day[silent]) == {181.0}
    # the coil fitted on the first visit is new, the belt found there is of unknown age
    assert sorted(np.nan_to_num(world.part_age[silent], nan=-1).tolist()) == [-1.0, 0.0]


def test_lives_for_the_frailty_come_from_installation(session: Session) -> None:
    lives = frailty_lives(session, ["cutout"])
    assert set(lives["unit"]) == {0, 1}  # found and waited
    assert lives["failed"].sum() == 2  # a trip is no failure of the part
