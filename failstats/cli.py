"""The commands: parse, call, print. What they compute happens elsewhere."""

from __future__ import annotations

import json
import os
import sys
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from failstats import __version__
from failstats.cli_keeping import KEEPING
from failstats.cli_options import (
    analysis,
    ask_records,
    chosen_warehouse,
    make_folder,
    memory_option,
    warehouse_option,
)
from failstats.cli_plans import PLANS
from failstats.cli_questions import QUESTIONS
from failstats.errors import FailstatsError, InputError
from failstats.settings import read_settings
from failstats.show.progress import Progress
from failstats.show.quantities import shown_units

if TYPE_CHECKING:
    pass

DONE, FAULT, ATTENTION, QUARANTINED = 0, 1, 2, 3


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="failstats")
def cli() -> None:
    """Life statistics from a dryer repair company's own job records.

    Planner: failstats stock. Analyst: failstats vents, lives. Manager: failstats policy, pairs.

    \b
    Try it on an invented company:
      failstats demo
    """


# --- making and filling a warehouse ------------------------------------------------------------


@cli.command()
@click.option(
    "--out",
    default="failstats-demo",
    show_default=True,
    metavar="DIR",
    help="Where demo.duckdb, costs.toml and report.html go.",
)
@warehouse_option
def demo(out: str, warehouse: str | None, quiet: bool) -> None:
    """Build the invented company's warehouse, ask everything, write the report.

    \b
    Example:
      failstats demo --out my-demo
    """
    if warehouse is not None:
        raise InputError(
            "the demo never touches a warehouse of yours, but -w names one.",
            where="-w",
            do="leave it out; the demo writes DIR/demo.duckdb.",
        )
    make_folder(Path(out), "--out")
    progress = Progress(quiet=quiet).first("getting ready")
    from failstats.demo import demo as run

    found = run(Path(out), step=progress.step, paper=read_settings().paper)
    click.echo(found.three_answers())
    click.echo()
    click.echo(f"Report: {found.report.page} ({found.report.page_bytes / 1e6:.1f} MB). Ask on:")
    click.echo(f"  failstats lives -w {found.warehouse} --part coil --by family")
    click.echo(f"  failstats policy -w {found.warehouse} --costs {found.costs}")


@cli.command()
@click.argument("sources", nargs=-1, metavar="SOURCE…")
@click.option(
    "--map",
    "mapping",
    metavar="FILE",
    help="How these files differ from the blank tables (TOML; failstats draft map).",
)
@click.option(
    "--key-file", metavar="FILE", help="Replace ids by a keyed hash; the key is never stored."
)
@click.option("--check", is_flag=True, help="Only say what would happen.")
@click.option("--requeue", metavar="FILE", help="Take corrected rows back in from quarantine.")
@click.option("--json", "as_json", is_flag=True, help="The ledger rows as JSON.")
@memory_option
@warehouse_option
@click.pass_context
def load(
    context: click.Context,
    sources: tuple[str, ...],
    mapping: str | None,
    key_file: str | None,
    check: bool,
    requeue: str | None,
    as_json: bool,
    warehouse: str | None,
    quiet: bool,
) -> None:
    """Take records into the warehouse, all or nothing; bad rows go to quarantine with a reason.

    SOURCE is a folder or files, one or several, named after the tables (units.csv, jobs.csv, …):
    CSV (.csv, .tsv, .txt, also packed as .gz), Parquet (.parquet), JSON lines (.jsonl, .ndjson),
    Excel (.xlsx, a sheet per table) or SQLite (.sqlite, .db). Files that are named or written
    otherwise, and one flat export with a row per part line, load through a mapping (--map), which
    failstats draft map begins.

    A database on a server is postgresql://user@host/database, of which only tables named after ours
    are read (extra package: pip install "failstats[postgres]"; keep the password in PGPASSFILE, not
    in the address).

    Exit status 3 says that all is done, but some rows were quarantined: failstats quality lists
    them, failstats quality --quarantine FOLDER writes them out to be corrected and taken back with
    --requeue, one file at a time.

    \b
    Examples:
      failstats load exports/ -w company.duckdb
      failstats load flat_export.csv --map mapping.toml -w company.duckdb
      failstats load --requeue refused/quarantine_lines.csv -w company.duckdb
    """
    from failstats.intake.load import load as run
    from failstats.vocabulary import load_vocabulary

    if not sources and requeue is None:
        raise InputError(
            "load needs at least one file or folder, but none was named.",
            where="SOURCE",
            do="name the folder with your tables: failstats load exports/",
        )
    progress = Progress(quiet=quiet)
    with progress.step("checking the records" if check else "loading the records") as step:
        found = run(
            chosen_warehouse(warehouse),
            list(sources),
            mapping=Path(mapping) if mapping else None,
            key_file=Path(key_file) if key_file else None,
            check=check,
            requeue=Path(requeue) if requeue else None,
            vocabulary=load_vocabulary(read_settings().vocabulary),
            progress=step,
        )
    if as_json:
        envelope: dict[str, Any] = {
            "failstats": __version__,
            "command": "load",
            "as_of": None,
            "settings": {"check": check},
            "warnings": [],
            "summary": {"quarantined": found.quarantined},
            "results": found.to_dict(),
        }
        click.echo(json.dumps(envelope, allow_nan=False, default=str))
    else:
        click.echo(str(found))
    if found.quarantined:
        context.exit(QUARANTINED)


@cli.command()
@click.option(
    "--limit",
    type=click.IntRange(min=0),
    default=50,
    show_default=True,
    metavar="N",
    help="Refused rows to list.",
)
@click.option(
    "--quarantine",
    metavar="FOLDER",
    help="Write all refused rows into FOLDER, one CSV per table (with --xlsx, spreadsheets), to be "
    "corrected and taken back: failstats load --requeue FILE.",
)
@analysis
def quality(limit: int, quarantine: str | None, confidence_level: float, **options: Any) -> None:
    """What is in the warehouse, what was refused and why, what the records cannot support.

    It counts rows: --confidence-level changes nothing here.

    \b
    Examples:
      failstats quality --limit 20 -w company.duckdb
      failstats quality --quarantine refused -w company.duckdb
    """
    if quarantine is not None:
        _write_refused(quarantine, options)
    ask_records(
        options,
        "looking through the records",
        lambda r, say: r.quality(limit=limit, progress=say),
        may_be_empty=True,
    )


def _write_refused(folder: str, options: dict[str, Any]) -> None:
    """The rows in quarantine as files; what was written goes to standard error."""
    from failstats.intake.requeue import write_quarantine

    make_folder(Path(folder), "--quarantine")
    kind = "csv" if options["xlsx_file"] is None else "xlsx"
    written = write_quarantine(chosen_warehouse(options["warehouse"]), Path(folder), kind=kind)
    for path in written:
        click.echo(f"wrote {path}", err=True)
    if not written:
        click.echo("nothing is in quarantine", err=True)


@cli.command()
@click.argument("batch", type=click.IntRange(min=1))
@warehouse_option
def unload(batch: int, warehouse: str | None, quiet: bool) -> None:
    """Take a wrong batch out again; what it had corrected is as before.

    \b
    Example:
      failstats unload 12 -w company.duckdb
    """
    from failstats.intake.remove import unload as run

    with Progress(quiet=quiet).step(f"taking out batch {batch}") as step:
        found = run(chosen_warehouse(warehouse), batch, progress=step)
    click.echo(str(found))


@cli.command()
@click.argument("unit")
@click.option("--key-file", metavar="FILE", help="The key, where ids were hashed.")
@warehouse_option
def forget(unit: str, key_file: str | None, warehouse: str | None, quiet: bool) -> None:
    """Remove a unit and everything derived from it, for good.

    \b
    Example:
      failstats forget u00042 -w company.duckdb
    """
    from failstats.intake.remove import forget as run

    with Progress(quiet=quiet).step("forgetting the unit") as step:
        found = run(
            chosen_warehouse(warehouse),
            unit,
            key_file=Path(key_file) if key_file else None,
            progress=step,
        )
    click.echo(str(found))


@cli.command()
@click.argument("what", type=click.Choice(["map", "costs", "rules", "tables"]))
@click.argument("sources", nargs=-1, metavar="[SOURCE…]")
@click.option(
    "--out",
    metavar="PATH",
    help="Where to write [default: map.toml, costs.toml, rules.toml, or the folder tables].",
)
@warehouse_option
def draft(
    what: str, sources: tuple[str, ...], out: str | None, warehouse: str | None, quiet: bool
) -> None:
    """Write a commented starting file to correct: a mapping, costs, rules, or blank tables.

    A mapping is drafted from files in any form that load takes, one flat export with units, jobs
    and part lines side by side among them. Its guesses are in force, each with its reason beside
    it; what no value tells is asked for and left open. Read it before you load with it.

    \b
    Examples:
      failstats draft costs
      failstats draft map export.csv --out mapping.toml
    """
    from failstats.drafts import map_summary, write_draft

    for path in write_draft(what, [Path(s) for s in sources], Path(out) if out else None):
        click.echo(f"wrote {path}")
        if what == "map":
            click.echo("\n".join(map_summary(path)))


for question in (*KEEPING, *QUESTIONS, *PLANS):
    cli.add_command(question)


# --- the way out ----------------------------------------------------------------------------------


@contextmanager
def _quiet_pipe() -> Any:
    """A reader that stops early (head) is no fault."""
    try:
        yield
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise SystemExit(FAULT) from None


def _three_parts(fault: FailstatsError) -> str:
    """What, where and do: always all three."""
    where = fault.where or "the command as it was given"
    do = fault.do or "correct it and run the command again."
    return str(type(fault)(fault.what, where=where, do=do))


def _units() -> str:
    """What failstats.toml says; a file that is wrong is named by the command that reads it."""
    try:
        return read_settings().units
    except FailstatsError:
        return "metric"


def main(arguments: list[str] | None = None) -> int:
    """Run a command and return its exit status; a user's mistake never shows a traceback."""
    try:
        with _quiet_pipe(), shown_units(_units()):
            status = cli.main(args=arguments, prog_name="failstats", standalone_mode=False)
        return status if isinstance(status, int) else DONE
    except click.exceptions.Exit as end:
        return end.exit_code
    except click.UsageError as fault:
        command = fault.ctx.command_path if fault.ctx else "failstats"
        click.echo(
            f"{fault.format_message()}\nwhere: {command}\n"
            f"do: {command} --help shows what it takes.",
            err=True,
        )
        return ATTENTION
    except click.Abort:
        click.echo("stopped.", err=True)
        return FAULT
    except FailstatsError as fault:
        click.echo(_three_parts(fault), err=True)
        return ATTENTION
    except OSError as fault:
        click.echo(
            f"a file or folder must be there and usable, but: {fault.strerror or fault}.\n"
            f"where: {fault.filename or 'unknown'}\n"
            "do: correct the path, or make room on the disk.",
            err=True,
        )
        return ATTENTION
    except Exception as fault:
        if os.environ.get("FAILSTATS_TRACE"):
            raise
        said = str(fault).splitlines()[0] if str(fault) else ""
        click.echo(
            f"unexpected fault: {type(fault).__name__}: {said}\n"
            "where: failstats itself, not your records\n"
            "do: run it again with FAILSTATS_TRACE=1 set and report what it prints.",
            err=True,
        )
        return FAULT


def run() -> None:
    """The console script."""
    raise SystemExit(main())


if __name__ == "__main__":
    run()
