"""How much memory DuckDB may take: said on the command line, in the environment, in a file."""

from __future__ import annotations

import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb
import pytest
from click.testing import CliRunner

import failstats
from failstats.cli import cli
from failstats.demo import demo_folder
from failstats.errors import InputError, WarehouseError
from failstats.warehouse.memory import (
    checked_size,
    limit_memory,
    memory_config,
    memory_limit,
    within_memory,
)
from failstats.warehouse.session import open_session

GIVEN: dict[str, Any] = {
    "part": "coil", "births": ["known"], "followed": ["contract", "call_out"], "by": ["family"],
    "bracket": "stated_end", "clock": "days",
}  # fmt: skip


@pytest.fixture(autouse=True)
def no_limit(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.delenv("FAILSTATS_MEMORY", raising=False)
    yield
    limit_memory(None)


@pytest.fixture(scope="module")
def warehouse(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's records, loaded under a limit."""
    path = tmp_path_factory.mktemp("memory") / "demo.duckdb"
    limit_memory("500MB")
    try:
        failstats.load(path, [demo_folder() / "data"], mapping=demo_folder() / "mapping.toml")
    finally:
        limit_memory(None)
    return path


def setting(connection: duckdb.DuckDBPyConnection, name: str) -> str:
    return str(connection.execute(f"select current_setting('{name}')").fetchall()[0][0])


@pytest.mark.parametrize(
    ("written", "read"), [("4GB", "4GB"), ("500 mb", "500MB"), ("1.5GiB", "1.5GiB"), ("64MB",) * 2]
)
def test_sizes_as_people_write_them(written: str, read: str) -> None:
    assert checked_size(written, "--memory") == read
    duckdb.connect(config={"memory_limit": read}).close()  # it reads them so too


@pytest.mark.parametrize("written", ["", "4", "GB", "lots", "63MB", "-4GB", "4 G B", "0GB"])
def test_what_is_no_size_is_refused(written: str) -> None:
    with pytest.raises(InputError, match="--memory must be a size of at least 64MB"):
        limit_memory(written)
    assert memory_limit() is None


def test_a_session_keeps_to_it_and_gives_the_same(warehouse: Path) -> None:
    with open_session(warehouse) as session:
        expected = session.run("lives_cells", **GIVEN)
    limit_memory("256MB")
    with open_session(warehouse) as session:  # two fifths are the database's: 102 million bytes
        assert setting(session.connection, "memory_limit") == "97.6 MiB"
        assert session.run("lives_cells", **GIVEN).equals(expected)


def test_what_does_not_fit_goes_into_a_private_folder(warehouse: Path) -> None:
    limit_memory("64MB")
    with open_session(warehouse) as session:
        connection = session.connection
        folder = Path(setting(connection, "temp_directory"))
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700
        assert folder.parent != warehouse.parent
        # 160 MB of numbers: they cannot all be in memory
        connection.execute(
            "create temp table big as select hash(i) as a, i from range(10_000_000) t(i)"
        )
        spilled = connection.execute("select coalesce(sum(size), 0) from duckdb_temporary_files()")
        assert spilled.fetchall()[0][0] > 0
        assert session.scalar("select count(distinct a) from big where i < 1000") == 1000
    assert not [path for path in warehouse.parent.iterdir() if path.suffix == ".tmp"]


def test_a_load_spills_beside_the_warehouse() -> None:
    assert "temp_directory" not in memory_config(beside=True)
    limit_memory("4GB")
    assert memory_config(beside=True) == {"memory_limit": "1000.000000MB"}
    limit_memory("64MB")  # never less than what a sort needs
    assert memory_config(beside=True) == {"memory_limit": "64.000000MB"}


def test_the_environment_and_the_file_say_it_too(
    warehouse: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def seen(*more: str) -> str | None:
        done = CliRunner().invoke(
            cli, ["causes", "--complaint", "no_heat", "-q", "-w", str(warehouse), *more]
        )
        assert done.exit_code == 0, done.output
        return memory_limit()

    monkeypatch.chdir(tmp_path)
    assert seen() is None
    (tmp_path / "failstats.toml").write_text('memory = "300MB"\n')
    assert seen() == "300MB"
    monkeypatch.setenv("FAILSTATS_MEMORY", "400MB")
    assert seen() == "400MB"
    assert seen("--memory", "500MB") == "500MB"


def test_a_wrong_size_is_a_mistake_of_the_user(warehouse: Path, tmp_path: Path) -> None:
    done = CliRunner().invoke(cli, ["causes", "-w", str(warehouse), "--memory", "plenty"])
    assert isinstance(done.exception, InputError)
    with pytest.raises(InputError, match="memory must be a size of at least"):
        failstats.open_warehouse(warehouse, memory="1KB")


def test_a_table_that_does_not_fit_takes_a_part_of_the_rest(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    limit_memory("400MB")
    connection = duckdb.connect()
    connection.execute("set threads = 1")
    # one list of 80 million bytes cannot be put on disk while it is made
    wide = "create temp table {} as select list(hash(i)) as held from range(10_000_000) as t(i)"
    shares = []
    execute = connection.execute

    class Watched:
        """The connection, with the limits that it is given."""

        def execute(self, statement: str, given: dict[str, str]) -> object:
            assert statement == "set memory_limit = $size"
            shares.append(given["size"])
            return execute(statement, given)

    execute("set memory_limit = '160MB'")
    with pytest.raises(duckdb.OutOfMemoryException):
        execute(wide.format("narrow"))
    monkeypatch.setattr("failstats.warehouse.memory.MOST_SHARE", 2.0)
    watched: Any = Watched()
    within_memory(watched, lambda: execute(wide.format("roomy")))
    execute("set memory_limit = '800MB'")
    assert execute("select len(held) from roomy").fetchall() == [(10_000_000,)]
    assert shares == ["800.000000MB", "160.000000MB"]
    limit_memory(None)
    execute("set memory_limit = '160MB'")
    with pytest.raises(WarehouseError, match="give more memory"):  # nothing was said: no rest
        within_memory(watched, lambda: execute(wide.format("again")))
    assert len(shares) == 2


def test_a_full_disk_is_said() -> None:
    def full() -> None:
        raise duckdb.IOException("Could not write file: No space left on device")

    def torn() -> None:
        raise duckdb.IOException("Could not read file")

    with pytest.raises(WarehouseError, match="name another folder in TMPDIR"):
        within_memory(duckdb.connect(), full)
    with pytest.raises(duckdb.IOException):
        within_memory(duckdb.connect(), torn)
