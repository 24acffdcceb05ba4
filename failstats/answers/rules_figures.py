"""The figures behind rules: shares, readings, rates, intervals; and what a rule needs."""

from __future__ import annotations

from typing import Any

import numpy as np

from failstats.answers.headline import headline_life
from failstats.answers.lives_fits import Selection, risk_table, silent_parts
from failstats.answers.vents import Vents
from failstats.errors import FitError
from failstats.estimate.association import stratified_rate_ratio
from failstats.estimate.curves import kaplan_meier
from failstats.estimate.intervals import jeffreys
from failstats.estimate.life_models import FittedLife
from failstats.warehouse.session import Session

__all__ = ["Figure", "hazard", "interval", "missing_for", "modes", "rate_ratio", "reading", "share"]

# figure, interval, jobs it rests on, and why there is none
Figure = tuple[float | None, tuple[float, float] | None, int, str]

YEAR_DAYS = 365
LONGEST_YEARS = 60

# what each estimator reads: (column or table, as the contract names it; its count in rules_filled)
LINES = ("table lines", "lines")
NEEDS: dict[str, tuple[tuple[str, str], ...]] = {
    "share": (("table jobs", "jobs"), ("column complaint of jobs", "complaint"), LINES),
    "share_of_modes": (LINES, ("column mode of lines", "mode")),
    "reading": (LINES, ("column reading of lines", "reading")),
    "follow_on": (LINES, ("column action of lines (replaced)", "replaced")),
    "hazard": (LINES, ("column enrolled_on of units", "enrolled_on")),
    "rate_ratio": (LINES, ("column installed_on of units", "installed_on")),
    "interval": (LINES, ("column installed_on of units", "installed_on")),
}
CLEANINGS = ("table cleanings (unit_id, cleaned_on, scope full_run)", "full_run_cleanings")
LENGTHS = ("column duct_length of units", "duct_length")
GROUPS = {
    "fuel": ("column fuel of units", "fuel"),
    "van_id": ("column van_id of units", "van_id"),
    "item_id": ("column item_id of lines", "item_id"),
    "duct_material": ("column duct_material of units", "duct_material"),
    "termination": ("column termination of units", "termination"),
}


def missing_for(session: Session, rule: dict[str, Any]) -> str | None:
    """The column or table without which a rule cannot be tested here; None where all are filled."""
    needs = list(NEEDS[rule["estimator"]])
    if rule["estimator"] == "hazard":
        needs.append(LENGTHS if rule["contrast"].startswith("over_limit") else CLEANINGS)
    if rule["estimator"] == "rate_ratio" and rule["column"] in GROUPS:
        needs.append(GROUPS[rule["column"]])
    filled = session.run("rules_filled").iloc[0]
    return next((name for name, count in needs if not filled[count]), None)


def _from_counts(inside: int, total: int, jobs: int, missing: str, level: float) -> Figure:
    if not total:
        return None, None, 0, missing
    low, high = jeffreys(inside, of=total, confidence_level=level)
    return inside / total, (float(low), float(high)), jobs, ""


def share(session: Session, rule: dict[str, Any], level: float) -> Figure:
    """Call-outs with a complaint in which at least one of the parts had failed."""
    frame = session.run("causes_sets", complaint=rule["complaint"])
    total = int(frame["episodes"].sum())
    wanted = set(rule["parts"])
    hit = [bool(wanted & set(parts.split(" + "))) for parts in frame["parts"]]
    inside = int(frame.loc[hit, "episodes"].sum()) if total else 0
    said = f"no call-out has the complaint {rule['complaint']}"
    return _from_counts(inside, total, total, said, level)


def reading(session: Session, rule: dict[str, Any], level: float) -> Figure:
    """Readings of a working part that lie in a range."""
    row = session.run(
        "rules_readings", part=rule["part"], low=float(rule["from"]), high=float(rule["to"])
    ).iloc[0]
    return _from_counts(
        int(row["inside"]),
        int(row["readings"]),
        int(row["jobs"]),
        f"no reading of a working {rule['part']} in ohm",
        level,
    )


def modes(session: Session, rule: dict[str, Any], level: float) -> Figure:
    """Failures of a part that were in one of some modes."""
    row = session.run("rules_modes", part=rule["part"], modes=list(rule["modes"])).iloc[0]
    total = int(row["episodes"])
    said = f"no failed {rule['part']} whose mode was written down"
    return _from_counts(int(row["inside"]), total, total, said, level)


def hazard(found: Vents | None, rule: dict[str, Any]) -> Figure:
    """The hazard ratio that `vents` states."""
    part = rule["part"]
    for row in found.results if found else ():
        if row.part != part or row.contrast != rule["contrast"] or row.hazard_ratio is None:
            continue
        low, high = row.ci
        if row.verdict == "cannot_be_trusted" or low is None or high is None:
            return row.hazard_ratio, None, row.failures, row.verdict_text
        return row.hazard_ratio, (float(low), float(high)), row.failures, ""
    why = (found.summary["not_fitted"] if found else {}).get(part)
    return None, None, 0, why or f"vents states no such hazard ratio of the {part}"


def rate_ratio(session: Session, rule: dict[str, Any], level: float) -> Figure:
    """Failures per day lived, one group of lives over another, year of age by year of age.

    Notes
    -----
    Lives of known birth; trips stand apart. Mantel and Haenszel over years of age.
    """
    part, column = rule["part"], rule["column"]
    if part in silent_parts(session):
        return None, None, 0, f"the {part} fails unseen or is tripped, so its dates are no failures"
    rows = session.run("lives_rows", **Selection().params(part))
    counts, days = np.zeros((LONGEST_YEARS, 2)), np.zeros((LONGEST_YEARS, 2))
    known = ", ".join(sorted(map(str, rows[column].dropna().unique())))
    for place, key in enumerate(("group", "against")):
        mine = rows[rows[column] == rule[key]]
        if mine.empty:
            said = (
                f"no life of a {part} has the {column} {rule[key]} (there are: {known or 'none'})"
            )
            return None, None, 0, said
        entry, leaves = mine["entry_days"].to_numpy(float), mine["exit_days"].to_numpy(float)
        failed = (mine["ending"] == "failed").to_numpy()
        for year in range(LONGEST_YEARS):
            begin, end = year * YEAR_DAYS, (year + 1) * YEAR_DAYS
            days[year, place] = np.maximum(
                np.minimum(leaves, end) - np.maximum(entry, begin), 0.0
            ).sum()
            counts[year, place] = (failed & (leaves > begin) & (leaves <= end)).sum()
    counts[days == 0] = 0  # a failure on the day it was fitted lived no day
    found = stratified_rate_ratio(counts, exposures=days, confidence_level=level)
    failures = int(counts.sum())
    if not np.isfinite(found.estimate):
        return None, None, failures, "the two groups were not seen to fail at the same ages"
    return (
        float(found.estimate),
        (float(found.low), float(found.high)),
        failures,
        "",
    )


def interval(session: Session, rule: dict[str, Any], level: float) -> Figure:
    """Days from fitting a part until a share of them has failed, as `lives` states it."""
    part, wanted = rule["part"], float(rule["share"])
    head = headline_life(session, part)
    life = head.found
    if not isinstance(life, FittedLife):
        said = "it fails unseen or is tripped" if part in silent_parts(session) else head.label
        return None, None, 0, f"lives states no single life of the {part} ({said})"
    try:
        age = float(life.quantile(wanted))
        low, high = life.quantile_interval(wanted, confidence_level=level)
    except FitError as fault:
        return None, None, int(life.failures), fault.what
    table = next(iter(risk_table(session, part, Selection()).values()), None)
    seen = kaplan_meier(table, cause="failed").followed_to if table is not None else 0.0
    if not np.isfinite(age) or age > seen:
        said = f"it would be {age:,.0f} days, beyond the {seen:,.0f} days any {part} was watched"
        return None, None, int(life.failures), said
    return age, (float(low), float(high)), int(life.failures), ""
