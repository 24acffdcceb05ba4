"""Writes ``messy_export.csv``: part of the demo company's records as an office program might
spill them. One row per part line, the company's own words, day first, decimal commas, mistakes.

    python notebooks/messy_export.py
"""

from __future__ import annotations

import csv
import random
from pathlib import Path

HERE = Path(__file__).resolve().parent
RECORDS = HERE.parent / "demo_warehouse" / "data"
VANS = {"harbour": "Van 1"}
ENERGY = {"electric": "Elec", "gas": "Gas"}
PART = {
    "coil": "heating coil", "cutout": "hi limit", "thermostat": "cycling thermostat",
    "fuse": "thermal fuse", "door_switch": "door switch", "belt": "belt", "igniter": "igniter",
}  # fmt: skip
FINDING = {"failed": "bad", "worn": "worn", "working": "good", "untested": "not checked"}
TEST = {"cold_continuity": "meter, cold", "hot_cycle": "hot run", "visual": "by eye", "none": ""}
ACTION = {"replaced": "changed", "kept": "left", "reset": "reset", "cleaned": "cleaned"}
COMPLAINT = {
    "no_heat": "no heat", "slow_dry": "slow to dry", "dead": "dead", "noisy": "noise",
    "overheats": "too hot",
}  # fmt: skip
HEADER = (
    "Appliance No", "Group", "Energy", "Put in", "Contract from", "Contract to", "Loads a week",
    "Duct (ft)", "Van", "Job No", "Visit", "Called for", "Component", "Found", "How", "Fault",
    "Done", "Meter", "Stock No", "Phone",
)  # fmt: skip
SEED = 7
MISTAKES = (  # (column, what stands there instead)
    ("Component", "heeting coil"), ("Visit", "31.04.2021"), ("Meter", "9,9 kg"),
    ("Found", ""), ("Visit", "03.02.1921"), ("Loads a week", "lots"),
)  # fmt: skip


def _rows(name: str) -> list[dict[str, str]]:
    with (RECORDS / f"{name}.csv").open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def _day(iso: str) -> str:
    return ".".join(reversed(iso.split("-"))) if iso else ""


def messy() -> list[list[str]]:
    """The export's rows, the header first."""
    chance = random.Random(SEED)
    units = {row["unit_id"]: row for row in _rows("units") if row["van_id"] in VANS}
    jobs = {row["job_id"]: row for row in _rows("jobs") if row["unit_id"] in units}
    out: list[list[str]] = []
    for line in _rows("lines"):
        job = jobs.get(line["job_id"])
        if job is None:
            continue
        unit = units[job["unit_id"]]
        out.append([
            unit["unit_id"].replace("u", "A-"), unit["family"], ENERGY[unit["fuel"]],
            _day(unit["installed_on"]), _day(unit["enrolled_on"]), _day(unit["left_on"]),
            unit["loads_per_week"].replace(".", ","), unit["duct_length"].removesuffix(" ft"),
            VANS[unit["van_id"]], job["job_id"].replace("j", "J"), _day(job["visited_on"]),
            COMPLAINT.get(job["complaint"], job["complaint"]),
            PART.get(line["part"], line["part"]), FINDING[line["finding"]],
            TEST.get(line["test"], ""), line["mode"].replace("_", " "), ACTION[line["action"]],
            line["reading"].replace(".", ",").replace("ohm", chance.choice(("Ohm", "ohm"))),
            line["item_id"].upper(), f"555 01{chance.randrange(100):02d}",
        ])  # fmt: skip
    for column, text in MISTAKES:
        out[chance.randrange(len(out))][HEADER.index(column)] = text
    out.insert(40, list(out[12]))  # printed twice
    return [list(HEADER), *out]


def main() -> None:
    """Write the file beside this program."""
    with (HERE / "messy_export.csv").open("w", encoding="cp1252", newline="") as f:
        csv.writer(f, delimiter=";", lineterminator="\r\n").writerows(messy())


if __name__ == "__main__":
    main()
