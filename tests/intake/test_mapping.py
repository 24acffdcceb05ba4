"""A mapping renames, translates, sets units and splits; nothing in it is ignored."""

from __future__ import annotations

import pytest

from failstats.errors import InputError

FLAT = """Ticket;Serial;Model;Fuel;Put in;Seen on;Said;What;State;Done;Ohms;Customer
t1;s1;E1;1;14/03/2019;02/01/2020;cold;element;bad;new;9,9;Maria
t1;s1;E1;1;14/03/2019;02/01/2020;cold;fuse;good;left;0,4;Maria
t2;s1;E1;1;14/03/2019;05/06/2021;loud;;;;;Maria
t3;s2;G1;2;;07/08/2021;cold;igniter;bad;new;;Anna
"""
MAP = """
currency = "eur"
records_from = 2019-01-01
records_to = 2021-12-31
date_order = "dmy"
decimal_mark = ","
drop = ["Customer"]

[tables.units]
file = "export.csv"
[tables.units.columns]
unit_id = "Serial"
family = "Model"
fuel = "Fuel"
installed_on = "Put in"
[tables.units.codes.fuel]
1 = "electric"
2 = "gas"

[tables.jobs]
file = "export.csv"
[tables.jobs.columns]
job_id = "Ticket"
unit_id = "Serial"
visited_on = "Seen on"
complaint = "Said"
[tables.jobs.codes.complaint]
cold = "no_heat"
loud = "noisy"

[tables.lines]
file = "export.csv"
[tables.lines.columns]
job_id = "Ticket"
part = "What"
finding = "State"
action = "Done"
reading = "Ohms"
[tables.lines.units]
reading = "ohm"
"""


@pytest.fixture
def key_file(tmp_path):
    path = tmp_path / "key.txt"
    path.write_text("f" * 64)
    return path


def test_a_flat_export_is_split(put, ask, key_file):
    result = put(files={"export.csv": FLAT}, mapping=MAP, options={"key_file": key_file})
    counts = {row["table"]: (row["rows_in"], row["good"], row["duplicates"]) for row in
              result.batches}  # fmt: skip
    assert counts == {"units": (4, 2, 2), "jobs": (4, 3, 1), "lines": (3, 3, 0)}
    found = ask(
        "select family, fuel, installed_on::varchar, visited_on::varchar, complaint, part, action, "
        "reading_ohm from raw.lines join raw.jobs using (job_id) join raw.units using (unit_id) "
        "order by lines.line"
    )
    assert found == [
        ("E1", "electric", "2019-03-14", "2020-01-02", "no_heat", "coil", "replaced", 9.9),
        ("E1", "electric", "2019-03-14", "2020-01-02", "no_heat", "fuse", "kept", 0.4),
        ("G1", "gas", None, "2021-08-07", "no_heat", "igniter", "replaced", None),
    ]
    assert dict(ask("select name, value from raw.settings where name in ('currency', "
                    "'records_from', 'records_to', 'records_end_assumed')")) == {
        "currency": "EUR", "records_from": "2019-01-01", "records_to": "2021-12-31",
        "records_end_assumed": "no",
    }  # fmt: skip


def test_a_stated_end_stands_when_records_pass_it(put, ask):
    put(units="unit_id,family\nu1,E1\n", jobs="job_id,unit_id,visited_on\nj1,u1,2020-01-02\n",
        mapping="records_to = 2020-12-31")  # fmt: skip
    assert ask("select value from raw.settings where name = 'records_to'") == [("2020-12-31",)]
    put(jobs="job_id,unit_id,visited_on\nj2,u1,2020-05-02\n")
    assert ask("select value from raw.settings where name = 'records_to'") == [("2020-12-31",)]
    result = put(jobs="job_id,unit_id,visited_on\nj3,u1,2021-01-02\n")
    assert any("stated as 2020-12-31" in note for note in result.notes)
    settings = dict(ask("select name, value from raw.settings where name like 'records%'"))
    assert (settings["records_to"], settings["records_end_assumed"]) == ("2020-12-31", "no")


@pytest.mark.parametrize(
    ("mapping", "says"),
    [
        ("curency = 'USD'", "curency is given"),
        ("[tables.unit]\nfile = 'x'", "unit is given"),
        ("[tables.units.columns]\nunitid = 'x'", "unitid is given"),
        ("[tables.units.units]\nduct_length = 'ohm'", "the unit of duct_length must be of length"),
        ("[tables.units.units]\nfamily = 'm'", "family is no quantity"),
        ("[tables.units.codes.fuel]\nE = 'electrik'", "codes of fuel must lead to known words"),
        ("decimal_mark = ';'", "decimal_mark must be"),
        ("date_order = 'ydm'", "date_order must be one of"),
        ("encoding = 'klingon'", "encoding must be one of"),
        ("delimiter = ';;'", "delimiter must be one character"),
        ("records_to = '2020-01-01'", "records_to must be a date"),
        ("records_from = 2021-01-01\nrecords_to = 2020-01-01", "records_to must be on or after"),
        ("currency = 'dollars'", "currency must be a code of three letters"),
        ("drop = 'notes'", "drop must be a list"),
        ("not toml", "a mapping file must be TOML"),
        ("[tables.jobs]\nfile = 'visits.csv'", "that file is not among the sources"),
        ("[tables.units]\nfile = ['units.csv', 'b.csv']", "from 'b.csv', but that file is not"),
        ("[tables.units]\nfile = 7", "file must be a list of texts"),
        ("[tables.units]\nfile = 'out/units.csv'", "file must be a name without its folder"),
        ("[tables.units.columns]\nfuel = 'Heat'", "'heat' (from the mapping)"),
    ],
)
def test_every_word_of_a_mapping_is_checked(put, mapping, says):
    with pytest.raises(InputError) as refusal:
        put(units="unit_id,family\nu1,E1\n", mapping=mapping)
    assert says in str(refusal.value)
    assert refusal.value.do


def test_one_currency(put):
    put(units="unit_id,family\nu1,E1\n", mapping="currency = 'USD'")
    with pytest.raises(InputError, match="has one currency, USD, but the mapping says EUR"):
        put(units="unit_id,family\nu2,E1\n", mapping="currency = 'EUR'")


def test_records_cannot_end_in_the_future(put):
    with pytest.raises(InputError, match="records_to must not lie in the future"):
        put(units="unit_id,family\nu1,E1\n", mapping="records_to = 2999-12-31\n")
