"""The tables of this folder's README, taken from the CSV files that the programs wrote.

    python tests/bench/tables.py            says whether they agree
    python tests/bench/tables.py --write    takes the figures over

A table belongs to a file when its first heading names it (`curves.csv`); its other headings name
sizes (10^7 lives), and each line begins with what was measured, in the file's own words.
"""

from __future__ import annotations

import csv
import re
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
HEADING = re.compile(r"^\|\s*`(\w+\.csv)`\s*\|")
SIZE = re.compile(r"10\^(\d+)")
UNITS = {"x": " ×", "": ""}


def figures(name: str) -> dict[tuple[int, str], tuple[float, str]]:
    """What each file holds: (size, what) to (value, unit)."""
    with (HERE / name).open(encoding="utf-8", newline="") as lines:
        return {
            (int(float(row["size"])), row["what"]): (float(row["value"]), row["unit"])
            for row in csv.DictReader(lines)
        }


def shown(value: float, unit: str) -> str:
    """Three figures and the unit."""
    number = f"{value:.3g}" if abs(value) < 1000 else f"{value:,.0f}"
    if "e" in number and abs(value) >= 1e-4:
        number = f"{value:.5f}"
    return number + UNITS.get(unit, f" {unit}")


def _cells(line: str) -> list[str]:
    return [cell.strip() for cell in line.strip().strip("|").split("|")]


def rendered(text: str) -> str:
    """The page with every figure as the files have it.

    Raises
    ------
    KeyError : a line names what no file holds at any size of its table.
    """
    out, held, sizes, name = [], None, [], ""
    for line in text.splitlines():
        heading = HEADING.match(line)
        if heading:
            name = heading[1]
            held = figures(name)
            found = [SIZE.search(cell) for cell in _cells(line)[1:]]
            sizes = [10 ** int(match[1]) for match in found if match]
        elif held is not None and not line.startswith("|"):
            held = None
        elif held is not None and not line.startswith("|--"):
            what = _cells(line)[0]
            row = [held.get((size, what)) for size in sizes]
            if not any(row):
                raise KeyError(f"{name} holds no '{what}' at {sizes}")
            line = f"| {what} | " + " | ".join(shown(*one) if one else "" for one in row) + " |"
        out.append(line)
    return "\n".join(out) + "\n"


def main() -> int:
    """Compare, or write."""
    page = HERE / "README.md"
    text = page.read_text("utf-8")
    fresh = rendered(text)
    if "--write" in sys.argv[1:]:
        page.write_text(fresh, "utf-8")
    elif fresh != text:
        print("the tables do not agree with the files; run with --write")
        return 1
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
