"""How the cost of a load and of four questions grows with the number of part lines.

    python tests/bench/run_growth.py --sizes 1e5 1e6 --folder WORK --write
    python tests/bench/run_growth.py --sizes 1e8 --folder WORK --write     resumes; needs 45 GB
    python tests/bench/run_growth.py --small                 seconds, to see that all runs
    python tests/bench/run_growth.py --draw                  the chart again from growth.csv

Each step runs the real command line with ``--memory`` (4 GB) in processes of its own: the load of
a roster and of ten years, one folder after the other as a company would, then lives, pairs, vents,
and the life of one part with 500 replicates. What a step took stands in WORK and is not measured again; remove
``measured_SIZE.json`` to measure a size anew.

Peak memory is that of the whole process tree (resident set, interpreter and libraries included),
the largest sum seen or what the system says of the largest process, whichever is more; what is
spilled is looked at ten times a second. Records are made by ``grown_records.py``; they are written,
read and thrown away, never kept here.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import platform
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import asdict, dataclass
from importlib import metadata
from pathlib import Path
from typing import Any

import grown_records
import pandas as pd
from measure import HERE, LIBRARIES, RSS_UNIT, installed

SIZES = (100_000, 1_000_000)
SMALL = 3_000
MEMORY = "4GB"
LIMIT_MB = 4_000.0  # 4 GB, in 10^6 bytes as --memory counts
STEPS = {
    "lives": ("lives",),
    "pairs": ("pairs",),
    "vents": ("vents",),
    "bootstrap": ("lives", "--part", "coil", "--replicates", "500"),
}
TABLE, CHART = HERE / "growth.csv", HERE / "growth.svg"
BEGINS, ENDS = "<!-- growth.csv -->", "<!-- end -->"
EVERY = 0.1  # seconds between two looks at memory and disk


@dataclass(frozen=True, kw_only=True)
class Cost:
    """What one or more processes took, one after the other."""

    seconds: float
    processor_seconds: float
    peak_mb: float
    spilled_mb: float
    fault: str = ""


class Watch:
    """Looks at a process tree and at folders until stopped."""

    def __init__(self, pid: int, folders: list[Path]) -> None:
        self.peak = self.spilled = 0
        self._pid, self._folders = pid, folders
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        self._over.set()
        self._thread.join()

    def _look(self) -> None:
        while not self._over.wait(EVERY):
            self.peak = max(self.peak, _resident(self._pid))
            self.spilled = max(self.spilled, sum(map(_size, self._folders)))


def _resident(pid: int) -> int:
    """Bytes of a process and all below it; 0 where the system does not say."""
    try:
        pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
        below = [
            int(child)
            for task in Path(f"/proc/{pid}/task").iterdir()
            for child in (task / "children").read_text().split()
        ]
    except (OSError, ValueError, IndexError):
        return 0
    return pages * os.sysconf("SC_PAGE_SIZE") + sum(map(_resident, below))


def _size(folder: Path) -> int:
    """Bytes on disk under a folder, or of a file."""
    total = 0
    for root, _, names in os.walk(folder):
        for name in names:
            try:
                total += os.stat(os.path.join(root, name)).st_blocks * 512
            except OSError:
                continue  # gone meanwhile
    return total


def ask(arguments: list[str], *, out: Path, scratch: Path, beside: list[Path]) -> Cost:
    """Run the command line once; what it took. The answer goes to ``out``."""
    scratch.mkdir(exist_ok=True)
    env = dict(os.environ, TMPDIR=str(scratch), PYTHONPATH=str(HERE.parent.parent))
    env.pop("FAILSTATS_MEMORY", None)
    began = time.perf_counter()
    with out.open("wb") as answer, out.with_suffix(".err").open("wb") as said:
        process = subprocess.Popen(
            [sys.executable, "-m", "failstats", *arguments], stdout=answer, stderr=said, env=env
        )
        watch = Watch(process.pid, [scratch, *beside])
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        watch.stop()
    seconds = time.perf_counter() - began
    fault = ""
    if process.returncode:
        last = out.with_suffix(".err").read_text("utf-8", "replace").strip().splitlines()
        fault = f"ended with {process.returncode}: {(last or ['no message'])[-1][:200]}"
    return Cost(
        seconds=seconds,
        processor_seconds=used.ru_utime + used.ru_stime,
        peak_mb=max(watch.peak, used.ru_maxrss * RSS_UNIT) / 1e6,
        spilled_mb=watch.spilled / 1e6,
        fault=fault,
    )


def together(costs: list[Cost]) -> Cost:
    """Times add up; of memory and disk the most counts."""
    return Cost(
        seconds=sum(cost.seconds for cost in costs),
        processor_seconds=sum(cost.processor_seconds for cost in costs),
        peak_mb=max(cost.peak_mb for cost in costs),
        spilled_mb=max(cost.spilled_mb for cost in costs),
        fault=next((cost.fault for cost in costs if cost.fault), ""),
    )


def load(records: Path, warehouse: Path, options: argparse.Namespace, work: Path) -> Cost:
    """The roster, then a year after the other."""
    costs = []
    beside = [warehouse.with_name(warehouse.name + ".next.tmp")]
    for name in ("roster", *map(str, grown_records.YEARS)):
        arguments = ["load", str(records / name), "-w", str(warehouse), "-q"]
        arguments += ["--memory", options.memory]
        costs.append(ask(arguments, out=work / f"load_{name}.txt", scratch=work / "tmp",
                         beside=beside))  # fmt: skip
        print(f"    {name}: {costs[-1].seconds:.1f} s, {costs[-1].peak_mb:,.0f} MB", flush=True)
        if costs[-1].fault:
            break
    return together(costs)


def one_size(size: int, options: argparse.Namespace, folder: Path) -> dict[str, Any]:
    """Every step of one size that has not been measured yet."""
    work = folder / f"size_{size}_{options.seed}"
    work.mkdir(parents=True, exist_ok=True)
    kept = folder / f"measured_{size}_{options.seed}.json"
    known: dict[str, Any] = json.loads(kept.read_text("utf-8")) if kept.exists() else {}

    def keep(step: str, found: dict[str, Any]) -> None:
        known[step] = found
        beside = kept.with_suffix(".part")
        beside.write_text(json.dumps(known, indent=1), "utf-8")
        os.replace(beside, kept)

    records, warehouse = work / "records", work / "company.duckdb"
    if "made" not in known:
        shutil.rmtree(records, ignore_errors=True)
        began = time.perf_counter()
        made = grown_records.write_company(records, lines=size, seed=options.seed)
        keep("made", {**made, "mb": _size(records) / 1e6})
        print(f"  made in {time.perf_counter() - began:.0f} s: {known['made']}", flush=True)
    for step in ("load", *STEPS):
        if options.steps and step not in options.steps:
            continue
        if step in known and not known[step]["fault"]:
            continue
        busy = os.getloadavg()[0]
        print(f"  {step} …", flush=True)
        if step == "load":
            for old in work.glob("company.duckdb*"):
                shutil.rmtree(old) if old.is_dir() else old.unlink()
            cost = load(records, warehouse, options, work)
            if options.tidy and not cost.fault:
                shutil.rmtree(records)
        else:
            if not warehouse.exists():
                raise SystemExit(f"{step} needs the warehouse: run load first")
            arguments = [*STEPS[step], "-w", str(warehouse), "--json", "-q"]
            arguments += ["--memory", options.memory]
            cost = ask(arguments, out=work / f"{step}.json", scratch=work / "tmp", beside=[])
        keep(step, {
            **asdict(cost), "warehouse_mb": warehouse.stat().st_size / 1e6 if warehouse.exists()
            else 0.0, "load_average_before": busy, "date": dt.date.today().isoformat(),
            "memory": options.memory,
        })  # fmt: skip
        print(f"  {step}: {cost.seconds:,.1f} s, {cost.processor_seconds:,.1f} s of processors, "
              f"{cost.peak_mb:,.0f} MB, spilled {cost.spilled_mb:,.0f} MB; load average before "
              f"{busy:.1f} {cost.fault}", flush=True)  # fmt: skip
    return known


def rows_of(size: int, known: dict[str, Any], options: argparse.Namespace) -> list[dict[str, Any]]:
    """What is kept of one size."""
    versions = "; ".join(f"{name} {metadata.version(name)}" for name in LIBRARIES[:4]
                         if installed(name))  # fmt: skip
    rows = []
    for step in ("load", *STEPS):
        if step not in known:
            continue
        found = known[step]
        rows.append({
            "size": size, "lines": known["made"]["lines"], "units": known["made"]["units"],
            "step": step, "seconds": _short(found["seconds"]),
            "processor_seconds": _short(found["processor_seconds"]),
            "peak_mb": round(found["peak_mb"]), "spilled_mb": round(found["spilled_mb"]),
            "warehouse_mb": round(found["warehouse_mb"]),
            "within_4gb": "yes" if found["peak_mb"] < LIMIT_MB and not found["fault"] else "NO",
            "fault": found["fault"], "load_average_before": round(found["load_average_before"], 1),
            "memory": found["memory"], "seed": options.seed,
            "command": f"python tests/bench/run_growth.py --sizes {size:.0e} --write"
            .replace("e+0", "e"),
            "cores": os.cpu_count(), "versions": f"python {platform.python_version()}; {versions}",
            "date": found["date"],
        })  # fmt: skip
    return rows


def page() -> str:
    """The table of README.md: of each step and size seconds (of processors) and peak memory."""
    table = pd.read_csv(TABLE, keep_default_na=False)
    sizes = sorted(set(table["size"]))
    heads = [f"10^{len(str(size)) - 1}" for size in sizes]
    lines = [f"| step | {' | '.join(heads)} |", "|---" * (len(sizes) + 1) + "|"]
    held = {(row.step, row.size_): row for row in table.rename(columns={"size": "size_"})
            .itertuples()}  # fmt: skip
    for step in ("load", *STEPS):
        cells = []
        for size in sizes:
            row = held.get((step, size))
            if row is None:
                cells.append("not measured")
            elif row.fault:
                cells.append("failed")
            else:
                cells.append(
                    f"{row.seconds:,.0f} s ({row.processor_seconds:,.0f}), "
                    f"{row.peak_mb / 1000:.2f} GB"
                )
        lines.append(f"| {step} | {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"


def rendered(text: str) -> str:
    """README.md with the table as growth.csv has it."""
    before, _, rest = text.partition(BEGINS)
    _, ends, after = rest.partition(ENDS)
    assert ends, f"README.md must hold {BEGINS} and {ENDS}"
    return f"{before}{BEGINS}\n\n{page()}\n{ends}{after}"


def _short(value: float) -> float:
    return float(f"{value:.4g}")


def write(rows: list[dict[str, Any]]) -> None:
    """The table beside this program: these sizes anew, others as they were."""
    table = pd.DataFrame(rows)
    if TABLE.exists():
        old = pd.read_csv(TABLE, keep_default_na=False)
        again = set(zip(table["size"], table["step"], strict=True))
        there = [key not in again for key in zip(old["size"], old["step"], strict=True)]
        table = pd.concat([old[there], table], ignore_index=True)
    order = {step: at for at, step in enumerate(("load", *STEPS))}
    table["at"] = table["step"].map(order)
    table = table.sort_values(["size", "at"]).drop(columns="at")
    table.to_csv(TABLE, index=False, lineterminator="\n")
    readme = HERE / "README.md"
    readme.write_text(rendered(readme.read_text("utf-8")), "utf-8")


def draw() -> None:
    """Processor seconds and peak memory against lines, both axes logarithmic, as the package draws.

    Seconds of the processors, because they do not count what others did on the machine.
    """
    import altair as alt
    import vl_convert

    from failstats.show.theme import themed

    table = pd.read_csv(TABLE, keep_default_na=False)
    table = table[table["fault"] == ""]
    table["peak_gb"] = table["peak_mb"].astype(float) / 1000
    base = alt.Chart(table).encode(
        x=alt.X("lines:Q", scale=alt.Scale(type="log"), axis=alt.Axis(format="~s", values=list(
            10**k for k in range(5, 9))), title="part lines"),
        color=alt.Color("step:N", sort=["load", *STEPS], title=None),
    )  # fmt: skip
    panels = []
    for column, title in (
        ("processor_seconds", "processor seconds"),
        ("peak_gb", "peak memory, GB"),
    ):
        y = alt.Y(f"{column}:Q", scale=alt.Scale(type="log"), title=title)
        panel = base.encode(y=y).mark_line(point=True)
        if column == "peak_gb":
            rule = alt.Chart(pd.DataFrame({"limit": [LIMIT_MB / 1000]})).mark_rule(
                style="guide"
            ).encode(y="limit:Q")  # fmt: skip
            panel = alt.layer(panel, rule)
        panels.append(panel.properties(width=330, height=280))
    chart = alt.hconcat(*panels).properties(
        title="How cost grows with the records (--memory 4GB, two cores)",
        description="Processor seconds and peak memory of load, lives, pairs, vents and 500 "
        "replicates against the number of part lines, both axes logarithmic.",
    )
    CHART.write_text(vl_convert.vegalite_to_svg(themed(chart).to_json()), encoding="utf-8")


def main() -> None:
    """Measure what is asked for and not yet measured."""
    plain = argparse.RawDescriptionHelpFormatter
    options = argparse.ArgumentParser(description=__doc__, formatter_class=plain)
    options.add_argument("--sizes", type=float, nargs="+", help="part lines, e.g. 1e5 1e6 1e8")
    options.add_argument("--small", action="store_true", help="tiny, to see that all runs")
    options.add_argument("--steps", nargs="+", choices=("made", "load", *STEPS), help="only these")
    options.add_argument("--memory", default=MEMORY)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--folder", type=Path, help="work here, and resume what lies here")
    options.add_argument("--tidy", action="store_true", help="drop the CSV files once loaded")
    options.add_argument("--write", action="store_true", help="write growth.csv and growth.svg")
    options.add_argument("--draw", action="store_true", help="only draw growth.csv again")
    chosen = options.parse_args()
    if chosen.draw:
        draw()
        return
    sizes = [int(size) for size in chosen.sizes or ((SMALL,) if chosen.small else SIZES)]
    rows: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory() as made:
        for size in sizes:
            print(f"{size:,} lines", flush=True)
            known = one_size(size, chosen, (chosen.folder or Path(made)).resolve())
            rows += rows_of(size, known, chosen)
    if chosen.write:
        write(rows)
        draw()
    faults = [f"{row['step']} at {row['size']:,}: {row['fault']}" for row in rows if row["fault"]]
    if faults:
        raise SystemExit("; ".join(faults))


if __name__ == "__main__":
    main()
