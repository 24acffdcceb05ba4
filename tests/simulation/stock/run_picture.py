"""Draws what each spend would finish on the demo company's vans.

python tests/simulation/stock/run_picture.py failstats-demo/demo.duckdb
"""

from __future__ import annotations

import sys
from pathlib import Path

import failstats
from failstats.demo import demo_folder

HERE = Path(__file__).resolve().parent


def main() -> None:
    with failstats.open_warehouse(sys.argv[1]) as records:
        costs = records.costs(demo_folder() / "costs.toml")
        records.stock(costs=costs, seconds=0.0).chart().save(HERE / "frontier.svg")


if __name__ == "__main__":
    main()
