"""The commands that plan, print and report: stock, policy, report, query."""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from failstats.cli_options import (
    analysis,
    ask_records,
    asked_of,
    costs_file_of,
    costs_option,
    make_folder,
    open_records,
)
from failstats.errors import InputError
from failstats.settings import read_settings
from failstats.show.progress import Progress

if TYPE_CHECKING:
    from failstats.answers.result import Answer
    from failstats.records import Records

__all__ = ["PLANS"]


@click.command()
@click.option("--van", multiple=True, metavar="V", help="Only this van (repeatable).")
@click.option(
    "--cycle",
    type=float,
    metavar="DAYS",
    help="Days between restocks [default: the van's own, else 28].",
)
@click.option(
    "--budget",
    type=float,
    metavar="M",
    help="Most money to spend on one van: the most jobs finished for it.",
)
@click.option("--volume", type=float, metavar="V", help="Most room on one van, litres.")
@click.option(
    "--target",
    type=float,
    metavar="SHARE",
    help="Share of jobs to finish on the first visit, at the least spend.",
)
@click.option("--fix", multiple=True, metavar="ITEM=N", help="Carry exactly so many (repeatable).")
@click.option(
    "--exclude", multiple=True, metavar="ITEM", help="Never carry this item (repeatable)."
)
@click.option(
    "--pair",
    multiple=True,
    metavar="FIRST+SECOND=ACTION",
    help="A pair rule in force from now on: always, keep or test_hot, as in policy (repeatable).",
)
@click.option(
    "--starting",
    metavar="DATE",
    help="First day of the cycle, for its season [default: the day after the records end].",
)
@click.option(
    "--backtest",
    is_flag=True,
    help="Try the plan on past cycles too, beside simple rules at the same spend (minutes).",
)
@click.option(
    "--seconds",
    type=click.FloatRange(min=0),
    default=60.0,
    show_default=True,
    metavar="S",
    help="Time per van to prove how near the best a list is.",
)
@costs_option
@click.option(
    "--print",
    "print_file",
    metavar="FILE",
    help="Write the lists as a printable page, one van a page.",
)
@analysis
def stock(
    van: tuple[str, ...],
    cycle: float | None,
    budget: float | None,
    volume: float | None,
    target: float | None,
    fix: tuple[str, ...],
    exclude: tuple[str, ...],
    pair: tuple[str, ...],
    starting: str | None,
    backtest: bool,
    seconds: float,
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

    _check_place(print_file)

    def ask(records: Records, say: Callable[[str], None]) -> Answer:
        found = records.stock(
            van,
            cycle=cycle,
            budget=budget,
            volume=volume,
            target=target,
            fix=fixed,
            exclude=exclude,
            pair=pair,
            starting=starting,
            backtest=backtest,
            seconds=seconds,
            confidence_level=confidence_level,
            costs=records.costs(costs_file_of(costs_file)),
            progress=say,
        )
        if print_file:
            from failstats.report.printing import van_list_html

            _write(
                print_file,
                van_list_html(
                    found.to_dict()["results"],
                    read_settings().paper,
                    currency=records.currency,
                    as_of=found.as_of,
                ),
            )
        return found

    ask_records(options, "planning the vans", ask)


def _fixed(given: tuple[str, ...]) -> dict[str, int]:
    out = {}
    for entry in given:
        item, sign, number = entry.rpartition("=")
        if not (sign and item and number.isdecimal()):
            raise InputError(
                f"--fix must be written ITEM=N, but is {entry!r}.",
                where="--fix",
                do="write --fix coil-e1=2.",
            )
        out[item] = int(number)
    return out


def _check_place(name: str | None) -> None:
    """Refuse a page that cannot be written before minutes are spent on it."""
    if name is None:
        return
    path = Path(name)
    if path.is_dir():
        raise InputError(
            f"--print must name a file, but {name} is a folder.",
            where="--print",
            do="name a file in it, such as card.html.",
        )
    if not path.parent.is_dir():
        raise InputError(
            f"the folder of {name} must exist, but it does not.",
            where="--print",
            do="make the folder.",
        )


def _write(name: str, content: str) -> None:
    path = Path(name)
    try:
        path.write_text(content, encoding="utf-8", newline="\n")
    except OSError as fault:
        raise InputError(
            f"--print must name a file that can be written, but {name} cannot: {fault.strerror}.",
            where="--print",
            do="name another place.",
        ) from None
    click.echo(f"wrote {path}", err=True)


@click.command()
@costs_option
@click.option(
    "--print", "print_file", metavar="FILE", help="Write the technician's card as a printable page."
)
@click.option(
    "--with-stock",
    is_flag=True,
    help="Stock the vans for the pair rules, and weigh the rules again with what is on the vans.",
)
@analysis
def policy(
    costs_file: str | None,
    print_file: str | None,
    with_stock: bool,
    confidence_level: float,
    **options: Any,
) -> None:
    """Replace-in-pairs, replace-by-age and cleaning rules, in money and in doubt.

    \b
    Example:
      failstats policy --costs costs.toml --print card.html -w company.duckdb
    """

    _check_place(print_file)

    def ask(records: Records, say: Callable[[str], None]) -> Answer:
        found = records.policy(
            costs=records.costs(costs_file_of(costs_file)),
            with_stock=with_stock,
            confidence_level=confidence_level,
            progress=say,
        )
        if print_file:
            from failstats.report.printing import card_html
            from failstats.show.cautions import cautions

            _write(
                print_file,
                card_html(
                    found.to_dict()["results"],
                    cautions(),
                    read_settings().paper,
                    currency=records.currency,
                    as_of=found.as_of,
                ),
            )
        return found

    ask_records(options, "weighing the choices", ask)


@click.command()
@click.option(
    "--out",
    default="failstats-report",
    show_default=True,
    metavar="DIR",
    help="Where report.html and its tables go.",
)
@click.option(
    "--public", is_flag=True, help="Hide cells that rest on few units, and the van lists."
)
@click.option(
    "--min-cell",
    type=click.IntRange(min=3),
    default=10,
    show_default=True,
    metavar="N",
    help="Units a public cell must rest on.",
)
@click.option(
    "--title", default="What the job records say", show_default=True, help="Heading of the page."
)
@costs_option
@analysis
def report(
    out: str,
    public: bool,
    min_cell: int,
    title: str,
    costs_file: str | None,
    confidence_level: float,
    **options: Any,
) -> None:
    """All of it as one self-contained page, its tables as CSV beside it.

    --confidence-level holds for every answer but quality, which counts rows.

    \b
    Example:
      failstats report --out report -w company.duckdb
    """
    as_json = options.pop("as_json")
    for unused in ("csv_folder", "xlsx_file"):
        if options.pop(unused) is not None:
            raise InputError(
                "the report writes its own tables.",
                where="--csv, --xlsx",
                do="leave them out; see --out.",
            )
    make_folder(Path(out), "--out")
    warehouse = asked_of(options["warehouse"])
    progress = Progress(quiet=options.pop("quiet")).first("getting ready")
    from failstats.demo import answer_everything
    from failstats.report.page import write_report

    with ExitStack() as opened:
        with progress.step("opening the records"):
            records = opened.enter_context(open_records(options))
            records.one_file("report")
        answers, left_out = answer_everything(
            records,
            records.costs(costs_file_of(costs_file)),
            progress.step,
            confidence_level=confidence_level,
        )
        for command, fault in left_out.items():
            click.echo(f"left out of the report: {command}. {fault}", err=True)
        with progress.step("writing the report") as step:
            files = write_report(
                answers, Path(out), title=title, currency=records.currency,
                warehouse=warehouse, public=public,
                paper=read_settings().paper, min_cell=min_cell, left_out=left_out,
                progress=step,
            )  # fmt: skip
    if as_json:
        click.echo(
            json.dumps(
                {command: answer.to_dict() for command, answer in answers.items()}, allow_nan=False
            )
        )
    else:
        click.echo(
            f"wrote {files.page} ({files.page_bytes / 1e6:.1f} MB) and {len(files.tables)} tables"
        )


@click.command()
@click.argument("name", required=False)
@click.option(
    "--set",
    "given",
    multiple=True,
    metavar="NAME=VALUE",
    help="A parameter of the query (repeatable); lists as JSON.",
)
@analysis
def query(
    name: str | None, given: tuple[str, ...], confidence_level: float, **options: Any
) -> None:
    """Run a file of queries/ by name; without a name, list them.

    It gives rows as they are: --confidence-level changes nothing here.

    \b
    Examples:
      failstats query
      failstats query causes_sets --set complaint=no_heat -w company.duckdb
    """
    from failstats.show.text import table
    from failstats.warehouse.queries import all_queries

    if name is None:
        rows = [
            {"query": f"{q.folder}/{q.name}", "answers": q.header["answers"]}
            for q in all_queries().values()
        ]
        click.echo(table(rows))
        return
    from failstats.answers.query import ask_query

    ask_records(options, f"running {name}", lambda r, _: ask_query(r, name, _parameters(given)))


def _parameters(given: tuple[str, ...]) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for entry in given:
        key, sign, value = entry.partition("=")
        if not (sign and key):
            raise InputError(
                f"--set must be written NAME=VALUE, but is {entry!r}.",
                where="--set",
                do="write --set complaint=no_heat.",
            )
        try:
            out[key] = json.loads(value)
        except ValueError:
            out[key] = value
    return out


PLANS = (stock, policy, report, query)
