"""One table of all kinds of selection: truth, naive, ours, bracket, and how often we held it.

    python tests/simulation/selection/run_tables.py

Reads the committed coverage tables and writes selection.md beside them; nothing is simulated.
"""

from __future__ import annotations

import math
from pathlib import Path

from coverage_tables import KINDS, pooled

from failstats.estimate.intervals import wilson

HERE = Path(__file__).resolve().parent
HEAD = (
    "| what the records suffer from | quantity | truth | naive | ours | bracket | held by our "
    "interval | by the bracket, or refused | companies |\n|---|---|---|---|---|---|---|---|---|\n"
)


def _number(value: float) -> str:
    return "" if math.isnan(value) else f"{value:.3g}"


def _span(low: float, high: float) -> str:
    """Blank where nothing but our own answer stands in the bracket."""
    return "" if low == high else f"{_number(low)} to {_number(high)}"


def table() -> str:
    """The table as Markdown."""
    lines = []
    for scenario, kind in KINDS.items():
        if not (HERE / f"{scenario}.csv").exists():
            continue
        for quantity, row in pooled(scenario).iterrows():
            low, high = wilson(int(row["held"]), of=int(row["fitted"]))
            cells = [
                kind,
                str(quantity).replace("_", " "),
                *(_number(float(row[name])) for name in ("truth", "naive", "ours")),
                _span(float(row["low"]), float(row["high"])),
                f"{row['held'] / row['fitted']:.1%} ({low:.1%} to {high:.1%})",
                f"{row['bracket']:.1%}",
                f"{int(row['companies']):,}",
            ]
            lines.append("| " + " | ".join(cells) + " |\n")
    return (
        "# Selected records: does the truth come back?\n\n"
        "Written by run_tables.py from the tables beside it. Answers are medians over companies; "
        "the bracket is the span of the two answers a reader would otherwise choose between.\n\n"
        + HEAD
        + "".join(lines)
    )


if __name__ == "__main__":
    text = table()
    (HERE / "selection.md").write_text(text, encoding="utf-8")
    print(text)
