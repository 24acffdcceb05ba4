"""What is drafted loads once a person has corrected it, and guesses nothing silently."""

from __future__ import annotations

import re
import tomllib

import pytest

from failstats.errors import InputError
from failstats.intake.draft import draft_map, draft_tables
from failstats.intake.load import load
from failstats.warehouse.schema import TABLES

EXPORT = """\
Ticket;Serial;Model;Heat;Put in;Seen on;Symptom;Component;State;Work;Ohms;Customer;vent length
t1;s1;E1;1;14/03/2019;02/01/2020;cold;element;bad;new;9,9;Maria;12
t1;s1;E1;1;14/03/2019;02/01/2020;cold;fuse;good;left;0,4;Maria;12
"""


def test_blank_tables_load_as_they_are(tmp_path, warehouse):
    paths = draft_tables(tmp_path / "tables")
    assert [path.stem for path in paths] == list(TABLES)
    result = load(warehouse, [tmp_path / "tables"])
    assert result.quarantined == 0, result.reasons
    assert {row["table"] for row in result.batches} == set(TABLES)


def test_blank_tables_never_overwrite(tmp_path):
    (tmp_path / "jobs.csv").write_text("mine")
    with pytest.raises(InputError, match=r"jobs\.csv is there"):
        draft_tables(tmp_path)
    assert (tmp_path / "jobs.csv").read_text() == "mine"


def test_a_drafted_mapping_is_only_comments_until_corrected(tmp_path, warehouse, ask):
    path = tmp_path / "export.csv"
    path.write_text(EXPORT)
    text = draft_map([path])
    tree = tomllib.loads(text)
    assert set(tree) == {"tables"}
    assert all(set(section) <= {"file", "columns", "units", "codes"} and not section.get("columns")
               and not section.get("units") for section in tree["tables"].values())  # fmt: skip
    assert "Maria" not in text
    mapping = tmp_path / "map.toml"
    mapping.write_text(text)
    with pytest.raises(InputError):
        load(warehouse, [path], mapping=mapping)
    # a person takes the marks away and fills in what is asked
    corrected = re.sub(r'^# ("?[\w ]+"? = )', r"\1", text, flags=re.MULTILINE)
    for empty, filled in (('duct_length = ""', 'duct_length = "ft"'), ('"1" = ""', '"1" = "gas"'),
                          ('"cold" = ""', '"cold" = "no_heat"'),
                          ('reading = ""', 'reading = "ohm"')):  # fmt: skip
        assert empty in corrected
        corrected = corrected.replace(empty, filled)
    mapping.write_text(corrected)
    key = tmp_path / "key.txt"
    key.write_text("k" * 32)
    result = load(warehouse, [path], mapping=mapping, key_file=key)
    assert result.quarantined == 0, result.reasons
    assert ask("select fuel, duct_length_m, visited_on::varchar, part, reading_ohm from raw.lines "
               "join raw.jobs using (job_id) join raw.units using (unit_id) order by part") == [
        ("gas", 3.6576, "2020-01-02", "coil", 9.9), ("gas", 3.6576, "2020-01-02", "fuse", 0.4),
    ]  # fmt: skip


def test_dates_that_fit_both_orders_are_left_to_the_person(tmp_path):
    path = tmp_path / "jobs.csv"
    path.write_text("job_id,unit_id,visited_on,phone\nj1,u1,03/04/2020,555-010-9999\n")
    text = draft_map([path])
    assert '# date_order = "dmy"  # or "mdy": the dates fit both or mix both; choose' in text
    assert '# drop = ["phone"]' in text
    assert "010" not in text
