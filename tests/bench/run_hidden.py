"""How long the hidden-state model takes on a million units, on the cores there are.

    python tests/bench/run_hidden.py                  10^5 and 10^6 units
    python tests/bench/run_hidden.py --small          tiny, to see that all runs

Units have a pair of which one part fails unseen, and are followed from installation for up to 8
years; a technician comes when the partner fails and tests hot at two visits in five. Ours gets
arrays (stretches between looks) and gives lives, multiplier and intervals clustered by unit.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from measure import Bench, clocked, parser

from failstats.counts.row_pass import HiddenRows
from failstats.estimate.hidden_state import hidden_state_fit

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "simulation" / "selection"))

SIZES = (100_000, 1_000_000)
TRUE_MULTIPLIER = 30.0
COLUMNS = tuple(name for name in HiddenRows.__dataclass_fields__ if name != "cluster")

Lap = Callable[[str], None]


def write(path: Path, *, units: int, seed: int) -> int:
    """Made-up records as arrays; returns how many stretches they hold."""
    from both_world import BothTruth, pair_rows

    rows = pair_rows(BothTruth(multiplier=TRUE_MULTIPLIER), units, seed)
    np.savez(path, **{name: getattr(rows, name) for name in COLUMNS})
    return int(rows.life.size)


def ours(data: Path, repeats: int) -> dict[str, Any]:
    """The arrays checked, the fit, and its covariance by unit."""
    with np.load(data) as held:
        columns = {name: held[name] for name in COLUMNS}

    def steps(done: Lap) -> list[float]:
        rows = HiddenRows(**columns)
        done("checks")
        found = hidden_state_fit(rows)
        done("fit")
        found = found.clustered()
        done("clustered")
        low, high = found.interval("multiplier")
        return [found.multiplier, float(low), float(high)]

    return clocked(steps, repeats=repeats, warm=0)


def main() -> None:
    """Run all sizes asked for."""
    options = parser(__doc__).parse_args()
    bench = Bench("hidden", Path(__file__).resolve(), options, {"ours": ours})
    if options.worker:
        bench.work()
        return
    sizes = [round(s) for s in options.sizes or ((3_000,) if options.small else SIZES)]
    with tempfile.TemporaryDirectory() as made:
        for size in sizes:
            data = (options.folder or Path(made)) / f"hidden_{size}.npz"
            stretches = write(data, units=size, seed=options.seed)
            mine = bench.ask("ours", data, repeats=1)
            if mine is None:
                raise SystemExit("ours must run")
            bench.note(size, "stretches", stretches, "")
            for step in ("checks", "fit", "clustered"):
                bench.note(size, f"ours, {step}", mine.seconds[step], "s")
            bench.note(size, "ours", mine.seconds["total"], "s", peak_mb=mine.peak_mb)
            for name, value in zip(("multiplier", "low", "high"), mine.found, strict=True):
                bench.note(size, f"{name} (true {TRUE_MULTIPLIER:g})", value, "")
    bench.finish()


if __name__ == "__main__":
    main()
