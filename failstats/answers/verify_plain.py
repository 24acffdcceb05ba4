"""The facts again, row by row in plain Python: slow, and meant to be read beside the SQL.

Nothing here is shared with `queries/facts/`. Records are lists of dicts with the stored columns.
`verify` hands what is made here to other people's libraries; `tests/queries` compares it with the
facts on random records.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Iterator
from typing import Any

from failstats.vocabulary import Part

__all__ = ["Row", "episodes", "exposures", "findings", "lives", "sockets", "spans", "vent_states"]

Row = dict[str, Any]
DAY = dt.timedelta(days=1)
FINDINGS = ("untested", "working", "worn", "failed")
ACTIONS = ("kept", "cleaned", "reset", "replaced")
ALL_FUELS = ("electric", "gas", "heat_pump")


def _by(rows: Iterable[Row], column: str) -> dict[Any, list[Row]]:
    groups: dict[Any, list[Row]] = defaultdict(list)
    for row in rows:
        groups[row[column]].append(row)
    return groups


def _largest(values: list[Any]) -> Any:
    known = [value for value in values if value is not None]
    return max(known) if known else None


def episodes(jobs: list[Row], units: set[str]) -> list[Row]:
    """One row per visit, with the episode it belongs to."""
    known = [job for job in jobs if job["unit_id"] in units]
    by_id = {job["job_id"]: job for job in known}
    by_unit = defaultdict(list)
    for job in sorted(known, key=lambda job: (job["visited_on"], job["job_id"])):
        by_unit[job["unit_id"]].append(job)
    parent: dict[str, str] = {}
    for visits in by_unit.values():
        for before, job in zip([None, *visits], visits, strict=False):
            named = by_id.get(job["continues"])
            if named is not None and named in visits[: visits.index(job)]:
                parent[job["job_id"]] = named["job_id"]
            elif (
                before is not None
                and before["completed"] is False
                and job["visited_on"] - before["visited_on"] <= 30 * DAY
            ):
                parent[job["job_id"]] = before["job_id"]
    members = defaultdict(list)
    for visits in by_unit.values():
        for job in visits:
            first = job["job_id"]
            while first in parent:
                first = parent[first]
            members[first].append(job)
    found = []
    for first, visits in members.items():
        for number, job in enumerate(visits, start=1):
            row = {key: job[key] for key in ("job_id", "unit_id", "visited_on", "van_id")}
            row |= {key: job[key] for key in ("technician_id", "completed", "labour_min")}
            row |= {"episode_id": first, "visit": number}
            row |= {"opened_on": visits[0]["visited_on"], "closed_on": visits[-1]["visited_on"]}
            row |= {"kind": visits[0]["kind"], "complaint": visits[0]["complaint"]}
            found.append(row)
    return found


def findings(lines: list[Row], visits: list[Row], parts: dict[str, Part]) -> list[Row]:
    """One row per visit, part and position: the worst of its lines."""
    by_job = {visit["job_id"]: visit for visit in visits}
    groups = defaultdict(list)
    for line in lines:
        if line["job_id"] in by_job:
            groups[line["job_id"], line["part"], line["position"]].append(line)
    found = []
    for (job_id, name, position), group in groups.items():
        visit, part = by_job[job_id], parts.get(name, Part(name=name))
        bad = [line for line in group if line["finding"] == "failed"]
        fitted = [line for line in group if line["action"] == "replaced"]
        finding = max((line["finding"] for line in group), key=FINDINGS.index)
        action = max((line["action"] for line in group), key=ACTIONS.index)
        mode = _largest([line["mode"] for line in bad])
        row = {key: visit[key] for key in ("unit_id", "episode_id", "visited_on", "opened_on")}
        row |= {"kind": visit["kind"], "complaint": visit["complaint"], "job_id": job_id}
        row |= {"part": name, "position": position, "finding": finding, "action": action}
        row |= {"mode": mode, "broke_at": _largest([line["broke_at"] for line in bad])}
        row |= {key: _largest([line[key] for line in fitted]) for key in ("item_id", "cost")}
        for short, test in (("hot", "hot_cycle"), ("cold", "cold_continuity")):
            tested = [line for line in group if line["test"] == test]
            row[f"tested_{short}"] = bool(tested)
            row[f"passed_{short}"] = any(line["finding"] == "working" for line in tested)
        row |= {"heat_part": part.heat_part, "silent": mode in part.silent_modes}
        row["replaced"] = action == "replaced"
        row["failed"] = finding == "failed" or (
            finding == "worn"
            and action == "replaced"
            and visit["kind"] == "call_out"
            and part.worn_is_failure
        )
        found.append(row)
    return found


def _contract_spans(unit: Row, stated: list[Row], jobs: list[Row], clock: Row) -> list[Row]:
    found = []
    for span in stated:
        calls = [
            job["visited_on"]
            for job in jobs
            if job["kind"] == "call_out"
            and span["enrolled_on"] - 30 * DAY <= job["visited_on"] <= span["enrolled_on"]
            and not any(
                other["enrolled_on"] < span["enrolled_on"]
                and other["enrolled_on"] <= job["visited_on"] <= (other["left_on"] or dt.date.max)
                for other in stated
            )
        ]
        starts = min(calls, default=span["enrolled_on"])
        starts = max(starts, unit["installed_on"] or dt.date.min, clock["records_from"])
        found.append(
            {"starts_on": starts, "joined": bool(calls), "unseen": False, **_end(span, clock)}
        )
    return found


def _end(row: Row, clock: Row) -> Row:
    if row["left_on"] is None:
        return {"ends_on": clock["as_of"], "ends_because": "records_end"}
    return {
        "ends_on": min(row["left_on"], clock["as_of"]),
        "ends_because": row["left_because"] or "left",
    }


def _last(span: Row) -> tuple[dt.date, bool, str]:
    return span["ends_on"], span["ends_because"] == "records_end", span["ends_because"]


def spans(tables: dict[str, list[Row]], clock: Row) -> list[Row]:
    """One row per unit and stretch of time in which it was watched."""
    found = []
    visits, periods, cleaned = (
        _by(tables[name], "unit_id") for name in ("jobs", "periods", "cleanings")
    )
    for unit in tables["units"]:
        jobs = visits.get(unit["unit_id"], [])
        stated = [unit] if unit["enrolled_on"] is not None else []
        stated += periods.get(unit["unit_id"], [])
        contacts = [job["visited_on"] for job in jobs] + [
            row["cleaned_on"]
            for row in cleaned.get(unit["unit_id"], [])
            if row["cleaned_by"] != "owner"
        ]
        pieces = _contract_spans(unit, stated, jobs, clock)
        seen = [job["visited_on"] for job in jobs if job["visited_on"] >= clock["records_from"]]
        if not stated and seen:
            end = _end(unit, clock)
            unseen = end["ends_because"] == "records_end"
            pieces = [{"starts_on": min(seen), "joined": True, "unseen": unseen, **end}]
        merged: list[Row] = []
        for piece in sorted(pieces, key=lambda piece: (piece["starts_on"], piece["ends_on"])):
            if piece["starts_on"] > piece["ends_on"]:
                continue
            if merged and piece["starts_on"] <= merged[-1]["ends_on"] + DAY:
                last = merged[-1]
                if _last(piece) > _last(last):
                    last |= {key: piece[key] for key in ("ends_on", "ends_because")}
                last["joined"] = last["joined"] or piece["joined"]
            else:
                merged.append(dict(piece, span=len(merged) + 1))
        for span in merged:
            if clock["contract_only"] and span["joined"]:
                continue
            last = _largest(contacts)
            by_contact = span["ends_on"]
            if span["unseen"]:
                by_contact = min(by_contact, max(last, span["starts_on"]) + 365 * DAY)
            row = {key: span[key] for key in ("span", "starts_on", "ends_on", "ends_because")}
            row |= {"unit_id": unit["unit_id"], "leaves_unseen": span["unseen"]}
            row |= {"followed_as": "call_out" if span["joined"] else "contract"}
            found.append(row | {"last_contact_on": last, "ends_by_contact_on": by_contact})
    return found


def sockets(units: list[Row], found: list[Row], parts: dict[str, Part]) -> list[Row]:
    """One row per unit, part and position, named or not."""
    family = {unit["unit_id"]: unit["family"] for unit in units}
    seen = defaultdict(set)
    for finding in found:
        unit = finding["unit_id"]
        seen[finding["part"], finding["position"], family[unit]].add(unit)
    rows = []
    named, mine = {part for part, _, _ in seen}, _by(found, "unit_id")
    rosters: dict[tuple[str, str], set[tuple[str, int]]] = {}
    for unit in units:
        model = (unit["family"], unit["fuel"])
        if model not in rosters:
            rosters[model] = _roster(*model, named, seen, parts)
        roster = rosters[model]
        own = {(f["part"], f["position"]) for f in mine.get(unit["unit_id"], [])}
        for part, position in roster | own:
            row = {"unit_id": unit["unit_id"], "part": part, "position": position}
            rows.append(row | {"on_roster": (part, position) in roster})
    return rows


def _roster(
    family: str,
    fuel: str,
    named: set[str],
    seen: dict[tuple[str, int, str], set[str]],
    parts: dict[str, Part],
) -> set[tuple[str, int]]:
    """(part, position) that every unit of a family and fuel has, named or not."""
    roster = set()
    for name in named:
        part = parts.get(name, Part(name=name))
        in_family = any(key[0] == name and key[2] == family for key in seen)
        if fuel in part.fuels and (part.on_every_unit or in_family):
            roster.add((name, 1))
            roster |= {
                (name, position)
                for (other, position, where), which in seen.items()
                if other == name and where == family and len(which) > 1
            }
    return roster


def _ending(finding: Row) -> str:
    if finding["failed"]:
        return "tripped" if finding["mode"] == "tripped" else "failed"
    words = {"worn": "preventive", "working": "replaced_working"}
    return words.get(finding["finding"], "replaced_unknown")


def lives(
    units: list[Row], where: list[Row], found: list[Row], watched: list[Row]
) -> Iterator[Row]:
    """One row per life and span in which it was watched."""
    by_unit = {unit["unit_id"]: unit for unit in units}
    spans_of = _by(watched, "unit_id")
    by_socket = defaultdict(list)
    for finding in found:
        if finding["replaced"] or (finding["failed"] and finding["action"] == "kept"):
            by_socket[finding["unit_id"], finding["part"], finding["position"]].append(finding)
    for socket in where:
        unit = by_unit[socket["unit_id"]]
        changes = by_socket[socket["unit_id"], socket["part"], socket["position"]]
        changes.sort(key=lambda f: (f["visited_on"], f["job_id"]))
        begun: list[Row] = []
        if socket["on_roster"]:
            first = {"born_on": unit["installed_on"], "closer": changes[0] if changes else None}
            begun.append(first | {"item_id": None, "first": True})
        for change, closer in zip(changes, [*changes[1:], None], strict=False):
            if change["replaced"]:
                life = {"born_on": change["visited_on"], "item_id": change["item_id"]}
                begun.append(life | {"first": False, "closer": closer})
        for ordinal, life in enumerate(begun):
            for span in spans_of.get(unit["unit_id"], []):
                yield from _watched_life(unit, socket, span, life | {"ordinal": ordinal})


def _watched_life(unit: Row, socket: Row, span: Row, life: Row) -> list[Row]:
    born, closer, closes_on = life["born_on"], life["closer"], None
    if closer is not None:
        closes_on = closer["opened_on"] if closer["failed"] else closer["visited_on"]
        if not life["first"] and closes_on <= born:
            closes_on = closer["visited_on"]
    if closes_on is not None and closes_on < span["starts_on"]:
        return []
    if born is not None and born > span["ends_on"]:
        return []
    closes = closes_on is not None and closes_on <= span["ends_on"]
    enters = max(born, span["starts_on"]) if born else span["starts_on"]
    exits = closes_on if closes else span["ends_on"]
    by_contact = closes_on if closes else max(span["ends_by_contact_on"], enters)
    birth = "unknown"
    if born is not None:
        birth = "known" if born >= span["starts_on"] else "assumed"
    row = {key: socket[key] for key in ("unit_id", "part", "position")}
    row |= {"ordinal": life["ordinal"], "first_or_later": "first" if life["first"] else "later"}
    row |= {"birth": birth, "born_on": born, "item_id": life["item_id"]}
    for name, day in (
        ("entry_days", enters),
        ("exit_days", exits),
        ("exit_by_contact_days", by_contact),
    ):
        row[name] = None if born is None else (day - born).days
    row |= {"enters_on": enters, "exits_on": exits, "exits_by_contact_on": by_contact}
    row["ending"] = _ending(closer) if closes else span["ends_because"]
    row["mode"] = closer["mode"] if closes else None
    row["silent"] = bool(closes and closer["silent"])
    row |= {key: span[key] for key in ("span", "followed_as", "leaves_unseen")}
    keys = ("family", "fuel", "van_id", "building_id", "loads_per_week", "duct_material")
    return [row | {key: unit[key] for key in (*keys, "termination")}]


# --- the state of the vent -----------------------------------------------------------------------

YEAR, TWO_YEARS = 365, 730  # days since the last full cleaning at which its state changes
Stretch = tuple[str, dt.date, dt.date]


def vent_states(span: Row, unit: Row, cleanings: list[Row]) -> list[Stretch]:
    """(state, day before, last day) of one unit's vent over one span, days in order."""
    marks = {
        row["cleaned_on"]
        for row in cleanings
        if row["scope"] == "full_run" and span["starts_on"] <= row["cleaned_on"] <= span["ends_on"]
    }
    if unit["vent_new"] and unit["installed_on"] == span["starts_on"]:
        marks.add(unit["installed_on"])
    found: list[Stretch] = []
    days = sorted(marks)
    before = span["starts_on"] - DAY
    first = days[0] if days else span["ends_on"]
    sure = before + TWO_YEARS * DAY
    found += [("unknown", before, min(first, sure)), ("over_24", max(before, sure), first)]
    for clean, end in zip(days, [*days[1:], span["ends_on"]], strict=False):
        one, two = clean + (YEAR - 1) * DAY, clean + (TWO_YEARS - 1) * DAY
        found += [
            ("under_12", clean, min(one, end)),
            ("12_to_24", one, min(two, end)),
            ("over_24", two, end),
        ]
    return [stretch for stretch in found if stretch[1] < stretch[2]]


def exposures(
    units: list[Row], watched: list[Row], cleanings: list[Row], made: Iterable[Row]
) -> Iterator[Row]:
    """One row per life with known birth and stretch of one state of the vent."""
    by_unit, cleaned = {unit["unit_id"]: unit for unit in units}, _by(cleanings, "unit_id")
    states = {
        (span["unit_id"], span["span"]): vent_states(
            span, by_unit[span["unit_id"]], cleaned.get(span["unit_id"], [])
        )
        for span in watched
    }
    for life in made:
        if life["birth"] != "known" or life["exit_days"] <= life["entry_days"]:
            continue
        born, ends = life["born_on"], life["ending"] in ("failed", "tripped")
        for state, before, last in states[life["unit_id"], life["span"]]:
            start = max(life["entry_days"], (before - born).days)
            stop = min(life["exit_days"], (last - born).days)
            if start < stop:
                row = {"state": state, "start_days": start, "stop_days": stop}
                row["failed"] = ends and (last - born).days >= life["exit_days"]
                yield life | row
