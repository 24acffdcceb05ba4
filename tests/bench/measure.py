"""Times and memory of things done one after another in one run, and the floors beside them.

Every contestant runs in a process of its own: once to warm up, then a few times, of which the
median counts. Peak memory is of that whole process, the interpreter and its libraries included.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import platform
import resource
import shutil
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from importlib import metadata
from pathlib import Path
from statistics import median
from typing import Any

import pandas as pd

__all__ = ["Bench", "Timed", "clocked", "installed", "parser", "rscript"]

HERE = Path(__file__).resolve().parent
#: ru_maxrss counts kilobytes on Linux and bytes on macOS.
RSS_UNIT = 1 if platform.system() == "Darwin" else 1024
LIBRARIES = ("duckdb", "numpy", "scipy", "pandas", "lifelines", "statsmodels", "scikit-survival")


@dataclass(frozen=True, kw_only=True)
class Timed:
    """What one contestant took: seconds by step (medians), peak memory, and what it found."""

    seconds: Mapping[str, float]
    peak_mb: float
    found: Any = None


def clocked(
    steps: Callable[[Callable[[str], None]], Any], *, repeats: int, warm: int = 1
) -> dict[str, Any]:
    """Run ``steps`` repeatedly; it calls its argument with a step's name when that step is done.

    The first ``warm`` runs do not count.

    Returns
    -------
    seconds (median of each step, and of all as "total") and what the last run returned.
    """
    laps: list[dict[str, float]] = []
    found = None
    for run in range(repeats + warm):
        lap: dict[str, float] = {}
        last = began = time.perf_counter()

        def done(name: str, lap: dict[str, float] = lap) -> None:
            nonlocal last
            now = time.perf_counter()
            lap[name] = lap.get(name, 0.0) + now - last
            last = now

        found = steps(done)
        lap["total"] = time.perf_counter() - began
        if run >= warm:
            laps.append(lap)
    return {"seconds": {k: median(lap[k] for lap in laps) for k in laps[0]}, "found": found}


def installed(library: str) -> bool:
    """Whether a peer can be asked at all."""
    try:
        metadata.version(library)
    except metadata.PackageNotFoundError:
        return False
    return True


def rscript() -> str | None:
    """The program that runs R, where it and its survival package are installed."""
    found = shutil.which("Rscript")
    if found is None:
        return None
    asked = [found, "-e", "suppressMessages(library(survival))"]
    answer = subprocess.run(asked, capture_output=True, check=False)
    return found if answer.returncode == 0 else None


def parser(about: str | None) -> argparse.ArgumentParser:
    """Options that every program shares."""
    options = argparse.ArgumentParser(description=about)
    options.add_argument("--sizes", type=float, nargs="+", help="how many rows, e.g. 1e5 1e6 1e7")
    options.add_argument("--small", action="store_true", help="tiny sizes, to see that all runs")
    options.add_argument("--repeats", type=int, default=3)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--no-peers", action="store_true", help="only scan and ours")
    options.add_argument("--folder", type=Path, help="keep the made-up records here")
    options.add_argument("--write", action="store_true", help="write the table beside the program")
    options.add_argument(
        "--guard", action="store_true", help="fail where a ratio is worse than half of its floor"
    )
    options.add_argument("--worker", help=argparse.SUPPRESS)
    options.add_argument("--data", type=Path, help=argparse.SUPPRESS)
    return options


@dataclass
class Bench:
    """One program's run: contestants, their ratios, the floors."""

    name: str
    program: Path
    options: argparse.Namespace
    contestants: Mapping[str, Callable[[Path, int], dict[str, Any]]]
    rows: list[dict[str, Any]] = field(default_factory=list)
    fallen: list[str] = field(default_factory=list)

    def work(self) -> None:
        """Inside the process of one contestant: run it and print what it took."""
        result = self.contestants[self.options.worker](self.options.data, self.options.repeats)
        peak = max(
            resource.getrusage(who).ru_maxrss
            for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
        )
        print(json.dumps({**result, "peak_mb": peak * RSS_UNIT / 2**20}))

    def ask(self, contestant: str, data: Path, *, repeats: int | None = None) -> Timed | None:
        """Run a contestant in a process of its own; None, said aloud, where it fails."""
        command = [sys.executable, str(self.program), "--worker", contestant, "--data", str(data)]
        command += ["--repeats", str(repeats or self.options.repeats)]
        env = dict(os.environ)
        if contestant.startswith("ours"):  # as the command starts: small matrices, one thread each
            env.update(OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1", MKL_NUM_THREADS="1")
        done = subprocess.run(command, capture_output=True, text=True, check=False, env=env)
        if done.returncode:
            last = (done.stderr.strip().splitlines() or ["no message"])[-1]
            print(f"  {contestant}: failed ({last})", file=sys.stderr)
            return None
        return Timed(**json.loads(done.stdout.strip().splitlines()[-1]))

    def note(self, size: int, what: str, value: float, unit: str, *, peak_mb: float = 0.0) -> None:
        """Keep one figure and print it with its floor."""
        floor = self._floor(size, what)
        kept, limit, goal, half = "", "", "", True
        if floor:
            most = "at_most" in floor
            bound = floor["at_most"] if most else floor["at_least"]
            kept = "yes" if (value <= bound if most else value >= bound) else "NO"
            half = bool(value <= 2 * bound if most else value >= bound / 2)
            limit = f"{'at most' if most else 'at least'} {bound:g}"
            goal = f"{floor['goal']:g}" if "goal" in floor else ""
        row = {
            "size": size, "what": what, "value": float(f"{value:.4g}"), "unit": unit,
            "peak_mb": round(peak_mb) if peak_mb else "", "floor": limit, "goal": goal,
            "kept": kept,
        }  # fmt: skip
        self.rows.append(row)
        if not half:
            self.fallen.append(f"{what} at {size:,}: {value:.4g}, floor {limit}")
        said = f"  {size:>11,}  {what:<58} {value:>12,.4g} {unit:<6}"
        said += f" {peak_mb:>7,.0f} MB" if peak_mb else ""
        print(said + (f"   floor {limit}: {kept}" if floor else ""), flush=True)

    def _floor(self, size: int, what: str) -> dict[str, Any] | None:
        listed = tomllib.loads((HERE / "floors.toml").read_text("utf-8")).get(self.name, [])
        return next((f for f in listed if f["size"] == size and f["what"] == what), None)

    def finish(self) -> None:
        """Say which floors were not reached, and write the table when asked."""
        broken = [row for row in self.rows if row["kept"] == "NO"]
        checked = sum(row["kept"] != "" for row in self.rows)
        print(f"{checked - len(broken)} of {checked} floors measured here were kept")
        if self.options.write:
            self._write()
        if self.options.guard:
            if not checked:
                raise SystemExit("no floor belongs to what was measured here")
            if self.fallen:
                raise SystemExit("worse than half of the floor: " + "; ".join(self.fallen))

    def _write(self) -> None:
        table = pd.DataFrame(self.rows)
        table["seed"] = self.options.seed
        table["repeats"] = self.options.repeats
        table["command"] = f"python tests/bench/{self.program.name} " + " ".join(sys.argv[1:])
        table["cores"] = os.cpu_count()
        versions = [f"{name} {metadata.version(name)}" for name in LIBRARIES if installed(name)]
        table["versions"] = "; ".join(versions)
        table["date"] = dt.date.today().isoformat()
        kept = HERE / f"{self.name}.csv"
        if kept.exists():  # sizes that this run did not measure stay, each with its own command
            old = pd.read_csv(kept, dtype=str, keep_default_na=False)
            rest = old[~old["size"].isin(table["size"].astype(str))]
            table = pd.concat([table.astype(str).replace("nan", ""), rest])
            table = table.sort_values("size", key=lambda size: size.astype(int), kind="stable")
        table.to_csv(kept, index=False, lineterminator="\n")
