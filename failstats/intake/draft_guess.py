"""Which tables a sheet holds and which of its columns are which of ours: guesses with reasons.

A title is compared with our names and with titles people use; what the column holds must then be
possible (dates where days are wanted), and decides between titles that mean several things.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass, field

from failstats.intake.draft_sheet import Sheet, fit
from failstats.intake.draft_words import TABLE_NAMES, TITLES, plain_title
from failstats.intake.privacy import DOMAINS, identifying_title, looks_identifying
from failstats.units import KINDS, unit_dimension
from failstats.vocabulary import Vocabulary
from failstats.warehouse.schema import TABLES, Column

__all__ = ["Guess", "Guesses", "guess", "identifies", "unit_in_title"]

EXACT, KNOWN, SHORTENED, LIKE, HELD = 3.0, 2.0, 1.8, 1.0, 0.9  # how much a ground counts
SURE = 1.5  # from here a column speaks for its table
LIKENESS = 0.8  # of a title and a name, our own choice
FITS = 0.5  # share of a column's rows that must be possible
HELD_SHARE = 0.7  # share of known words with which a column is guessed without its title
STEADY = 0.95  # share of repeating keys for which a value may count as constant
OFTEN = 0.8  # a parent's column that is constant in a smaller share of them is none of theirs
MOST_CODES = 30  # a column with more different values is no column of codes
NAME_SHARE = 0.5  # share of values that look like a person's name

SHARED = {"unit_id", "job_id"}  # one column of a flat export serves several tables
# what shows that a sheet is about a table: one of the first set must be there, and of the second
SHOWS: dict[str, tuple[set[str], set[str]]] = {
    "lines": ({"job_id", "part"}, {"part", "finding", "action", "mode", "test", "reading"}),
    "jobs": ({"unit_id", "job_id"}, {"visited_on", "complaint", "kind", "technician_id",
                                     "completed", "continues", "labour"}),
    "units": ({"unit_id", "family"}, {"family", "installed_on", "enrolled_on", "fuel",
                                      "duct_length", "loads_per_week"}),
    "cleanings": ({"unit_id"}, {"cleaned_on"}),
}  # fmt: skip
_ID_TAIL = re.compile(r"\s(no|nr|number|num|id|code|ref)$")
_NAME = re.compile(r"[A-Z][a-zà-ÿ]+|(?:[A-Z][\w.'-]*\s+){1,2}[A-Z][a-zà-ÿ'-]+")


@dataclass(slots=True)
class Guess:
    """One of our columns and the one of theirs that it may be."""

    table: str
    column: Column
    at: int
    why: str
    score: float
    rivals: list[tuple[int, str]] = field(default_factory=list)


@dataclass(slots=True)
class Guesses:
    """What is guessed of one sheet.

    Attributes
    ----------
    tables : our tables it holds, parents first.
    found : (table, our column) -> the guess.
    missing : (table, column) that is needed and for which there is nothing.
    left_out : place -> why it is left out.
    remarks : table -> what its columns show, in words.
    not_for : table -> places that are left to another table.
    """

    tables: list[str]
    found: dict[tuple[str, str], Guess] = field(default_factory=dict)
    missing: list[tuple[str, Column]] = field(default_factory=list)
    left_out: dict[int, str] = field(default_factory=dict)
    remarks: dict[str, list[str]] = field(default_factory=dict)
    not_for: dict[str, list[int]] = field(default_factory=dict)


def unit_in_title(title: str, kind: str) -> str | None:
    """The unit that a title states, if it is one of a column's kind.

    >>> unit_in_title("Duct (ft)", "length"), unit_in_title("Minutes", "duration")
    ('ft', 'Minutes')
    """
    allowed = {dimension for dimension, _ in KINDS.get(kind, ())}
    inside = re.findall(r"[(\[]\s*([^)\]]+?)\s*[)\]]", title)
    for unit in (*inside, *re.split(r"[\s_]+", title)[::-1]):
        if len(unit) == 1 and unit.islower() is False and unit not in "ΩCF":
            continue
        if unit_dimension(unit) in allowed:
            return str(unit)
    return None


def _title_ground(column: Column, title: str) -> tuple[float, str] | None:
    low = title.strip().lower()
    if low == column.name or low in column.synonyms:
        return EXACT, "the same name"
    plain = plain_title(title)
    names = (column.name.replace("_", " "), *column.synonyms)
    if plain in names:
        return EXACT - 0.1, "the same name, written otherwise"
    known = TITLES.get(column.name, ())
    tail = re.sub(r"\s(no|nr|number|num)$", " no", plain)
    words = plain.split()
    bare = " ".join(words[:-1]) if len(words) > 1 and unit_dimension(words[-1]) else plain
    for form, ground in ((plain, KNOWN), (tail, KNOWN), (bare, SHORTENED),
                         (_ID_TAIL.sub("", plain), SHORTENED)):  # fmt: skip
        if form and form in known:
            return ground - 0.01 * known.index(form), "a title often used for it"
    if bare in names or _ID_TAIL.sub("", plain) in names:
        return SHORTENED, "its name with something added"
    like = max(difflib.SequenceMatcher(None, plain, name).ratio() for name in names)
    if like >= LIKENESS:
        return LIKE * like, "a title like its name"
    return None


def identifies(sheet: Sheet, at: int) -> str | None:
    """Why a column looks like what identifies somebody, or None."""
    values = sheet.values[at]
    for text in values:
        if what := looks_identifying(text):
            return f"holds what looks like {what}"
    if identifying_title(sheet.header[at]):
        return "its title says that it identifies somebody or is free text"
    if len(max(values, key=len, default="")) > 80:
        return "holds free text"
    return None


def _names(values: dict[str, int]) -> bool:
    return bool(values) and (
        sum(bool(_NAME.fullmatch(text)) for text in values) >= NAME_SHARE * len(values)
    )


def _candidates(sheet: Sheet, words: Vocabulary) -> list[Guess]:
    found = []
    for at, title in enumerate(sheet.header):
        if not title.strip():
            continue
        values = sheet.values[at]
        for table in TABLES.values():
            for column in table.columns:
                ground = _title_ground(column, title)
                share = fit(column, values, words)
                if ground is None:
                    if column.kind == "word" and share and share >= HELD_SHARE and table.name in (
                        "lines", "jobs", "units"
                    ):  # fmt: skip
                        why = f"{share:.0%} of its values are words for it"
                        found.append(Guess(table.name, column, at, why, HELD * share))
                    continue
                score, why = ground
                if score < EXACT and not _possible(column, values, share):
                    continue
                if share is not None and column.kind not in ("text", "id"):
                    score += share
                    if column.kind in ("date", "word") and share >= FITS:
                        what = "dates" if column.kind == "date" else "words for it"
                        why += f", and it holds {what}"
                found.append(Guess(table.name, column, at, why, score))
    return sorted(found, key=lambda one: (-one.score, list(TABLES).index(one.table), one.at))


def _possible(column: Column, values: dict[str, int], share: float | None) -> bool:
    if share is None:
        return True
    if column.kind in ("text", "id"):
        date = fit(TABLES["jobs"].columns[2], values, Vocabulary(parts={}, words={})) or 0.0
        return date < FITS or all(len(text) == 5 for text in values)
    if column.kind == "word":
        return share > 0 or len(values) <= MOST_CODES
    return share >= FITS


def _tables(sheet: Sheet, found: list[Guess]) -> list[str]:
    named = plain_title(sheet.sheet or sheet.file.split(".")[0])
    for table in TABLES:
        if named == table or named in TABLE_NAMES.get(table, ()):
            first: list[str] = [table]
            break
    else:
        first = []
    sure: dict[str, set[str]] = {}
    for one in found:
        if one.score >= SURE:
            sure.setdefault(one.table, set()).add(one.column.name)

    def has(table: str, *columns: str) -> bool:
        return set(columns) <= sure.get(table, set())

    if first and first[0] not in SHOWS:
        return first
    if not first:
        if has("catalogue", "item_id", "price") and not has("lines", "finding") and (
            has("catalogue", "family") or has("catalogue", "part")
        ):  # fmt: skip
            return ["catalogue"]
        if has("carried", "van_id", "item_id", "quantity"):
            return ["carried"]
        if has("vans", "van_id") and sure.get("vans", set()) & {"cycle_days", "budget", "volume"}:
            return ["vans"]
    picked = [table for table, (needed, shown) in SHOWS.items()
              if needed & sure.get(table, set()) and shown & sure.get(table, set())]  # fmt: skip
    lines = sure.get("lines", set()) & SHOWS["lines"][1]
    if "lines" in picked and len(lines) < 2 and first != ["lines"]:
        picked.remove("lines")
    days = {one.at for one in found if one.column.name == "visited_on" and one.score >= SURE}
    cleaned = {one.at for one in found if one.column.name == "cleaned_on" and one.score >= SURE}
    about_air = sure.get("cleanings", set()) & {"scope", "lint", "airflow_before", "airflow_after",
                                                "cleaned_by"}  # fmt: skip
    if "cleanings" in picked and days >= cleaned and not about_air and first != ["cleanings"]:
        picked.remove("cleanings")  # its only date is the visit's
    elif "cleanings" in picked and "jobs" in picked and cleaned >= days and (
        not sure["jobs"] & {"complaint", "kind", "technician_id"}
    ):  # fmt: skip
        picked.remove("jobs")
    if "jobs" in picked and "lines" in picked and not days and not (
        sure["jobs"] & {"complaint", "kind", "technician_id", "labour"}
    ):  # fmt: skip
        picked.remove("jobs")
    if "units" in picked and "jobs" in picked and not (
        sure["units"] & {"family", "installed_on", "enrolled_on"}
    ):  # fmt: skip
        picked.remove("units")
    if has("periods", "unit_id", "enrolled_on") and "family" not in sure.get("units", set()) and (
        set(picked) == {"units"} and sure["units"] & SHOWS["units"][1] <= {"enrolled_on"}
    ):  # fmt: skip
        return first or ["periods"]
    if first:  # a file named after a table is that table, and more only if it shows clearly more
        more = [t for t in picked if t != first[0] and _complete(t, sure, sheet, found)]
        picked = [*first, *more]
    return [table for table in TABLES if table in picked]


def _complete(table: str, sure: dict[str, set[str]], sheet: Sheet, found: list[Guess]) -> bool:
    needed = {column.name for column in TABLES[table].columns if column.required}
    return needed <= sure.get(table, set())


def guess(sheet: Sheet, words: Vocabulary) -> Guesses:
    """What a sheet holds."""
    every = _candidates(sheet, words)
    result = Guesses(_tables(sheet, every))
    held = {at: why for at in range(len(sheet.header)) if (why := identifies(sheet, at))}
    taken: dict[int, str] = {}  # place -> our column
    for one in every:
        table, name, at = one.table, one.column.name, one.at
        if table not in result.tables:
            continue
        if name in SHARED and any(t != table and g.at == at for (t, n), g in result.found.items()
                                  if n == name):  # fmt: skip
            if (table, name) not in result.found:
                result.found[table, name] = one
            continue
        if at in held and not (one.score >= EXACT or (one.column.required and name in DOMAINS)):
            continue
        if name == "technician_id" and one.score < EXACT and _names(sheet.values[at]):
            held[at] = (
                "holds what may be people's names: codes are wanted; or take it for technician_id "
                "and load with --key-file"
            )
            continue
        settled = next((g for (t, n), g in result.found.items() if n == name
                        and (t == table or name in SHARED)), None)  # fmt: skip
        if settled is not None:
            if at not in taken and one.score >= SURE and at != settled.at:
                settled.rivals.append((at, one.why))
            continue
        if at in taken:
            if one.score >= EXACT and taken[at] == name:
                result.found[table, name] = one  # binds by its own name in each table
            elif one.score >= SURE:
                pass
            continue
        result.found[table, name] = one
        taken[at] = name
    _share_keys(result)
    _job_number(sheet, result)
    _van(sheet, result)
    _only_date(sheet, result, words)
    changing = _constancy(sheet, result)
    used = {one.at for one in result.found.values()}
    for table in result.tables:
        for column in TABLES[table].columns:
            if column.required and (table, column.name) not in result.found:
                result.missing.append((table, column))
    for one in result.found.values():
        one.rivals = [pair for pair in one.rivals if pair[0] not in used and pair[0] not in held]
    for at, title in enumerate(sheet.header):
        if title.strip() and at not in used:
            rival = next((g for g in result.found.values() if at in dict(g.rivals)), None)
            result.left_out[at] = (
                held.get(at)
                or changing.get(at)
                or (f"could be {rival.column.name} too" if rival else "nothing is guessed for it")
            )
    return result


def _share_keys(result: Guesses) -> None:
    """The unit and the job of a flat export stand in one column for all its tables."""
    for name in SHARED:
        have = [one for (_, n), one in result.found.items() if n == name]
        if not have:
            continue
        best = max(have, key=lambda one: one.score)
        for table in result.tables:
            column = next((c for c in TABLES[table].columns if c.name == name), None)
            if column is not None and (table, name) not in result.found:
                result.found[table, name] = Guess(table, column, best.at, best.why, best.score)


def _put_job(result: Guesses, at: int, why: str) -> None:
    for table in result.tables:
        for column in TABLES[table].columns:
            if column.name == "job_id":
                result.found[table, "job_id"] = Guess(table, column, at, why, KNOWN)


def _job_number(sheet: Sheet, result: Guesses) -> None:
    """In a flat export the job's number must go with one unit and one day; look whether it does."""
    if not {"jobs", "lines"} <= set(result.tables):
        return
    unit, day = result.found.get(("jobs", "unit_id")), result.found.get(("jobs", "visited_on"))
    job = result.found.get(("jobs", "job_id")) or result.found.get(("lines", "job_id"))
    if unit is None or day is None:
        return

    def is_job(at: int) -> bool:
        checks = [sheet.steady((at,), unit.at), sheet.steady((at,), day.at),
                  sheet.steady((unit.at, day.at), at)]  # fmt: skip
        return sheet.filled(at) >= STEADY and all(same >= STEADY * n for same, n in checks)

    if job is not None:
        if is_job(job.at):
            return
        better = next((at for at, _ in job.rivals if is_job(at)), None)
        if better is not None:
            old = job.at
            why = "its values go with one unit and one day each"
            _put_job(result, better, why)
            result.found["jobs", "job_id"].rivals.append((old, "a title often used for it"))
            return
        same, several = sheet.steady((job.at,), unit.at)
        if several and same < STEADY * several:
            result.remarks.setdefault("jobs", []).append(
                f"{several - same:,} of {several:,} values of {sheet.header[job.at]!r} go with "
                "several units: is it the job's number?"
            )
        return
    used = {one.at for one in result.found.values()}
    free = [at for at, title in enumerate(sheet.header)
            if title.strip() and at not in used and not identifies(sheet, at)]  # fmt: skip
    several = sheet.steady((unit.at, day.at), day.at)[1]
    fitting = [at for at in free if is_job(at)] if several else []
    if len(fitting) == 1:
        _put_job(result, fitting[0], "its values go with one unit and one day each, as no other's")


def _van(sheet: Sheet, result: Guesses) -> None:
    """The van that normally serves a unit, or the one that came: does it change within a unit?"""
    if not {"units", "jobs"} <= set(result.tables):
        return
    of_unit, of_job = result.found.get(("units", "van_id")), result.found.get(("jobs", "van_id"))
    one, unit = of_unit or of_job, result.found.get(("units", "unit_id"))
    if one is None or unit is None:
        return
    same, several = sheet.steady((unit.at,), one.at)
    exact = one.score >= EXACT
    column = {c.name: c for t in ("units", "jobs") for c in TABLES[t].columns}["van_id"]
    if several and same == several:
        shown = f"it is the same on all rows of each of {several:,} units"
        result.found.pop(("jobs", "van_id"), None)
        result.found["units", "van_id"] = Guess("units", column, one.at, f"{one.why}; {shown}",
                                                one.score, one.rivals)  # fmt: skip
        if exact:
            result.not_for.setdefault("jobs", []).append(one.at)
    else:
        shown = f"it changes within {several - same:,} of {several:,} units"
        result.found.pop(("units", "van_id"), None)
        result.found["jobs", "van_id"] = Guess("jobs", column, one.at, f"{one.why}; {shown}",
                                               one.score, one.rivals)  # fmt: skip
        if exact:
            result.not_for.setdefault("units", []).append(one.at)


def _only_date(sheet: Sheet, result: Guesses, words: Vocabulary) -> None:
    """A visit's day is guessed by content where one column of dates alone is left."""
    if "jobs" not in result.tables or ("jobs", "visited_on") in result.found:
        return
    column = next(c for c in TABLES["jobs"].columns if c.name == "visited_on")
    used = {one.at for one in result.found.values()}
    free = [at for at, title in enumerate(sheet.header) if title.strip() and at not in used
            and (fit(column, sheet.values[at], words) or 0) >= STEADY]  # fmt: skip
    if len(free) == 1:
        result.found["jobs", "visited_on"] = Guess(
            "jobs", column, free[0], "the only column of dates that is left", HELD
        )


def _constancy(sheet: Sheet, result: Guesses) -> dict[int, str]:
    """What must be constant within a unit or a job and is not; what changes often is left out."""
    changing: dict[int, str] = {}
    if len(result.tables) < 2:
        return changing
    for table, key in (("units", "unit_id"), ("jobs", "job_id")):
        owner = result.found.get((table, key))
        if owner is None:
            continue
        for (of, name), one in list(result.found.items()):
            if of != table or one.at == owner.at:
                continue
            same, several = sheet.steady((owner.at,), one.at)
            if same == several:
                continue
            shown = (
                f"{several - same:,} of {several:,} {table} with several rows have several values"
            )
            if same < OFTEN * several and not one.column.required:
                changing[one.at] = f"could be {name}, but {shown}"
                del result.found[of, name]
                if one.score >= EXACT - 0.05:
                    result.not_for.setdefault(table, []).append(one.at)
            else:
                result.remarks.setdefault(table, []).append(
                    f"{name}: {shown}; these may go to quarantine"
                )
    return changing
