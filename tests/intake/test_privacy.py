"""Ids become pseudonyms under one key; nobody is identified."""

from __future__ import annotations

import hashlib
import hmac

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from failstats.errors import InputError
from failstats.intake.privacy import Key, identifying_title, looks_identifying, suspicious

UNITS = "unit_id,family,building_id\nu1,E1,b1\n"
JOBS = "job_id,unit_id,visited_on,technician_id,continues\n"
JOBS += "j1,u1,2020-01-01,t1,\nj2,u1,2020-01-05,t1,j1\n"


@pytest.fixture
def key_file(tmp_path):
    path = tmp_path / "key.txt"
    path.write_text("0123456789abcdef\n")
    return path


def test_ids_are_hmacs_with_a_domain(put, ask, key_file):
    put(units=UNITS, jobs=JOBS, options={"key_file": key_file})
    # RFC 2104 by hand, with the standard library's other entry point
    made = hmac.new(b"0123456789abcdef", b"unit\0u1", hashlib.sha256).digest()[:16].hex()
    assert ask("select distinct unit_id from raw.units union select unit_id from raw.jobs") == [
        (made,)
    ]
    assert ask("select count(*) from raw.jobs a join raw.jobs b on a.continues = b.job_id") == [
        (1,)
    ]
    (row,) = ask("select unit_id, building_id, technician_id, job_id from raw.units join raw.jobs "
                 "using (unit_id) limit 1")  # fmt: skip
    assert len(set(row)) == 4
    assert all(len(text) == 32 for text in row)


def test_the_key_is_not_in_the_warehouse(put, warehouse, key_file):
    put(units=UNITS, jobs=JOBS, options={"key_file": key_file})
    assert b"0123456789abcdef" not in warehouse.read_bytes()


@pytest.mark.parametrize(
    ("first", "second", "says"),
    [
        ("a" * 32, "b" * 32, "the key must be that of the first load"),
        ("a" * 32, None, "but no key file is given"),
        (None, "a" * 32, "a key must be given from the first load on"),
    ],
)
def test_one_key_for_ever(put, tmp_path, first, second, says):
    def options(secret):
        if secret is None:
            return {}
        path = tmp_path / "a.key"
        path.write_text(secret)
        return {"key_file": path}

    put(units=UNITS, options=options(first))
    with pytest.raises(InputError, match=says):
        put(units=UNITS.replace("u1", "u2"), options=options(second))


def test_a_key_must_be_there_and_long_enough(tmp_path):
    with pytest.raises(InputError, match="must be readable"):
        Key(tmp_path / "none.txt")
    (tmp_path / "short.txt").write_text("abc\n")
    with pytest.raises(InputError, match="at least 8 bytes, but this one has 3"):
        Key(tmp_path / "short.txt")


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("a.b@example.org", "an e-mail address"),
        ("+49 170 1234567", "a phone number"),
        ("(555) 010-9999", "a phone number"),
        ("555.010.9999", "a phone number"),
        ("0170 1234567", "a phone number"),
        ("12 Elm Park Road", "a street address"),
        ("Lange Straße 4", "a street address"),
        ("2023-04-03", None),
        ("0123456789", None),
        ("u-0001-2345", None),
        ("12 ft 6 in", None),
        ("9.9 ohm", None),
        ("2 cm from the terminal", None),
        ("coil-e1", None),
        ("550e8400-e29b-41d4-a716-446655440000", None),
    ],
)
def test_what_identifies(text, what):
    assert looks_identifying(text) == what


letters = st.text(st.sampled_from("aAbstrSTRaeßſé019 -./()+@_,"), max_size=24)


@settings(max_examples=300, deadline=None)
@given(st.lists(letters, max_size=4))
def test_the_quick_look_at_a_column_misses_nothing(texts):
    column = pa.chunked_array([pa.array(texts, pa.string())])
    assert suspicious(column) == any(looks_identifying(text) for text in texts)


@pytest.mark.parametrize("title", ["Name", "customer name", "Phone", "E-Mail", "street_address",
                                   "SerialNumber", "serial", "Notes", "firstName"])  # fmt: skip
def test_titles_that_identify(title):
    assert identifying_title(title)


@pytest.mark.parametrize("title", ["unit_id", "family", "job_id", "cleaned_by", "reading"])
def test_titles_that_do_not(title):
    assert not identifying_title(title)
