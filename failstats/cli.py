"""The commands: parse, call, print. What they compute happens elsewhere."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from failstats import __version__
from failstats.cli_options import (
    analysis,
    chosen_warehouse,
    give,
    open_records,
    warehouse_option,
)
from failstats.errors import FailstatsError, InputError
from failstats.settings import read_settings
from failstats.show.progress import Progress

if TYPE_CHECKING:
    from failstats.answers.result import Answer
    from failstats.records import Records

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


def _ask(
    options: dict[str, Any], label: str, ask: Callable[[Records, Callable[[str], None]], Answer]
) -> None:
    """Open, ask under a progress line, print."""
    how = {key: options.pop(key) for key in ("as_json", "csv_folder", "xlsx_file")}
    progress = Progress(quiet=options.pop("quiet"))
    with open_records(options) as records:
        with progress.step(label):
            answer = ask(records, lambda _: None)
        give(answer, **how)


def _costs_file(given: str | None) -> Path | None:
    return Path(given) if given else read_settings().costs


costs_option = click.option("--costs", "costs_file", metavar="FILE", help="What things cost (TOML; failstats draft costs).")


# --- making and filling a warehouse ------------------------------------------------------------


@cli.command()
@click.option("--out", default="failstats-demo", show_default=True, metavar="DIR", help="Where demo.duckdb and report.html go.")
@warehouse_option
def demo(out: str, warehouse: str | None, quiet: bool) -> None:
    """Build the invented company's warehouse, ask everything, write the report.

    \b
    Example:
      failstats demo --out /tmp/failstats-demo
    """
    from failstats.demo import demo as run

    if warehouse is not None:
        raise InputError(
            "the demo never touches a warehouse of yours, but -w names one.",
            where="-w",
            do="leave it out; the demo writes DIR/demo.duckdb.",
        )
    found = run(Path(out), step=Progress(quiet=quiet).step, paper=read_settings().paper)
    click.echo(found.three_answers())
    click.echo()
    click.echo(f"Report: {found.report.page} ({found.report.page_bytes / 1e6:.1f} MB). Ask on:")
    click.echo(f"  failstats lives -w {found.warehouse} --part coil --by family")


@cli.command()
@click.argument("sources", nargs=-1, metavar="SOURCE…")
@click.option("--map", "mapping", metavar="FILE", help="How these files differ from the contract (TOML; failstats draft map).")
@click.option("--key-file", metavar="FILE", help="Replace ids by a keyed hash; the key is never stored.")
@click.option("--check", is_flag=True, help="Only say what would happen.")
@click.option("--requeue", metavar="FILE", help="Take corrected rows back in from quarantine.")
@click.option("--json", "as_json", is_flag=True, help="The ledger rows as JSON.")
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

    SOURCE is a folder with files named after the tables, or such files. Exit status 3 says that
    all is done, but some rows were quarantined: failstats quality lists them.

    \b
    Example:
      failstats load exports/ --map mapping.toml -w company.duckdb
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
    with progress.step("checking the records" if check else "loading the records"):
        found = run(
            chosen_warehouse(warehouse),
            [Path(source) for source in sources],
            mapping=Path(mapping) if mapping else None,
            key_file=Path(key_file) if key_file else None,
            check=check,
            requeue=Path(requeue) if requeue else None,
            vocabulary=load_vocabulary(read_settings().vocabulary),
        )
    if as_json:
        envelope = {"failstats": __version__, "command": "load", "as_of": None, "settings": {"check": check}, "warnings": [], "summary": {"quarantined": found.quarantined}, "results": found.to_dict()}
        click.echo(json.dumps(envelope, allow_nan=False, default=str))
    else:
        click.echo(str(found))
    if found.quarantined:
        context.exit(QUARANTINED)


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

    with Progress(quiet=quiet).step(f"taking out batch {batch}"):
        found = run(chosen_warehouse(warehouse), batch)
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

    with Progress(quiet=quiet).step("forgetting the unit"):
        found = run(chosen_warehouse(warehouse), unit, key_file=Path(key_file) if key_file else None)
    click.echo(str(found))


@cli.command()
@click.argument("file")
@warehouse_option
def backup(file: str, warehouse: str | None, quiet: bool) -> None:
    """Write a consistent copy of the warehouse.

    \b
    Example:
      failstats backup copies/2025-12-31.duckdb -w company.duckdb
    """
    from failstats.warehouse.backup import backup as run

    with Progress(quiet=quiet).step("copying the warehouse"):
        click.echo(f"copied to {run(chosen_warehouse(warehouse), Path(file))}")


@cli.command()
@click.argument("file")
@warehouse_option
def restore(file: str, warehouse: str | None, quiet: bool) -> None:
    """Put a backup in the warehouse's place.

    \b
    Example:
      failstats restore copies/2025-12-31.duckdb -w company.duckdb
    """
    from failstats.warehouse.backup import restore as run

    with Progress(quiet=quiet).step("restoring the copy"):
        click.echo(f"restored {run(chosen_warehouse(warehouse), Path(file))}")


# --- questions ------------------------------------------------------------------------------------


@cli.command()
@click.option("--limit", type=click.IntRange(min=0), default=50, show_default=True, metavar="N", help="Refused rows to list.")
@analysis
def quality(limit: int, confidence_level: float, **options: Any) -> None:
    """What is in the warehouse, what was refused and why, what the records cannot support.

    \b
    Example:
      failstats quality --limit 20 -w company.duckdb
    """
    _ask(options, "looking through the records", lambda r, _: r.quality(limit=limit))


@cli.command()
@click.option("--complaint", metavar="C", help="Only this complaint, such as no_heat.")
@click.option("--by", multiple=True, metavar="COL", help="Tell call-outs apart by: family, fuel, van_id, unit_age (repeatable).")
@analysis
def causes(complaint: str | None, by: tuple[str, ...], confidence_level: float, **options: Any) -> None:
    """Share of each failed part and mode behind a complaint.

    \b
    Example:
      failstats causes --complaint no_heat --by fuel -w company.duckdb
    """
    _ask(options, "counting causes", lambda r, _: r.causes(complaint, by=by, confidence_level=confidence_level))


@cli.command()
@click.option("--part", multiple=True, metavar="P", help="Only this part (repeatable).")
@click.option("--by", multiple=True, metavar="COL", help="Tell lives apart by a column, such as family (repeatable).")
@click.option("--model", default="weibull", show_default=True, metavar="NAME", help="Family of life laws.")
@click.option("--births", default="known", show_default=True, metavar="HOW", help="known, or assumed: parts found in units that joined later are as old as the unit.")
@analysis
def lives(part: tuple[str, ...], by: tuple[str, ...], model: str, births: str, confidence_level: float, **options: Any) -> None:
    """Life curves and fitted lives.

    \b
    Example:
      failstats lives --part coil --by family -w company.duckdb
    """
    _ask(
        options,
        "fitting lives",
        lambda r, say: r.lives(part, by=by, model=model, births=births, confidence_level=confidence_level, progress=say),
    )


@cli.command()
@click.option("--window", multiple=True, type=int, metavar="DAYS", help="Days after the repair to look at (repeatable) [default: 30, 90, 365].")
@analysis
def pairs(window: tuple[int, ...], confidence_level: float, **options: Any) -> None:
    """Which parts fail and are replaced together, and what follows a single replacement.

    \b
    Example:
      failstats pairs --window 90 --window 365 -w company.duckdb
    """
    _ask(options, "counting pairs", lambda r, say: r.pairs(window=window, confidence_level=confidence_level, progress=say))


@cli.command()
@click.option("--part", multiple=True, metavar="P", help="Only this part (repeatable).")
@click.option("--control", multiple=True, metavar="P", help="A part that the vent cannot reach (repeatable) [default: door_switch].")
@analysis
def vents(part: tuple[str, ...], control: tuple[str, ...], confidence_level: float, **options: Any) -> None:
    """Does vent neglect shorten part life, and can we believe it?

    \b
    Example:
      failstats vents --part coil --control door_switch -w company.duckdb
    """
    _ask(options, "fitting hazard ratios", lambda r, say: r.vents(part, control=control, confidence_level=confidence_level, progress=say))


@cli.command()
@click.option("--van", multiple=True, metavar="V", help="Only this van (repeatable).")
@click.option("--cycle", type=float, metavar="DAYS", help="Days between restocks [default: the van's own, else 28].")
@click.option("--budget", type=float, metavar="M", help="Most money to spend on one van: the most jobs finished for it.")
@click.option("--volume", type=float, metavar="V", help="Most room on one van, litres.")
@click.option("--target", type=float, metavar="SHARE", help="Share of jobs to finish on the first visit, at the least spend.")
@click.option("--fix", multiple=True, metavar="ITEM=N", help="Carry exactly so many (repeatable).")
@click.option("--exclude", multiple=True, metavar="ITEM", help="Never carry this item (repeatable).")
@costs_option
@click.option("--print", "print_file", metavar="FILE", help="Write the lists as a printable page, one van a page.")
@analysis
def stock(
    van: tuple[str, ...],
    cycle: float | None,
    budget: float | None,
    volume: float | None,
    target: float | None,
    fix: tuple[str, ...],
    exclude: tuple[str, ...],
    costs_file: str | None,
    print_file: str | None,
    confidence_level: float,
    **options: Any,
) -> None:
    """What each van should carry, with a reason for every line.

    Budget: most jobs finished for it. Target: least spend. Both: least spend within the budget.
    Neither: least cost.

    \b
    Example:
      failstats stock --van harbour --budget 600 --costs costs.toml -w company.duckdb
    """
    fixed = _fixed(fix)

    def ask(records: Records, say: Callable[[str], None]) -> Answer:
        found = records.stock(
            van,
            cycle=cycle,
            budget=budget,
            volume=volume,
            target=target,
            fix=fixed,
            exclude=exclude,
            costs=records.costs(_costs_file(costs_file)),
            progress=say,
        )
        if print_file:
            from failstats.report.printing import van_list_html

            _write(print_file, van_list_html(found.to_dict()["results"], read_settings().paper, currency=records.currency, as_of=found.as_of))
        return found

    _ask(options, "planning the vans", ask)


def _fixed(given: tuple[str, ...]) -> dict[str, int]:
    out = {}
    for entry in given:
        item, sign, number = entry.rpartition("=")
        if not (sign and item and number.isdecimal()):
            raise InputError(
                f"--fix must be written ITEM=N, but is {entry!r}.", where="--fix", do="write --fix coil-e1=2."
            )
        out[item] = int(number)
    return out


def _write(name: str, content: str) -> None:
    path = Path(name)
    if not path.parent.is_dir():
        raise InputError(f"the folder of {name} must exist, but it does not.", where="--print", do="make the folder.")
    path.write_text(content, encoding="utf-8", newline="\n")
    click.echo(f"wrote {path}", err=True)


@cli.command()
@costs_option
@click.option("--print", "print_file", metavar="FILE", help="Write the technician's card as a printable page.")
@analysis
def policy(costs_file: str | None, print_file: str | None, confidence_level: float, **options: Any) -> None:
    """Replace-in-pairs, replace-by-age and cleaning rules, in money and in doubt.

    \b
    Example:
      failstats policy --costs costs.toml --print card.html -w company.duckdb
    """

    def ask(records: Records, say: Callable[[str], None]) -> Answer:
        found = records.policy(costs=records.costs(_costs_file(costs_file)), confidence_level=confidence_level, progress=say)
        if print_file:
            from failstats.report.printing import card_html
            from failstats.show.cautions import cautions

            _write(print_file, card_html(found.to_dict()["results"], cautions(), read_settings().paper, currency=records.currency, as_of=found.as_of))
        return found

    _ask(options, "weighing the choices", ask)


@cli.command()
@click.option("--file", "rules_file", metavar="FILE", help="Your own rules (TOML; failstats draft rules) [default: the shipped ones].")
@analysis
def rules(rules_file: str | None, confidence_level: float, **options: Any) -> None:
    """Grade rules of thumb against the records: supported, contradicted, cannot tell.

    \b
    Example:
      failstats rules --file our-rules.toml -w company.duckdb
    """
    _ask(options, "grading the rules", lambda r, say: r.rules(Path(rules_file) if rules_file else None, progress=say))


@cli.command()
@analysis
def verify(confidence_level: float, **options: Any) -> None:
    """Recompute the headline figures with independent libraries from the raw rows.

    \b
    Example:
      failstats verify -w company.duckdb
    """
    _ask(options, "recomputing", lambda r, say: r.verify(progress=say))


@cli.command()
@click.option("--out", default="failstats-report", show_default=True, metavar="DIR", help="Where report.html and its tables go.")
@click.option("--public", is_flag=True, help="Hide cells that rest on few units, and the van lists.")
@click.option("--min-cell", type=click.IntRange(min=3), default=10, show_default=True, metavar="N", help="Units a public cell must rest on.")
@click.option("--title", default="What the job records say", show_default=True, help="Heading of the page.")
@costs_option
@analysis
def report(out: str, public: bool, min_cell: int, title: str, costs_file: str | None, confidence_level: float, **options: Any) -> None:
    """All of it as one self-contained page, its tables as CSV beside it.

    \b
    Example:
      failstats report --out report -w company.duckdb
    """
    from failstats.demo import answer_everything
    from failstats.report.page import write_report

    as_json = options.pop("as_json")
    for unused in ("csv_folder", "xlsx_file"):
        if options.pop(unused) is not None:
            raise InputError("the report writes its own tables.", where="--csv, --xlsx", do="leave them out; see --out.")
    progress = Progress(quiet=options.pop("quiet"))
    with open_records(options) as records:
        answers = answer_everything(records, records.costs(_costs_file(costs_file)), progress.step)
        with progress.step("writing the report"):
            files = write_report(
                answers, Path(out), title=title, currency=records.currency, public=public,
                paper=read_settings().paper, min_cell=min_cell,
            )  # fmt: skip
    if as_json:
        click.echo(json.dumps({command: answer.to_dict() for command, answer in answers.items()}, allow_nan=False))
    else:
        click.echo(f"wrote {files.page} ({files.page_bytes / 1e6:.1f} MB) and {len(files.tables)} tables")


@cli.command()
@click.argument("name", required=False)
@click.option("--set", "given", multiple=True, metavar="NAME=VALUE", help="A parameter of the query (repeatable); lists as JSON.")
@analysis
def query(name: str | None, given: tuple[str, ...], confidence_level: float, **options: Any) -> None:
    """Run a file of queries/ by name; without a name, list them.

    \b
    Examples:
      failstats query
      failstats query causes_sets --set complaint=no_heat -w company.duckdb
    """
    from failstats.show.text import table
    from failstats.warehouse.queries import all_queries

    if name is None:
        rows = [{"query": f"{q.folder}/{q.name}", "answers": q.header["answers"]} for q in all_queries().values()]
        click.echo(table(rows))
        return
    from failstats.answers.query import ask_query

    _ask(options, f"running {name}", lambda r, _: ask_query(r, name, _parameters(given)))


def _parameters(given: tuple[str, ...]) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for entry in given:
        key, sign, value = entry.partition("=")
        if not (sign and key):
            raise InputError(
                f"--set must be written NAME=VALUE, but is {entry!r}.", where="--set", do="write --set complaint=no_heat."
            )
        try:
            out[key] = json.loads(value)
        except ValueError:
            out[key] = value
    return out


@cli.command()
@click.argument("what", type=click.Choice(["map", "costs", "rules", "tables"]))
@click.argument("sources", nargs=-1, metavar="[SOURCE…]")
@click.option("--out", metavar="PATH", help="Where to write [default: map.toml, costs.toml, rules.toml, or the folder tables].")
@warehouse_option
def draft(what: str, sources: tuple[str, ...], out: str | None, warehouse: str | None, quiet: bool) -> None:
    """Write a commented starting file to correct: a mapping, costs, rules, or blank tables.

    \b
    Examples:
      failstats draft costs
      failstats draft map export.csv --out mapping.toml
    """
    from failstats.drafts import write_draft

    for path in write_draft(what, [Path(s) for s in sources], Path(out) if out else None):
        click.echo(f"wrote {path}")


# --- the way out ----------------------------------------------------------------------------------


@contextmanager
def _quiet_pipe() -> Any:
    """A reader that stops early (head) is no fault."""
    try:
        yield
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise SystemExit(FAULT) from None


def main(arguments: list[str] | None = None) -> int:
    """Run a command and return its exit status; a user's mistake never shows a traceback."""
    try:
        with _quiet_pipe():
            status = cli.main(args=arguments, prog_name="failstats", standalone_mode=False)
        return status if isinstance(status, int) else DONE
    except click.exceptions.Exit as end:
        return end.exit_code
    except click.UsageError as fault:
        command = fault.ctx.command_path if fault.ctx else "failstats"
        click.echo(f"{fault.format_message()}\nwhere: {command}\ndo: {command} --help shows what it takes.", err=True)
        return ATTENTION
    except click.Abort:
        click.echo("stopped.", err=True)
        return FAULT
    except FailstatsError as fault:
        click.echo(str(fault), err=True)
        return ATTENTION
    except Exception as fault:
        if os.environ.get("FAILSTATS_TRACE"):
            raise
        click.echo(
            f"unexpected fault: {type(fault).__name__}: {str(fault).splitlines()[0] if str(fault) else ''}\n"
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
