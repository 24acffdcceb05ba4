"""What the grid of months costs the renewal likelihood: the same companies by the day.

    python tests/simulation/selection/run_grid.py --companies 6 --seed 1

One row per company: shape and scale (days) by monthly and by daily cells, how far the first are
off, relative, and that against the standard error.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import renewal_world

from failstats.counts.joint_table import MONTH_DAYS, JointTable
from failstats.counts.risk_table import RiskTable
from failstats.estimate.renewal_births import renewal_births

HERE = Path(__file__).resolve().parent
#: The third kind wears out fast: months are coarse beside its life.
TRUTHS = {
    "contract": renewal_world.RenewalTruth(),
    "call_out": replace(renewal_world.RenewalTruth(), call_out=True),
    "short_lived": replace(renewal_world.RenewalTruth(), life=(3.0, 1.5), oldest=5.0, span=4.0),
}


def company(kind: str, seed: int) -> dict[str, object]:
    """Both fits of one company."""
    lives = renewal_world.simulate(replace(TRUTHS[kind], units=800), seed)
    old, new = lives[~lives["known"]], lives[lives["known"]]
    known = RiskTable.from_lives(0, new["forward"].to_numpy(), new["failed"].to_numpy())
    fits = {}
    for name, step in (("month", MONTH_DAYS), ("day", 1.0)):
        joint = JointTable.from_lives(
            old["entry"], forward=old["forward"], failed=old["failed"], given=old["given"],
            step=step,
        )  # fmt: skip
        fits[name] = renewal_births(joint, known=known)
    row: dict[str, object] = {"kind": kind, "seed": seed}
    error = np.sqrt(np.diag(fits["day"].peak.covariance))
    for j, word in enumerate(("shape", "scale")):
        month, day = (fits[name].parameters[word] for name in ("month", "day"))
        row |= {f"{word}_month": month, f"{word}_day": day, f"{word}_off": month / day - 1}
        row[f"{word}_off_in_errors"] = float(np.log(month / day) / error[j])
    return {k: float(f"{v:.5g}") if isinstance(v, float) else v for k, v in row.items()}


def main() -> None:
    """Run and write the table beside this file."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--companies", type=int, default=6, help="of each kind")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rows = [
        company(kind, options.seed * 100_000 + number)
        for kind in TRUTHS
        for number in range(options.companies)
    ]
    table = pd.DataFrame(rows)
    table["command"] = "python tests/simulation/selection/run_grid.py " + " ".join(sys.argv[1:])
    table["date"] = dt.date.today().isoformat()
    table.to_csv(HERE / "renewal_grid.csv", index=False, lineterminator="\n")
    print(table.drop(columns=["command", "date"]).to_string())


if __name__ == "__main__":
    main()
