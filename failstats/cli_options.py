"""The options that commands share, and how an answer leaves the program."""

from __future__ import annotations

import datetime as dt
import json
import os
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from failstats.errors import InputError
from failstats.settings import read_settings
from failstats.show.progress import Progress
from failstats.warehouse.drawing import MOST_UNITS

if TYPE_CHECKING:
    from failstats.answers.result import Answer
    from failstats.records import Records

__all__ = [
    "analysis",
    "ask_records",
    "asked_of",
    "chosen_warehouse",
    "costs_file_of",
    "costs_option",
    "give",
    "make_folder",
    "memory_option",
    "open_records",
    "replicates_option",
    "warehouse_option",
]

Command = Callable[..., Any]


def chosen_warehouse(given: str | None) -> Path:
    """-w, else FAILSTATS_WAREHOUSE, else failstats.toml, else failstats.duckdb here."""
    if given and "://" in given:
        raise InputError(
            f"this command needs a warehouse file, but -w is the address {given}.",
            where="-w",
            do="name the file; analyses take addresses of partitions too.",
        )
    if given:
        return Path(given)
    if os.environ.get("FAILSTATS_WAREHOUSE"):
        return Path(os.environ["FAILSTATS_WAREHOUSE"])
    return read_settings().warehouse or Path("failstats.duckdb")


def warehouse_option(command: Command) -> Command:
    """-w and -q, on every command."""
    command = click.option(
        "-q", "--quiet", is_flag=True, help="No progress lines on standard error."
    )(command)
    return click.option(
        "-w",
        "--warehouse",
        metavar="PATH",
        help="The warehouse file [default: FAILSTATS_WAREHOUSE, else failstats.duckdb].",
    )(command)


def asked_of(given: str | None) -> Path | str:
    """What an analysis asks: as `chosen_warehouse`, or the address of partitions."""
    return given if given and "://" in given else chosen_warehouse(given)


def _memory(_: click.Context, __: click.Parameter, value: str | None) -> None:
    """The limit holds from here on, for every connection of this command."""
    from failstats.warehouse.memory import limit_memory

    stated = value if value is not None else os.environ.get("FAILSTATS_MEMORY")
    limit_memory(stated or read_settings().memory)


memory_option = click.option(
    "--memory",
    metavar="SIZE",
    expose_value=False,
    callback=_memory,
    help="Memory to keep to, such as 4GB: two fifths are for the database, which puts what does "
    "not fit on disk for the time [default: FAILSTATS_MEMORY, else four fifths of the machine].",
)


def _day(_: click.Context, parameter: click.Parameter, value: str | None) -> dt.date | None:
    if value is None:
        return None
    try:
        return dt.date.fromisoformat(value)
    except ValueError:
        raise InputError(
            f"a date must be written as 2024-06-30, but {parameter.opts[0]} is {value!r}.",
            where=parameter.opts[0],
            do="correct the date.",
        ) from None


def _level(_: click.Context, parameter: click.Parameter, value: float) -> float:
    if not 0.5 <= value < 1:
        raise InputError(
            f"--confidence-level must be at least 0.5 and below 1, but is {value}.",
            where=parameter.opts[0],
            do="write 0.95 for 95 %.",
        )
    return value


def analysis(command: Command) -> Command:
    """The options of every analysis: what to look at, and how the answer is written."""
    options = [
        click.option(
            "--json",
            "as_json",
            is_flag=True,
            help="The answer as JSON, nothing else on standard output.",
        ),
        click.option(
            "--csv", "csv_folder", metavar="FOLDER", help="Write the table as CSV into FOLDER."
        ),
        click.option(
            "--xlsx", "xlsx_file", metavar="FILE", help="Write the table as a spreadsheet."
        ),
        click.option(
            "--as-of",
            metavar="DATE",
            callback=_day,
            help="Event time: only what is dated on or before it [default: the records' end].",
        ),
        click.option(
            "--as-loaded",
            metavar="BATCH",
            type=click.IntRange(min=1),
            help="Only what batches up to this number had loaded.",
        ),
        click.option(
            "--from",
            "since",
            metavar="DATE",
            callback=_day,
            help="Observation starts here at the earliest.",
        ),
        click.option(
            "--family", multiple=True, metavar="F", help="Only this model family (repeatable)."
        ),
        click.option("--fuel", multiple=True, metavar="F", help="Only this fuel (repeatable)."),
        click.option(
            "--contract-only",
            is_flag=True,
            help="Only units from which every job would be recorded.",
        ),
        click.option(
            "--most-units",
            type=click.IntRange(min=0),
            default=MOST_UNITS,
            show_default=True,
            metavar="N",
            help="Go through so many units at most, drawn by a hash, for what cannot be counted; "
            "0 for all.",
        ),
        click.option(
            "--confidence-level",
            type=float,
            default=0.95,
            show_default=True,
            callback=_level,
            help="Of the intervals.",
        ),
    ]
    for option in reversed(options):
        command = option(command)
    command = click.option(
        "--cluster",
        metavar="ADDRESS",
        help="Where -w is a folder of partitions: ask them on the Dask cluster whose scheduler is "
        "at ADDRESS (tcp://host:8786), or on workers of this machine (local).",
    )(memory_option(command))
    return warehouse_option(command)


def open_records(options: dict[str, Any], *, may_be_empty: bool = False) -> Records:
    """Open the warehouse as the shared options say; takes them out of `options`."""
    from failstats.records import open_warehouse

    settings = read_settings()
    return open_warehouse(
        asked_of(options.pop("warehouse")),
        as_of=options.pop("as_of"),
        as_loaded=options.pop("as_loaded"),
        since=options.pop("since"),
        families=options.pop("family"),
        fuels=options.pop("fuel"),
        contract_only=options.pop("contract_only"),
        vocabulary=settings.vocabulary,
        may_be_empty=may_be_empty,
        cluster=options.pop("cluster"),
        most_units=options.pop("most_units"),
    )


def give(answer: Answer, *, as_json: bool, csv_folder: str | None, xlsx_file: str | None) -> None:
    """Print an answer, and write its table where asked."""
    if csv_folder is not None:
        from failstats.report.tables import csv_text

        folder = Path(csv_folder)
        make_folder(folder, "--csv")
        path = folder / f"{answer.command}.csv"
        path.write_text(csv_text(answer.table()), encoding="utf-8", newline="")
        if not as_json:
            click.echo(f"wrote {path}", err=True)
    if xlsx_file is not None:
        _xlsx(answer, Path(xlsx_file))
        if not as_json:
            click.echo(f"wrote {xlsx_file}", err=True)
    if as_json:
        click.echo(json.dumps(answer.to_dict(), allow_nan=False, ensure_ascii=False))
    else:
        click.echo(str(answer))


def make_folder(folder: Path, option: str) -> None:
    """Make a folder for output, before any work is done for it.

    Raises
    ------
    InputError : the name is taken by a file, or the folder cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise InputError(
            f"{option} must name a folder that can be written to, but {folder} cannot "
            f"({fault.strerror}).",
            where=option,
            do="name another folder.",
        ) from None


def _xlsx(answer: Answer, path: Path) -> None:
    import pandas as pd

    if path.suffix.lower() != ".xlsx":
        raise InputError(
            f"--xlsx must name a file ending in .xlsx, but is {path.name}.",
            where="--xlsx",
            do="rename it.",
        )
    if not path.parent.is_dir():
        raise InputError(
            f"the folder of --xlsx must exist, but {path.parent} does not.",
            where="--xlsx",
            do="make the folder.",
        )
    # text stays text: nothing in a cell is run as a formula or turned into a link
    plain = {"options": {"strings_to_formulas": False, "strings_to_urls": False}}
    with pd.ExcelWriter(path, engine="xlsxwriter", engine_kwargs=plain) as writer:
        answer.table().to_excel(writer, sheet_name=answer.command, index=False)


def ask_records(
    options: dict[str, Any],
    label: str,
    ask: Callable[[Records, Callable[[str], None]], Answer],
    *,
    may_be_empty: bool = False,
) -> None:
    """Open, ask under a progress line, print."""
    how = {key: options.pop(key) for key in ("as_json", "csv_folder", "xlsx_file")}
    progress = Progress(quiet=options.pop("quiet"))
    with ExitStack() as opened:
        with progress.step(label) as step:
            step("opening the records")
            records = opened.enter_context(open_records(options, may_be_empty=may_be_empty))
            answer = ask(records, step)
        give(answer, **how)


def costs_file_of(given: str | None) -> Path | None:
    return Path(given) if given else read_settings().costs


costs_option = click.option(
    "--costs", "costs_file", metavar="FILE", help="What things cost (TOML; failstats draft costs)."
)


def replicates_option(gives: str) -> Callable[[Command], Command]:
    """--replicates N, which draws units anew and gives what the text says."""
    return click.option(
        "--replicates",
        type=click.IntRange(min=0),
        default=0,
        show_default=True,
        metavar="N",
        help=f"Draw units (or buildings) anew so often: {gives}; 500 is enough.",
    )
