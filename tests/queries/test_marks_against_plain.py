"""What is counted on marks and on numbered failures, against the findings of `verify_plain`.

The same random records, the same hard cases, every rule written out once more over plain rows.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable
from itertools import permutations
from typing import Any

import pytest

from failstats.answers.verify_plain import Row
from failstats.vocabulary import load_vocabulary
from failstats.warehouse.session import Session

FLAGS = ("failed", "replaced", "tested_hot", "passed_hot", "passed_cold")
PARTS = load_vocabulary().parts
Place = tuple[str, int]


Seen = tuple[Session, dict[str, list[Row]], list[Row]]


@pytest.fixture(scope="module")
def seen(random_session: Session, plain_of: Callable[[Session], dict[str, list[Row]]]) -> Seen:
    """A session of random records, its plain rows, and its episodes with sets of places."""
    plain = plain_of(random_session)
    return random_session, plain, _episodes(random_session, plain)


def rows_of(session: Session, name: str) -> list[Row]:
    rows: list[Row] = session.arrow(name).to_pylist()
    return rows


def _episodes(session: Session, plain: dict[str, list[Row]]) -> list[Row]:
    since = session.choices["from"]
    start = dt.date.min if since is None else dt.date.fromisoformat(since)
    under_contract = defaultdict(list)
    for span in plain["fact_spans"]:
        if span["followed_as"] == "contract":
            under_contract[span["unit_id"]].append((span["starts_on"], span["ends_on"]))
    found: dict[str, Row] = {}
    for row in plain["fact_findings"]:
        opened = row["opened_on"]
        asked = opened >= start and (
            not session.choices["contract_only"]
            or any(first <= opened <= last for first, last in under_contract[row["unit_id"]])
        )
        episode = found.setdefault(
            row["episode_id"],
            {
                "unit_id": row["unit_id"], "opened_on": opened, "called": row["kind"] == "call_out",
                "asked": asked, "named": set(), **{flag: set() for flag in FLAGS},
            },
        )  # fmt: skip
        place = (row["part"], int(row["position"]))
        episode["named"].add(place)
        for flag in FLAGS:
            if row[flag]:
                episode[flag].add(place)
    return [e for e in found.values() if e["failed"] or e["replaced"]]


def _silent(part: str) -> bool:
    return part in PARTS and bool(PARTS[part].silent_modes)


def _family(session: Session) -> dict[str, str]:
    return {unit["unit_id"]: unit["family"] for unit in rows_of(session, "stg_units")}


def _counted(rows: list[Row], columns: tuple[str, ...]) -> Counter[Any]:
    def plain(value: Any) -> Any:
        return frozenset(value) if isinstance(value, set) else value

    return Counter(tuple(plain(row[column]) for column in columns) for row in rows)


def test_marks_are_the_places_of_the_findings(seen: Seen) -> None:
    session, _, episodes = seen
    marked = rows_of(session, "fact_marked_episodes")
    places = {
        p["place_number"]: (p["part"], p["position"]) for p in rows_of(session, "fact_places")
    }
    units = {u["unit_number"]: u["unit_id"] for u in rows_of(session, "fact_units")}
    for row in marked:
        row["unit_id"] = units[row["unit_number"]]
        for name in ("named", *FLAGS):
            assert len(row[name]) == len(places)
            row[name] = {places[i] for i, bit in enumerate(row[name]) if bit == "1"}
    columns = ("unit_id", "opened_on", "called", "asked", "named", *FLAGS)
    assert len(episodes) > 50
    assert any(len(episode["failed"]) > 2 for episode in episodes)
    assert _counted(marked, columns) == _counted(episodes, columns)


def test_failures_are_the_failed_findings(seen: Seen) -> None:
    session, plain, _ = seen
    places = {
        p["place_number"]: (p["part"], p["position"]) for p in rows_of(session, "fact_places")
    }
    visits = session.connection.execute("select rowid, job_id from fact_visits").fetchall()
    job = dict(visits)
    units = {u["unit_number"]: u["unit_id"] for u in rows_of(session, "fact_units")}
    fast = rows_of(session, "fact_failures")
    for row in fast:
        row["job_id"], row["unit_id"] = job[row["visit_number"]], units[row["unit_number"]]
        row["part"], row["position"] = places[row["place_number"]]
    expected = [
        row | {"maintained": row["kind"] == "maintenance"}
        for row in plain["fact_findings"]
        if row["failed"]
    ]
    columns = (
        "job_id", "unit_id", "part", "position", "visited_on", "opened_on", "maintained",
        "replaced",
    )  # fmt: skip
    assert {row["finding"] for row in expected} == {"failed", "worn"}
    assert {row["action"] for row in expected} >= {"reset", "cleaned", "kept", "replaced"}
    assert _counted(fast, columns) == _counted(expected, columns)


def test_silences_are_counted_as_in_the_findings(seen: Seen) -> None:
    session, plain, _ = seen
    expected = {}
    for part in {row["part"] for row in plain["fact_findings"]}:
        if not _silent(part):
            continue
        rows = [row for row in plain["fact_findings"] if row["part"] == part]
        failed = [row for row in rows if row["failed"]]
        silent = [row for row in failed if row["silent"]]
        expected[part] = (
            len({row["episode_id"] for row in failed}),
            len({row["episode_id"] for row in silent}),
            len(failed),
            len(silent),
            sum(row["passed_hot"] for row in rows),
            sum(row["passed_cold"] and not row["passed_hot"] for row in rows),
        )
    names = (
        "failures", "silent_failures", "failed_findings", "silent_findings", "passed_hot",
        "passed_cold_only",
    )  # fmt: skip
    fast = {
        row["part"]: tuple(row[name] for name in names) for row in rows_of(session, "fact_silences")
    }
    assert expected
    assert min(min(counts) for counts in expected.values()) > 0
    assert fast == expected


def _parts(places: Iterable[Place]) -> set[str]:
    return {part for part, _ in places}


def _calls(session: Session, episodes: list[Row]) -> dict[str, list[Row]]:
    """Call-outs that are asked about, by family, with parts for places."""
    family, found = _family(session), defaultdict(list)
    for episode in episodes:
        if episode["called"] and episode["asked"]:
            parts = {name: _parts(episode[name]) for name in ("named", *FLAGS)}
            found[family[episode["unit_id"]]].append(episode | parts)
    return found


def test_replaced_together(seen: Seen) -> None:
    session, _, episodes = seen
    expected = set()
    for family, calls in _calls(session, episodes).items():
        parts = sorted(set().union(*(e["failed"] | e["replaced"] for e in calls)))
        for one, other in permutations(parts, 2):
            both = [e for e in calls if {one, other} <= e["replaced"]]
            expected.add((
                family, one, other, len(calls), sum(one in e["replaced"] for e in calls),
                sum(other in e["replaced"] for e in calls), len(both),
                sum({one, other} <= e["failed"] for e in calls), len({e["unit_id"] for e in both}),
            ))  # fmt: skip
    fast = session.run("pairs_together")
    assert len(expected) > 20
    columns = [
        "family", "first", "second", "episodes_total", "episodes_first", "episodes_second",
        "episodes_both", "both_failed", "unit_count",
    ]  # fmt: skip
    assert set(fast[columns].itertuples(index=False, name=None)) == expected
    assert len(fast) == len(expected)


def test_failed_together(seen: Seen) -> None:
    session, _, episodes = seen
    expected = set()
    for family, calls in _calls(session, episodes).items():
        parts = sorted(set().union(*(e["failed"] | e["replaced"] for e in calls)))

        def looked(episode: Row, part: str) -> bool:
            return not _silent(part) or part in episode["tested_hot"]

        for one, other in permutations(parts, 2):
            seen_both = [e for e in calls if looked(e, one) and looked(e, other)]
            first = [e for e in calls if one in e["failed"]]
            alone = [e for e in first if other not in e["failed"]]
            untold = [e for e in alone if other not in e["passed_hot"]]
            cold = sum(other in e["passed_cold"] for e in untold)
            expected.add((
                family, one, other, len(seen_both), sum(one in e["failed"] for e in seen_both),
                sum(other in e["failed"] for e in seen_both),
                sum({one, other} <= e["failed"] for e in seen_both), len(first),
                len({e["unit_id"] for e in first}), len(first) - len(alone),
                len(alone) - len(untold), cold,
                len(untold) if _silent(other)
                else sum(other in e["named"] and other not in e["passed_cold"] for e in untold),
            ))  # fmt: skip
    fast = session.run("pairs_failed")
    columns = [
        "family", "first", "second", "looked", "looked_first", "looked_second", "looked_both",
        "first_failed", "unit_count", "both_failed", "partner_passed_hot", "partner_passed_cold",
        "partner_open",
    ]  # fmt: skip
    assert len(fast) == len(expected) > 20
    assert set(fast[columns].itertuples(index=False, name=None)) == expected


@pytest.mark.parametrize("part", ["coil", "belt", "lamp"])
def test_recurrence(seen: Seen, part: str) -> None:
    session, plain, _ = seen
    units = {unit["unit_id"]: unit for unit in rows_of(session, "stg_units")}
    have = {socket["unit_id"] for socket in plain["fact_sockets"] if socket["part"] == part}
    expected: Counter[Any] = Counter()
    for span in plain["fact_spans"]:
        installed = units[span["unit_id"]]["installed_on"]
        if installed is None or span["followed_as"] != "contract" or span["unit_id"] not in have:
            continue
        events = [
            (row["visited_on"] - installed).days
            for row in plain["fact_findings"]
            if row["unit_id"] == span["unit_id"] and row["part"] == part and row["failed"]
            and span["starts_on"] <= row["visited_on"] <= span["ends_on"]
        ]  # fmt: skip
        ages = [(span[end] - installed).days for end in ("starts_on", "ends_on")]
        for event in events or [None]:
            expected[(span["unit_id"], span["span"], *ages, event)] += 1
    frame = session.run("lives_recurrence", part=part)
    columns = ["unit_id", "span", "entry_days", "exit_days", "event_days"]
    rows = frame[columns].astype(object).where(frame[columns].notna(), None)
    fast = Counter(rows.itertuples(index=False, name=None))
    assert session.choices["families"] or sum(row[-1] is not None for row in expected) > 5
    assert fast == expected


@pytest.mark.parametrize("part", ["coil", "thermostat", "belt"])
def test_looks_between_which_a_failure_lies(seen: Seen, part: str) -> None:
    session, plain, _ = seen
    looks = [
        row for row in plain["fact_findings"]
        if row["part"] == part and (row["failed"] or row["finding"] in ("working", "worn"))
    ]  # fmt: skip
    found = {
        (row["unit_id"], int(row["position"]), row["opened_on"])
        for row in looks
        if row["failed"] and row["kind"] == "maintenance"
    }
    expected: Counter[Any] = Counter()
    for life in plain["fact_lives"]:
        entry, end = life["entry_days"], life["exit_days"]
        if life["part"] != part or life["birth"] == "unknown" or (end <= entry and end != 0):
            continue
        where = (life["unit_id"], int(life["position"]))
        last = end
        if life["ending"] == "failed" and (*where, life["exits_on"]) in found:
            days = [
                row["visited_on"]
                for row in looks
                if not row["failed"] and (row["unit_id"], int(row["position"])) == where
                and life["enters_on"] < row["visited_on"] < life["exits_on"]
            ]  # fmt: skip
            last = (max(days) - life["born_on"]).days if days else entry
        expected[(entry, last, end if life["ending"] == "failed" else None)] += 1
    frame = session.run(
        "lives_looked", part=part, births=["known", "assumed"], followed=["contract", "call_out"]
    )
    rows = frame.astype(object).where(frame.notna(), None)
    fast = {tuple(row[:3]): row[3] for row in rows.itertuples(index=False, name=None)}
    moved = any(last != end for _, last, end in expected if end is not None)
    assert moved or session.choices["families"]
    assert fast == dict(expected)


def test_lives_that_a_rule_moved(seen: Seen) -> None:
    session, plain, _ = seen
    late = {
        (row["unit_id"], row["part"], int(row["position"]), row["opened_on"])
        for row in plain["fact_findings"]
        if row["failed"] and row["replaced"] and row["visited_on"] > row["opened_on"]
    }
    enrolled = {u["unit_id"] for u in rows_of(session, "stg_units") if u["enrolled_on"]}
    expected: Counter[Any] = Counter()
    for life in plain["fact_lives"]:
        where = (life["unit_id"], life["part"], int(life["position"]), life["exits_on"])
        if life["ending"] in ("failed", "tripped") and where in late:
            expected[(life["part"], "failure_dated_to_first_visit")] += 1
        if life["followed_as"] == "call_out" and life["unit_id"] in enrolled:
            expected[(life["part"], "enrolled_because_of_a_call")] += 1
    rows = session.run("lives_moved").itertuples(index=False, name=None)
    assert session.choices["families"] or session.choices["contract_only"] or len(expected) > 5
    assert {tuple(row[:2]): row[2] for row in rows} == dict(expected)


@pytest.mark.parametrize("part", ["coil", "belt"])
def test_prices_paid(seen: Seen, part: str) -> None:
    session, plain, _ = seen
    paid: dict[str, list[float]] = defaultdict(list)
    for row in plain["fact_findings"]:
        if row["part"] == part and row["item_id"] is not None and row["cost"] is not None:
            paid[row["item_id"]].append(float(row["cost"]))
    rows = session.run("lives_prices", part=part)
    columns = ["item_id", "paid_total", "paid_lines"]
    fast = {row[0]: row[1:] for row in rows[columns].itertuples(index=False, name=None)}
    assert fast == {item: (sum(costs), len(costs)) for item, costs in paid.items()}
    assert session.choices["families"] or sorted(paid) == ["x-1", "x-2"]
