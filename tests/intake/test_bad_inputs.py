"""The table of bad inputs: each has one right outcome, and no row is ever lost."""

from __future__ import annotations

import gzip
import io
import tomllib
import zipfile
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pytest

from failstats.errors import InputError
from failstats.intake.load import load

TABLE = tomllib.loads(Path(__file__).with_name("bad_inputs.toml").read_text("utf-8"))
CASES = TABLE["case"]
LEAST_CASES = 60  # asked for in the issue


def content(text: str, case: dict[str, Any]) -> bytes:
    """The bytes of a file of a case."""
    text = text.replace("@3MB@", "x" * 3 * 2**20)
    plain = text.encode(case.get("encoding", "utf-8"))
    wrapped = case.get("as")
    if wrapped == "zip":
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w") as archive:
            archive.writestr("units.csv", plain)
        return buffer.getvalue()
    if wrapped == "xlsx":
        buffer = io.BytesIO()
        pd.read_csv(io.BytesIO(plain)).to_excel(buffer, index=False)
        return buffer.getvalue()
    if wrapped == "gzip":
        return gzip.compress(plain)
    if wrapped == "half gzip":
        return gzip.compress(plain * 100)[:-12]
    if wrapped == "gzip bomb":
        return gzip.compress(plain + b"u2,E2\n" * 2_000_000)
    if wrapped == "half parquet":
        buffer = io.BytesIO()
        pd.DataFrame({"unit_id": ["u1"] * 1000, "family": ["E1"] * 1000}).to_parquet(buffer)
        return buffer.getvalue()[:-200]
    return plain


def run(case: dict[str, Any], place: Path) -> tuple[Path, Any, str]:
    """Load the case: the warehouse, the result or the refusal, and all that a person may read."""
    folder = place / "records"
    folder.mkdir()
    good = {"units.csv": TABLE["good_units"], "jobs.csv": TABLE["good_jobs"]}
    for name, text in case["files"].items():
        data = good[name].encode() if text == "good" else content(text, case)
        (folder / name).write_bytes(data)
    options: dict[str, Any] = {}
    if "mapping" in case:
        options["mapping"] = place / "map.toml"
        options["mapping"].write_text(case["mapping"])
    if case.get("key"):
        options["key_file"] = place / "key.txt"
        options["key_file"].write_text("0123456789abcdef0123456789abcdef\n")
    warehouse = place / "w.duckdb"
    try:
        result = load(warehouse, [folder], **options)
    except InputError as refusal:
        return warehouse, refusal, str(refusal)
    seen = read(warehouse, case)
    return warehouse, (result, seen), "\n".join([str(result), *result.notes, seen["text"]])


def read(warehouse: Path, case: dict[str, Any]) -> dict[str, Any]:
    """Everything a case asks of the warehouse, on one connection."""
    with duckdb.connect(str(warehouse), read_only=True) as connection:
        held = connection.execute(
            'select reasons, content, "column", line from raw.quarantine'
        ).fetchall()
        remarks = connection.execute("select statement from raw.remarks").fetchall()
        tables = [row[0] for row in connection.execute(
            'select distinct "table" from raw.batches').fetchall()]  # fmt: skip
        stored = {}
        for table in tables:
            listed = "where family <> 'unknown'" if table == "units" else ""
            row = connection.execute(f"select count(*) from raw.{table} {listed}").fetchone()
            stored[table] = row[0] if row else 0
        value = None
        if "value" in case:
            value = [str(row[0]) for row in connection.execute(case["value"][0]).fetchall()]
    text = f"{[row[:2] for row in held]}\n{remarks}"
    return {"held": held, "remarks": remarks, "stored": stored, "value": value, "text": text}


def test_there_are_enough_cases() -> None:
    assert len(CASES) >= LEAST_CASES
    assert len({case["name"] for case in CASES}) == len(CASES)
    assert {case["expect"] for case in CASES} == {"kept", "quarantined", "refused", "remarked"}


@pytest.mark.parametrize("case", CASES, ids=[case["name"] for case in CASES])
def test_bad_input(case: dict[str, Any], tmp_path: Path) -> None:
    warehouse, outcome, seen = run(case, tmp_path)
    if case["expect"] == "refused":
        assert isinstance(outcome, InputError), seen
        assert not warehouse.exists()
        assert outcome.where
        assert outcome.do
    else:
        assert not isinstance(outcome, InputError), seen
        check_counts(case, *outcome)
    if "says" in case:
        assert case["says"] in seen or case.get("says_or", case["says"]) in seen, seen
    if "never" in case:
        assert case["never"] not in seen
        if warehouse.exists():
            assert case["never"].encode() not in warehouse.read_bytes()


def check_counts(case: dict[str, Any], result: Any, found: dict[str, Any]) -> None:
    """Every row is good, quarantined or a duplicate, in the ledger and in the tables."""
    for row in result.batches:
        assert row["rows_in"] == row["good"] + row["quarantined"] + row["duplicates"]
    good_files = {name for name, text in case["files"].items() if text == "good"}
    rows = [row for row in result.batches if row["file"] not in good_files]
    for key in ("good", "quarantined", "duplicates"):
        if key in case:
            assert sum(row[key] for row in rows) == case[key], (key, result.reasons)
    assert result.quarantined == case.get("quarantined", 0)
    assert (case["expect"] == "quarantined") == (result.quarantined > 0)
    for table, count in found["stored"].items():
        assert count == sum(row["good"] for row in result.batches if row["table"] == table)
    assert len(found["held"]) == result.quarantined
    assert len(found["remarks"]) == (1 if case["expect"] == "remarked" else 0)
    if "value" in case:
        assert found["value"] == [case["value"][1]]
    if "column" in case:
        assert [row[2] for row in found["held"]] == [case["column"]]
    if "line" in case:
        assert [row[3] for row in found["held"]] == [case["line"]]
