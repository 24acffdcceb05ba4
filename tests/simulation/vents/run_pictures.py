"""Draws the demo's forest of hazard ratios and its dose-response, as the answer itself does.

failstats demo --out failstats-demo
python tests/simulation/vents/run_pictures.py failstats-demo/demo.duckdb
"""

from __future__ import annotations

import sys
from pathlib import Path

import failstats
from failstats.show import charts

HERE = Path(__file__).resolve().parent
AGAINST = "a vent cleaned within 12 months"


def main(warehouse: str) -> None:
    with failstats.open_warehouse(warehouse) as records:
        answer = records.vents()
    forest = charts.forest(answer.forest_table(), title=f"Failure rate against {AGAINST}")
    forest.save(HERE / "forest.svg")
    dose = answer.dose_table()
    dose = dose[dose["series"].isin(["coil", "door switch"])]
    title = "Failure rate by time since the last cleaning"
    charts.dose_response(dose, title=title, against="six months after one").save(
        HERE / "dose_response.svg"
    )


if __name__ == "__main__":
    main(sys.argv[1])
