"""What partitions cost, and what two workers give.

    python tests/bench/run_partitions.py --write
    python tests/bench/run_partitions.py --small        tiny, to see that all runs

The same questions of the same made-up records: of the warehouse on one thread, of eight partitions
one after the other in one process, of eight partitions on one Dask worker and on two (one thread
each). Counted questions come first (all facts are built on the way), then what makes a pass by
unit: a clustered interval and recurrence, added up where the rows are; the rows of a hazard model,
which travel; rows with their ids, as a question asked for by name sends them; the counts of 500
replicates. Bytes: sent to the workers; left by the partitions, compressed; received by the asking
process after the workers have added up. Starting the workers is not in the times.
"""

from __future__ import annotations

import json
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import made_records
from measure import Bench, clocked, parser

from failstats.answers.lives_clusters import clustered
from failstats.answers.lives_fits import Selection, risk_table
from failstats.answers.lives_recurrence import mean_counts, recurrences
from failstats.answers.vents_runs import EDITION, run_lengths
from failstats.answers.vents_stretches import part_rows
from failstats.counts.bootstrap import replicate_counts
from failstats.counts.clusters import Cluster, Here, Place
from failstats.counts.partition_files import split
from failstats.counts.partitions import PartitionedSession, open_partitions
from failstats.estimate.life_models import FittedLife, fit
from failstats.warehouse.session import Session, open_session

SIZES = (1_000_000,)
PARTS = 8
GIVEN: dict[str, Any] = {
    "births": ["known"], "followed": ["contract", "call_out"], "bracket": "stated_end",
}  # fmt: skip
STEPS = (
    "counts",
    "clustered interval of one part",
    "recurrence of one part",
    "hazard rows of one part",
    "rows of one part with ids",
    "500 replicates of one part",
)


def questions(session: Session, done: Callable[[str], None]) -> None:
    """What lives, causes and pairs count; the passes by unit; replicates of one part."""
    parts = sorted(session.run("lives_kept")["part"].unique())
    for part in parts:
        session.run("lives_cells", part=part, by=[], clock="days", **GIVEN)
        session.run("lives_joint", part=part, followed=["contract"], bracket="stated_end")
    session.run("causes_episodes", complaint=None, by=[])
    session.run("causes_sets", complaint=None)
    for name in ("lives_moved", "lives_silent", "pairs_together", "pairs_failed"):
        session.run(name)
    session.run("pairs_background")
    done(STEPS[0])
    one, selection = parts[0], Selection()
    found = fit(next(iter(risk_table(session, one, selection).values())), cause="failed")
    if not isinstance(found, FittedLife):
        raise SystemExit("too few failures for a fit: make more lines")
    clustered(session, one, selection, {"": found})
    done(STEPS[1])
    mean_counts(recurrences(session, one), 0.95)
    done(STEPS[2])
    part_rows(
        session, "vents_rows", one, ["contract"], run_lengths(session, EDITION),
        bracket="stated_end",
    )  # fmt: skip
    done(STEPS[3])
    session.run("lives_rows", part=one, **GIVEN)
    done(STEPS[4])
    replicate_counts(session, part=one, **GIVEN)
    done(STEPS[5])


def _folder(data: Path) -> Path:
    return data.with_name(f"{data.stem}_parts")


def whole(data: Path, repeats: int) -> dict[str, Any]:
    """The warehouse itself, on one thread."""

    def steps(done: Callable[[str], None]) -> None:
        with open_session(data) as session:
            session.connection.execute("set threads = 1")
            questions(session, done)

    return clocked(steps, repeats=repeats)


def _moved(session: PartitionedSession, upto: dict[str, int]) -> dict[str, list[int]]:
    """For each step, bytes sent, left by partitions, and received."""
    found, first = {}, upto["looked through"]
    for step in STEPS:
        mine = session.moved[first : upto[step]]
        found[step] = [sum(column) for column in zip(*(one[1:] for one in mine), strict=True)]
        first = upto[step]
    return found


def _parted(data: Path, repeats: int, place: Place) -> dict[str, Any]:
    place.threads = 1
    close, place.close = place.close, lambda: None  # type: ignore[method-assign]

    def steps(done: Callable[[str], None]) -> dict[str, Any]:
        session = open_partitions(_folder(data), place=place)
        upto: dict[str, int] = {}

        def step(name: str) -> None:
            upto[name] = len(session.moved)
            done(name)

        step("looked through")
        with session:
            questions(session, step)
            return _moved(session, upto)

    try:
        return clocked(steps, repeats=repeats)
    finally:
        close()


def here(data: Path, repeats: int) -> dict[str, Any]:
    """One partition after the other in this process."""
    return _parted(data, repeats, Here())


def one_worker(data: Path, repeats: int) -> dict[str, Any]:
    """A cluster of one."""
    return _parted(data, repeats, Cluster("local", workers=1))


def two_workers(data: Path, repeats: int) -> dict[str, Any]:
    """A cluster of two."""
    return _parted(data, repeats, Cluster("local", workers=2))


CONTESTANTS = {"whole": whole, "here": here, "one_worker": one_worker, "two_workers": two_workers}


def one_size(bench: Bench, data: Path, size: int) -> None:
    """Write the partitions, then ask all four."""
    if not data.exists():
        made_records.warehouse(data, lines=size, seed=bench.options.seed)
    if not _folder(data).exists():
        began = time.perf_counter()
        split(data, _folder(data), parts=PARTS)
        bench.note(size, f"writing {PARTS} partitions", time.perf_counter() - began, "s")
    listed = json.loads((_folder(data) / "partitions.json").read_text("utf-8"))
    stored = sum((_folder(data) / f["file"]).stat().st_size for t in listed["tables"]
                 for f in t.values())  # fmt: skip
    bench.note(size, "Parquet of one partition, mean", stored / PARTS / 1000, "kB")
    found = {name: bench.ask(name, data) for name in CONTESTANTS}
    missing = [name for name, timed in found.items() if timed is None]
    if missing:
        raise SystemExit(f"{', '.join(missing)} must run")
    timed = {name: one for name, one in found.items() if one is not None}
    for name, one in timed.items():
        for step in STEPS:
            bench.note(size, f"{name}: {step}", one.seconds[step], "s", peak_mb=one.peak_mb)
    for step in STEPS:
        seconds = {name: one.seconds[step] for name, one in timed.items()}
        bench.note(
            size, f"overhead of a partition: {step}",
            (seconds["here"] - seconds["whole"]) / PARTS * 1000, "ms",
        )  # fmt: skip
        bench.note(
            size,
            f"two workers for one: {step}",
            seconds["one_worker"] / seconds["two_workers"],
            "x",
        )
        sent, left, received = timed["two_workers"].found[step]
        bench.note(size, f"sent to a partition: {step}", sent / PARTS / 1000, "kB")
        bench.note(size, f"left a partition: {step}", left / PARTS / 1000, "kB")
        bench.note(size, f"received in all: {step}", received / 1000, "kB")


def main() -> None:
    """Run all sizes asked for."""
    options = parser(__doc__).parse_args()
    bench = Bench("partitions", Path(__file__).resolve(), options, CONTESTANTS)
    if options.worker:
        bench.work()
        return
    sizes = [20_000] if options.small else [int(s) for s in options.sizes or SIZES]
    with tempfile.TemporaryDirectory() as scratch:
        folder = options.folder or Path(scratch)
        for size in sizes:
            print(f"{size:,} lines")
            one_size(bench, folder / f"partitions_{size}_{options.seed}.duckdb", size)
    bench.finish()


if __name__ == "__main__":
    main()
