"""The commands that keep the warehouse: copies, partitions, an older format brought up to date."""

from __future__ import annotations

from pathlib import Path

import click

from failstats.cli_options import chosen_warehouse, memory_option, warehouse_option
from failstats.show.progress import Progress

__all__ = ["KEEPING"]


@click.command()
@click.argument("file")
@warehouse_option
def backup(file: str, warehouse: str | None, quiet: bool) -> None:
    """Write a consistent copy of the warehouse.

    \b
    Example:
      failstats backup copies/2025-12-31.duckdb -w company.duckdb
    """
    from failstats.warehouse.backup import backup as run

    with Progress(quiet=quiet).step("copying the warehouse") as step:
        copy = run(chosen_warehouse(warehouse), Path(file), progress=step)
    click.echo(f"copied to {copy}")


@click.command()
@click.argument("file")
@warehouse_option
def restore(file: str, warehouse: str | None, quiet: bool) -> None:
    """Put a backup in the warehouse's place.

    \b
    Example:
      failstats restore copies/2025-12-31.duckdb -w company.duckdb
    """
    from failstats.warehouse.backup import restore as run

    with Progress(quiet=quiet).step("restoring the copy") as step:
        back = run(chosen_warehouse(warehouse), Path(file), progress=step)
    click.echo(f"restored {back}")


@click.command()
@click.argument("folder")
@click.option(
    "--parts",
    type=int,
    default=8,
    show_default=True,
    metavar="N",
    help="How many partitions; about four for each worker.",
)
@memory_option
@warehouse_option
def partition(folder: str, parts: int, warehouse: str | None, quiet: bool) -> None:
    """Write the warehouse as partitions of units, to be asked on many machines.

    FOLDER is new or empty: a path, or an address that fsspec knows (s3://…; extra package:
    pip install "failstats[cluster]"). Then causes, lives, pairs, vents, stock, policy and rules
    answer from it as from the warehouse, with -w FOLDER, and on a cluster with --cluster. Units of
    one building stay together.

    The folder is a copy of the records. Write it again after load, unload and forget.

    \b
    Examples:
      failstats partition partitions --parts 16 -w company.duckdb
      failstats lives --part coil -w partitions --cluster local
    """
    from failstats.counts.partition_files import split

    with Progress(quiet=quiet).step("writing the partitions") as step:
        files = split(chosen_warehouse(warehouse), folder, parts=parts, progress=step)
    units = [files.units(number) for number in range(files.parts)]
    click.echo(
        f"wrote {files.parts} partitions into {folder}: {sum(units):,} units, "
        f"{min(units):,} to {max(units):,} in each."
    )


@click.command()
@warehouse_option
def migrate(warehouse: str | None, quiet: bool) -> None:
    """Bring a warehouse that an earlier failstats wrote up to this one's format, all or nothing.

    \b
    Example:
      failstats migrate -w company.duckdb
    """
    from failstats.warehouse.migrations import migrate as run

    path = chosen_warehouse(warehouse)
    with Progress(quiet=quiet).step("bringing the warehouse up to date") as step:
        passed = run(path, progress=step)
    if len(passed) == 1:
        click.echo(f"{path} is of format {passed[0]} already; nothing was changed.")
    else:
        click.echo(f"{path} is of format {passed[-1]} now; it was of format {passed[0]}.")


KEEPING = (backup, restore, partition, migrate)
