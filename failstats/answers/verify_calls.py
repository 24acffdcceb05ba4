"""Shares behind complaints, pairs and what follows, again from raw rows by statsmodels."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from typing import Any

import numpy as np

from failstats.answers.causes import Causes
from failstats.answers.pairs import Pairs
from failstats.answers.verify_figures import Checked, checked
from failstats.answers.verify_plain import Row
from failstats.answers.verify_rows import RawRecords
from failstats.vocabulary import Part

__all__ = ["causes_again", "index_jobs", "pairs_again"]

PAIRS_SHOWN = 3
ONE_SIDED = "theirs does not close an interval at 0 or 1"


# --- causes --------------------------------------------------------------------------------------


def _mode(call: Row, part: str) -> str | None:
    modes = [f["mode"] for f in call["findings"] if f["part"] == part and f["failed"] and f["mode"]]
    return max(modes) if modes else None


def causes_again(found: Causes, raw: RawRecords) -> list[Checked]:
    """The leading part and mode behind each complaint: its share, and the interval's lower end."""
    from statsmodels.stats.proportion import proportion_confint

    calls: dict[str, list[Row]] = defaultdict(list)
    for call in raw.calls():
        calls[call["complaint"] or "not_recorded"].append(call)
    leading: dict[str, Any] = {}
    for row in found.results:
        if not row.stratum and row.episodes > getattr(leading.get(row.complaint), "episodes", 0):
            leading[row.complaint] = row
    level, out = found.settings["confidence_level"], []
    for complaint, row in leading.items():
        mine = calls[complaint]
        count = sum(
            (not call["failed"])
            if row.part == "no_fault_found"
            else row.part in call["failed"] and _mode(call, row.part) == row.mode
            for call in mine
        )
        name = f"{complaint}: share with {row.part}" + (f", {row.mode}" if row.mode else "")
        low = proportion_confint(count, len(mine), alpha=1 - level, method="jeffreys")[0]
        out += [
            checked("causes", name, row.share, count / len(mine) if mine else None, "raw rows"),
            checked(
                "causes", f"{name}, lower end", row.ci[0], float(low), "statsmodels",
                why=ONE_SIDED if count in (0, len(mine)) else "",
            ),
        ]  # fmt: skip
    return out


# --- pairs ---------------------------------------------------------------------------------------


def pairs_again(found: Pairs, raw: RawRecords, parts: dict[str, Part]) -> list[Checked]:
    """Shares and odds ratios of the leading pairs, and returns after replacing one or both."""
    from statsmodels.stats.proportion import proportion_confint

    calls = [call for call in raw.calls() if call["failed"] or call["replaced"]]
    level, out = found.settings["confidence_level"], []
    for row in found.results[:PAIRS_SHOWN]:
        first, second = row.first, row.second
        with_first = [call for call in calls if first in call["replaced"]]
        both = sum(second in call["replaced"] for call in with_first)
        name = f"{first} replaced: share with the {second} too"
        low = (
            proportion_confint(both, len(with_first), alpha=1 - level, method="wilson")[0]
            if with_first
            else None
        )
        out += [
            checked(
                "pairs", name, row.share, both / len(with_first) if with_first else None, "raw rows"
            ),
            checked(
                "pairs",
                f"{name}, lower end",
                row.share_ci[0] if row.share_ci else None,
                low,
                "statsmodels",
            ),
        ]
        ratio, least = _odds_ratio(calls, first, second, level)
        out += [
            checked(
                "pairs", f"{first} and {second}: odds ratio of being replaced together",
                row.odds_ratio, ratio, "statsmodels",
            ),
            checked(
                "pairs", f"{first} and {second}: odds ratio, lower end",
                row.odds_ratio_ci[0], least, "statsmodels",
            ),
        ]  # fmt: skip
        if row.difference:
            out += _returns(row, raw, parts)
    return out


def _odds_ratio(
    calls: list[Row], first: str, second: str, level: float
) -> tuple[float | None, float | None]:
    """Mantel and Haenszel's odds ratio over families, with Robins, Breslow and Greenland's end."""
    from statsmodels.stats.contingency_tables import StratifiedTable

    tables = []
    for family in sorted({call["family"] for call in calls}):
        mine = [call["replaced"] for call in calls if call["family"] == family]
        table = np.zeros((2, 2))
        for replaced in mine:
            table[int(first not in replaced), int(second not in replaced)] += 1
        if table.sum():
            tables.append(table)
    with np.errstate(all="ignore"):
        found = StratifiedTable(tables)
        ratio = float(found.oddsratio_pooled)
        low = float(found.oddsratio_pooled_confint(alpha=1 - level)[0])
    return (ratio if np.isfinite(ratio) else None), (low if np.isfinite(low) else None)


def _returns(row: Any, raw: RawRecords, parts: dict[str, Part]) -> list[Checked]:
    from statsmodels.duration.survfunc import CumIncidenceRight

    jobs = index_jobs(raw, row.first, row.second, parts)
    entry, out = row.difference[-1], []
    shares: list[float | None] = []
    for both in (False, True):
        arm = [(days, event) for days, event, other in jobs if other == both]
        share = None
        if arm:
            days, event = np.array(arm).T
            curve = CumIncidenceRight(days, event)
            upto = np.asarray(curve.times) <= entry.window_days
            share = float(curve.cinc[0][upto][-1]) if upto.any() else 0.0
        shares.append(share)
    name = f"{row.first}, then another failure within {entry.window_days} days"
    out += [
        checked(
            "pairs", f"{name}, {row.second} kept", entry.alone, shares[0], "statsmodels",
        ),
        checked(
            "pairs", f"{name}, {row.second} replaced too", entry.both, shares[1], "statsmodels",
        ),
    ]  # fmt: skip
    return out


def index_jobs(
    raw: RawRecords, first: str, second: str, parts: dict[str, Part]
) -> list[tuple[int, int, bool]]:
    """(days followed, 1 failed or 2 replaced otherwise or 0, partner replaced too) of each call-out
    on which the first part was replaced and the second had not failed."""
    by_unit: dict[str, list[Row]] = defaultdict(list)
    groups: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for finding in raw.found:
        if finding["part"] in (first, second):
            groups[finding["episode_id"], finding["part"]].append(finding)
    for (episode, part), group in groups.items():
        failed = any(f["failed"] for f in group)
        modes = [f["mode"] for f in group if f["failed"] and f["mode"]]
        silent = parts[part].silent_modes if part in parts else ()
        loud = failed and not (modes and max(modes) in silent)
        by_unit[group[0]["unit_id"]].append(
            {
                "episode_id": episode,
                "part": part,
                "called": group[0]["kind"] == "call_out",
                "opened_on": group[0]["opened_on"],
                "failed": failed,
                "loud": loud,
                "replaced_on": [f["visited_on"] for f in group if f["replaced"]],
            }
        )
    spans = defaultdict(list)
    for span in raw.watched:
        spans[span["unit_id"]].append(span)
    out = []
    for unit, rows in by_unit.items():
        for one in rows:
            if one["part"] != first or not one["replaced_on"] or not one["called"]:
                continue
            other = [
                r for r in rows if r["episode_id"] == one["episode_id"] and r["part"] == second
            ]
            if any(r["failed"] for r in other):
                continue
            on = max(one["replaced_on"])
            for span in spans[unit]:
                if span["starts_on"] <= on <= span["ends_on"]:
                    days, event = _next(rows, one["episode_id"], on, span["ends_on"])
                    if days > 0:
                        out.append((days, event, any(r["replaced_on"] for r in other)))
    return out


def _next(rows: list[Row], episode: str, on: dt.date, ends: dt.date) -> tuple[int, int]:
    """Days to whatever came next to either part, and what it was."""
    later = [
        r
        for r in rows
        if r["episode_id"] != episode
        and on < r["opened_on"] <= ends
        and (r["failed"] or r["replaced_on"])
    ]
    if not later:
        return (ends - on).days, 0
    day = min(r["opened_on"] for r in later)
    failed = any(r["loud"] and r["called"] for r in later if r["opened_on"] == day)
    return (day - on).days, 1 if failed else 2
