"""Questions asked of partitions give what the whole warehouse gives, to the last bit."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pytest
from click.testing import CliRunner

import failstats
from failstats.cli import cli
from failstats.counts.partition_files import BY_UNIT, read_files, split
from failstats.counts.partitions import open_partitions
from failstats.errors import InputError, QueryError, WarehouseError
from failstats.records import Records
from failstats.warehouse.adding import adding_of
from failstats.warehouse.queries import all_queries, find_query
from failstats.warehouse.session import open_session, reads

PARAMETERS: dict[str, Any] = {
    "part": "coil", "parts": ["belt", "coil"], "births": ["known", "assumed"],
    "followed": ["contract", "call_out"], "by": [], "bracket": "stated_end", "clock": "days",
    "complaint": None, "first": "cutout", "second": "thermostat", "ahead": 395, "reaction": 30,
    "clean": "under_12", "step": 91, "control": "door_switch", "measured": [], "classes": [],
    "clustered": False, "start": dt.date(2024, 1, 1), "since": dt.date(2024, 1, 1), "days": 28,
    "starts": [dt.date(2025, 11, 5), dt.date(2025, 12, 3)], "warranty_days": 90, "low": 8.0,
    "high": 15.0, "modes": ["open_circuit"],
}  # fmt: skip
OTHERWISE = {
    "causes_episodes": {"by": ["fuel", "unit_age"], "complaint": "no_heat"},
    "lives_cells": {"by": ["family", "first_or_later"], "clock": "loads"},
    "lives_units": {"by": ["van_id"], "part": "belt"},
    "lives_loss_lives": {"clustered": True},
    "lives_hidden": {"births": ["known"], "bracket": "last_contact"},
    "lives_replaced": {"part": "thermostat"},
    "causes_given": {"measured": ["coil"], "classes": ["8_to_15_ohm"]},
    "vents_rows": {"followed": ["contract"], "bracket": "last_contact"},
}
ANSWERED = ("causes", "lives", "pairs", "vents", "policy", "stock", "rules")
QUESTIONS = sorted(name for name, query in all_queries().items() if query.folder in ANSWERED)
FACTS = sorted(name for name, query in all_queries().items() if query.folder == "facts")
UNORDERED = ("lives_keyed", "stock_catalogue")


@pytest.fixture(scope="module")
def both(whole: Path, parted: Path) -> Any:
    with open_session(whole) as one, open_partitions(parted) as many:
        yield one, many


def _numbered(frame: pd.DataFrame) -> pd.DataFrame:
    """Lives are numbered within a partition: the number is worth what it holds together."""
    if "life" not in frame:
        return frame
    return frame.assign(life=frame.groupby(["unit_id", "life"]).ngroup())


@pytest.mark.parametrize("name", QUESTIONS)
def test_a_question_adds_up(name: str, both: Any) -> None:
    one, many = both
    wanted = find_query(name).params
    rows = 0
    for change in ({}, OTHERWISE.get(name, {})):
        given = {key: value for key, value in (PARAMETERS | change).items() if key in wanted}
        expected, found = one.run(name, **given), many.run(name, **given)
        rows += len(expected)
        adding = adding_of(find_query(name))
        assert adding is not None
        if name in UNORDERED:
            columns = list(expected)
            expected, found = (
                frame.sort_values(columns, ignore_index=True) for frame in (expected, found)
            )
        pd.testing.assert_frame_equal(_numbered(found), _numbered(expected), check_exact=True)
    assert rows


@pytest.mark.parametrize(
    "name", [n for n, q in sorted(all_queries().items()) if q.folder == "facts"]
)
def test_a_fact_has_the_same_rows(name: str, both: Any) -> None:
    adding = adding_of(find_query(name))
    assert adding is not None
    one, many = both
    expected, found = one.run(name), many.run(name)
    # numbers within a partition are its own; that two units show a place is all that counts
    own = [c for c in expected if c.endswith("_number") and adding.kind == "by unit"]
    shapes = []
    for frame in (expected, found):
        frame = frame.drop(columns=own)
        if name == "fact_shown":
            frame = frame.assign(units=frame["units"].clip(upper=2))
        shapes.append(frame.astype(str).apply("|".join, axis=1).value_counts().sort_index())
    pd.testing.assert_series_equal(*shapes)


def test_what_is_the_companys_reads_nothing_by_unit() -> None:
    shared = {"stg_clock", "stg_parts", "stg_catalogue", "stg_vans", "stg_carried"}
    for name, query in all_queries().items():
        adding = adding_of(query)
        if adding is None or adding.kind != "company":
            continue
        for read in reads(query):
            inner = adding_of(find_query(read)) if read in all_queries() else None
            assert read in shared or (
                inner is not None and inner.kind in ("company", "sums", "distinct")
            ), f"{name} reads {read}"


def test_every_question_of_these_answers_says_how_it_adds_up() -> None:
    for name, query in all_queries().items():
        if query.folder in (*ANSWERED, "facts", "staging"):
            assert adding_of(query) is not None, name


@pytest.mark.parametrize(
    ("question", "options"),
    [
        ("causes", {"by": "fuel"}),
        ("lives", {"part": "belt", "by": "family", "replicates": 40}),
        ("lives", {"part": "thermostat"}),
        ("pairs", {}),
        ("vents", {"part": "coil", "replicates": 40}),
    ],
)
def test_an_answer_is_the_same(
    question: str, options: dict[str, Any], whole: Path, parted: Path, differences: Any
) -> None:
    few = {} if question == "causes" else {"families": ["E2"]}
    with (
        failstats.open_warehouse(whole, **few) as one,
        failstats.open_warehouse(parted, **few) as many,
    ):
        one_answer, many_answer = (getattr(r, question)(**options) for r in (one, many))
    expected, found = one_answer.to_dict(), many_answer.to_dict()
    assert found["settings"].pop("partitions") == {"asked": 4, "of": 4}
    assert differences(expected, found) == []
    assert str(many_answer) == str(one_answer)
    if "replicates" in options:
        assert any(row["replicates"] for row in found["results"])


def test_facts_seen_otherwise_are_so_in_every_partition(both: Any) -> None:
    one, many = both
    facts = ("fact_neglect", "fact_exposure")
    given = {"part": "coil", "followed": ["contract"], "bracket": "stated_end"}
    before = many.run("vents_rows", **given)
    with (
        one.seen_otherwise(facts, neglect_months=[6, 18]),
        many.seen_otherwise(facts, neglect_months=[6, 18]),
    ):
        pd.testing.assert_frame_equal(
            one.run("vents_rows", **given), many.run("vents_rows", **given)
        )
        with many.seen_otherwise(facts, neglect_lag_days=30):
            lagged = many.run("vents_rows", **given)
        assert not lagged.equals(many.run("vents_rows", **given))
    pd.testing.assert_frame_equal(before, many.run("vents_rows", **given))


def test_an_earlier_day_is_seen_by_every_partition(both: Any) -> None:
    """As the back-test of a van list looks at each cycle."""
    one, many = both
    day = dt.date(2024, 6, 30)
    given = {"starts": [day], "days": 28}
    with one.before(day) as earlier, many.before(day) as parted:
        assert parted.as_of == day
        pd.testing.assert_frame_equal(
            parted.run("stock_roster", **given), earlier.run("stock_roster", **given)
        )
    assert len(many.run("stock_months")) == len(one.run("stock_months"))  # still open


def test_units_of_a_building_stay_together(tmp_path: Path, company: Any) -> None:
    units = "unit_id,family,building_id,installed_on,enrolled_on\n" + "\n".join(
        f"u{i},F{i % 2},b{i % 5},2016-01-01,2016-01-01" for i in range(40)
    )
    jobs = "job_id,unit_id,visited_on\n" + "\n".join(f"j{i},u{i},2019-01-01" for i in range(40))
    lines = "job_id,part,finding,action\n" + "\n".join(
        f"j{i},belt,failed,replaced" for i in range(40)
    )
    records = company(units=units, jobs=jobs, lines=lines)
    folder = tmp_path / "parts"
    files = split(records._session.path, folder, parts=7)
    assert sum(files.units(i) for i in range(7)) == 40
    seen: dict[str, int] = {}
    for number in range(7):
        path = folder / files.tables[number]["units"]["file"]
        for (building,) in duckdb.sql(f"select distinct building_id from '{path}'").fetchall():
            assert seen.setdefault(building, number) == number
    given = {"part": "belt", "births": ["known"], "followed": ["contract"], "by": []}
    with open_partitions(folder) as many:
        expected = records.query("lives_units", **given)
        assert expected["clusters_with_two"].tolist() == [5]
        pd.testing.assert_frame_equal(many.run("lives_units", **given), expected)


def test_what_needs_all_units_is_refused(parted: Path) -> None:
    with failstats.open_warehouse(parted) as records:
        with pytest.raises(QueryError, match="needs all units at once"):
            records.quality()
        with pytest.raises(QueryError, match="kept by each partition"):
            records._session.build("fact_lives")
    with pytest.raises(InputError, match="cannot be asked as loaded"):
        failstats.open_warehouse(parted, as_loaded=1)
    with pytest.raises(InputError, match="must name a family of the records"):
        failstats.open_warehouse(parted, families=["Z9"])


def test_nothing_is_written_over(whole: Path, parted: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="must be new or empty"):
        split(whole, parted, parts=2)
    with pytest.raises(InputError, match="--parts must be from 1"):
        split(whole, tmp_path / "none", parts=0)
    with pytest.raises(InputError, match="needs a folder of partitions"):
        failstats.open_warehouse(whole, cluster="local")
    (tmp_path / "partitions.json").write_text("{}")
    with pytest.raises(WarehouseError, match="of format 1"):
        failstats.open_warehouse(tmp_path)


# --- partitions that are not as they were written -------------------------------------------------


@pytest.fixture
def copied(parted: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(parted, tmp_path / "copied"))


def _file(folder: Path, number: int, table: str) -> Path:
    return folder / read_files(folder).tables[number][table]["file"]


def _said(folder: Path) -> dict[str, str]:
    with failstats.open_warehouse(folder) as records:
        answer = records.causes("no_heat")
        text = str(answer)
    said = {warning.code: warning.text for warning in answer.warnings}
    for part in said.values():
        if part.startswith("INCOMPLETE"):
            assert text.startswith("INCOMPLETE")  # before the figures, not in the JSON alone
    return said


def test_a_missing_file_is_named_and_its_partition_left_out(copied: Path, parted: Path) -> None:
    _file(copied, 2, "lines").unlink()
    said = _said(copied)["partitions_missing"]
    units = read_files(copied).units(2)
    assert "1 of 4 partitions" in said
    assert "00002: 00002/lines.parquet is missing" in said
    assert f"{units:,} of" in said
    with failstats.open_warehouse(copied) as some, failstats.open_warehouse(parted) as every:
        fewer, full = some.query("stg_units"), every.query("stg_units")
    assert len(full) - len(fewer) == units


def test_a_query_of_incomplete_partitions_says_so(copied: Path) -> None:
    _file(copied, 2, "lines").unlink()
    run = CliRunner().invoke(cli, ["query", "pairs_together", "-w", str(copied), "-q"])
    assert run.exit_code == 0, run.output
    assert run.output.startswith("INCOMPLETE: 1 of 4 partitions")


def test_numbers_of_a_partition_are_said_to_be_its_own(parted: Path, whole: Path) -> None:
    for where, said in ((parted, True), (whole, False)):
        run = CliRunner().invoke(cli, ["query", "fact_failures", "-w", str(where), "-q", "--json"])
        codes = [warning["code"] for warning in json.loads(run.output)["warnings"]]
        assert ("numbers_of_partitions" in codes) == said


@pytest.mark.parametrize("command", [["verify"], ["report", "--out"]])
def test_what_needs_all_units_at_once_says_so(
    command: list[str], parted: Path, tmp_path: Path
) -> None:
    if "--out" in command:
        command = [*command, str(tmp_path / "page")]
    run = CliRunner().invoke(cli, [*command, "-w", str(parted), "-q"])
    assert isinstance(run.exception, QueryError)
    assert f"{command[0]} needs all units at once" in str(run.exception)
    assert "the warehouse from which they were written" in run.exception.do


def test_a_folder_is_no_warehouse_file(parted: Path, tmp_path: Path) -> None:
    run = CliRunner().invoke(cli, ["partition", str(tmp_path / "again"), "-w", str(parted), "-q"])
    assert isinstance(run.exception, WarehouseError)
    assert "a warehouse file is needed here, but parts is a folder" in str(run.exception)


def test_a_torn_file_is_named(copied: Path) -> None:
    path = _file(copied, 0, "jobs")
    path.write_bytes(path.read_bytes()[:-200])
    assert "00000/jobs.parquet cannot be read" in _said(copied)["partitions_missing"]


def test_broken_pages_are_found_before_any_answer(copied: Path) -> None:
    path = _file(copied, 1, "lines")
    data = bytearray(path.read_bytes())
    data[200:1200] = bytes(1000)
    path.write_bytes(bytes(data))
    said = _said(copied)
    assert "00001/lines.parquet" in said.get("partitions_missing", "") + said.get(
        "rows_left_out", ""
    ) + said.get("partitions_changed", "")


def _rewrite(path: Path, sql: str) -> None:
    new = path.with_suffix(".new")
    duckdb.sql(f"copy ({sql.format(path=path)}) to '{new}' (format parquet)")
    new.replace(path)


def test_rows_without_an_id_are_left_out_and_counted(copied: Path, parted: Path) -> None:
    _rewrite(
        _file(copied, 3, "jobs"),
        "select * replace (case when rn <= 5 then null else visited_on end as visited_on) "
        "from (select *, row_number() over () as rn from '{path}')",
    )
    said = _said(copied)
    assert "5 rows of partitions lack an id" in said["rows_left_out"]
    assert "00003/jobs: 5" in said["rows_left_out"]
    with failstats.open_warehouse(copied) as some, failstats.open_warehouse(parted) as every:
        assert len(every.query("stg_jobs")) - len(some.query("stg_jobs")) == 5


def test_units_of_another_partition_would_count_twice(copied: Path) -> None:
    shutil.copy(_file(copied, 1, "units"), _file(copied, 0, "units"))
    said = _said(copied)
    text = said["partitions_missing"]
    assert "00000" in text
    assert "of other partitions" in text or "rows where" in text


def test_another_column_is_named(copied: Path) -> None:
    _rewrite(_file(copied, 0, "lines"), "select * exclude (finding) from '{path}'")
    text = _said(copied)["partitions_missing"]
    assert "00000/lines.parquet" in text


def test_changed_values_are_said(copied: Path) -> None:
    _rewrite(
        _file(copied, 0, "units"), "select * replace (9.5::double as loads_per_week) from '{path}'"
    )
    assert "00000/units.parquet" in _said(copied)["partitions_changed"]


def test_nothing_readable_is_an_error(copied: Path) -> None:
    for number in range(4):
        _file(copied, number, "units").unlink()
    with pytest.raises(WarehouseError, match="none is"):
        failstats.open_warehouse(copied)


# --- object stores --------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["memory", "local"])
def test_addresses_go_through_fsspec(kind: str, whole: Path, parted: Path, tmp_path: Path) -> None:
    pytest.importorskip("fsspec")
    address = f"memory://{tmp_path.name}" if kind == "memory" else f"file://{tmp_path}/parts"
    split(whole, address, parts=3)
    with failstats.open_warehouse(address) as far, failstats.open_warehouse(parted) as near:
        expected, found = [
            records.causes("no_heat").to_dict()["results"] for records in (near, far)
        ]
        assert found == expected
        assert json.dumps(found)
    assert isinstance(far, Records)


def test_an_unknown_store_is_said() -> None:
    pytest.importorskip("fsspec")
    with pytest.raises(InputError, match="needs fsspec"):
        failstats.open_warehouse("nosuchstore://records")


def test_every_table_of_units_is_partitioned() -> None:
    from failstats.counts.partition_files import COMPANY
    from failstats.warehouse.schema import TABLES

    assert set(TABLES) == {*BY_UNIT, *(name for name in COMPANY if name in TABLES)}


def test_the_commands_say_what_they_wrote(whole: Path, tmp_path: Path) -> None:
    from click.testing import CliRunner

    from failstats.cli import cli

    folder = tmp_path / "written"
    run = CliRunner().invoke
    done = run(cli, ["partition", str(folder), "--parts", "3", "-q", "-w", str(whole)])
    assert done.exit_code == 0, done.output
    files = read_files(folder)
    units = [files.units(number) for number in range(3)]
    assert f"wrote 3 partitions into {folder}: {sum(units):,} units" in done.output
    asked = ["causes", "--complaint", "no_heat", "--json", "-q", "-w"]
    one, many = (json.loads(run(cli, [*asked, str(path)]).stdout) for path in (whole, folder))
    assert many["results"] == one["results"]
    refused = run(cli, ["backup", "copy.duckdb", "-w", "memory://somewhere"])
    assert isinstance(refused.exception, InputError)
