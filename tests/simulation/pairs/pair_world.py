"""Companies with a cutout, a thermostat that may stick closed unseen, and other parts.

All units at once, as arrays: a round takes every unit to its next visit. Days are whole, as in
records. Without a link the thermostat does nothing to the cutout (multiplier 1); what stays is
what misleads: technicians pair by habit and by the thermostat's age, look hot or cold by habit,
and units may differ (frailty).
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from failstats.counts.row_pass import HiddenRows

YEAR = 365.25
FIRST_DAY = dt.date(2015, 1, 1)
FAMILIES = ("E1", "E2", "E3")
OTHERS = ("belt", "coil", "door_switch", "fuse", "roller")
HEAT = (False, True, False, False, False)  # of the others: calls on which the thermostat is tested
CUTOUT, VISIBLE, MAINTENANCE, END = len(OTHERS), len(OTHERS) + 1, len(OTHERS) + 2, -1
UNTESTED, COLD, HOT, FOUND, LOUD = range(5)  # how the thermostat was left on a visit
TECHNICIANS = 12
USE_STREAM, MEAN_LOADS, LOG_SD_LOADS = 7, 6.0, 0.5


@dataclass(frozen=True)
class PairTruth:
    """What a company is told; durations in years, lives are Weibull (shape, scale)."""

    units: int = 3000
    span: float = 8.0  # units come in evenly over so many years and stay to the end
    own: tuple[float, float] = (1.3, 16.0)  # cutout, while the thermostat is good
    hidden: tuple[float, float] = (1.6, 17.0)  # thermostat until it sticks closed, unseen
    visible: float = 60.0  # mean until it fails so that somebody calls; never wears out
    multiplier: float = 1.0
    others: tuple[tuple[float, float], ...] = (
        (2.2, 17.0), (1.8, 13.0), (1.4, 19.0), (1.1, 45.0), (2.0, 20.0),
    )  # fmt: skip
    frailty: float = 0.0  # variance of a gamma frailty on every hazard of a unit
    by_use: float = 0.0  # log hazard ratio of all parts per standard deviation of log use, recorded
    maintenance: float = 0.3  # visits a year
    hot_habit: tuple[float, float] = (0.15, 0.65)  # a technician's share of hot tests on heat calls
    hot_at_maintenance: float = 0.25
    pair_habit: tuple[float, float] = (0.15, 0.75)  # and of pairing with a thermostat of 4 years
    pair_by_age: float = 0.25  # log odds of pairing per year of the thermostat's age
    hot_sensitivity: float = 0.95


@dataclass(frozen=True, slots=True)
class PairCompany:
    """One company: every visit in order of unit and day (`visits`), and each unit's last day."""

    truth: PairTruth
    visits: pd.DataFrame
    ends: np.ndarray
    family: np.ndarray
    use: np.ndarray


def _age_at(law: tuple[float, float], weak: np.ndarray, spent: np.ndarray) -> np.ndarray:
    """Age at which a cumulative hazard is spent, in units of this frailty; days."""
    return law[1] * YEAR * (spent / weak) ** (1 / law[0])


def simulate(truth: PairTruth, seed: int) -> PairCompany:
    """One company. Deterministic in the seed."""
    rng = np.random.Generator(np.random.PCG64(seed))
    n, k, s = truth.units, truth.own[0], truth.own[1] * YEAR
    ends = np.floor(truth.span * YEAR * rng.random(n)).astype(np.int64) + 1
    family = rng.integers(0, len(FAMILIES), n)
    weak = rng.gamma(1 / truth.frailty, truth.frailty, n) if truth.frailty else np.ones(n)
    use = np.random.Generator(np.random.PCG64([seed, USE_STREAM])).normal(size=n)
    weak = weak * np.exp(truth.by_use * use)
    low, high = truth.hot_habit
    hot_habit = low + (high - low) * rng.random(TECHNICIANS)
    low, high = truth.pair_habit
    pair_habit = low + (high - low) * rng.random(TECHNICIANS)

    def fresh(size: int) -> np.ndarray:
        return -np.log1p(-rng.random(size))

    live = np.arange(n)
    now, a_born, b_born = np.zeros(n), np.zeros(n), np.zeros(n)
    stuck = _age_at(truth.hidden, weak, fresh(n))
    loud = truth.visible * YEAR * fresh(n) / weak
    spend = fresh(n) / weak  # hazard of the cutout left to spend, in units of the plain law
    other = np.column_stack([_age_at(law, weak, fresh(n)) for law in truth.others])
    rows: list[np.ndarray] = []
    while live.size:
        m = live.size
        age, turn = now - a_born, np.maximum(stuck - a_born, now - a_born)
        good = (turn / s) ** k - (age / s) ** k
        fails = np.where(
            spend <= good,
            ((age / s) ** k + np.minimum(spend, good)) ** (1 / k),
            ((turn / s) ** k + np.maximum(spend - good, 0) / truth.multiplier) ** (1 / k),
        )
        fails = a_born + s * fails
        seen = np.where(loud < stuck, loud, np.inf)  # a stuck one fails no more
        call = now + YEAR / truth.maintenance * fresh(m)
        times = np.column_stack([other, fails, seen, call])
        cause = times.argmin(axis=1)
        day = np.maximum(np.ceil(times[np.arange(m), cause]), now + 1)
        over = day > ends[live]
        cause = np.where(over, END, cause)
        day = np.where(over, ends[live], day)
        reached = np.maximum(day - a_born, age)
        spend = spend - ((reached / s) ** k - (age / s) ** k)
        bad = np.maximum((np.maximum(reached, turn) / s) ** k - (turn / s) ** k, 0.0)
        spend = np.maximum(spend - (truth.multiplier - 1) * bad, 0.0)
        technician = rng.integers(0, TECHNICIANS, m)
        heat = np.isin(cause, [CUTOUT, *np.flatnonzero(HEAT)])
        chance = np.where(heat, hot_habit[technician], 0.0)
        chance = np.where(cause == MAINTENANCE, truth.hot_at_maintenance, chance)
        hot = rng.random(m) < chance
        finds = hot & (stuck <= day) & (rng.random(m) < truth.hot_sensitivity)
        cold = heat & ~hot & (rng.random(m) < 0.5)
        look = np.select([cause == VISIBLE, finds, hot, cold], [LOUD, FOUND, HOT, COLD], UNTESTED)
        b_age = day - b_born
        odds = np.log(pair_habit[technician] / (1 - pair_habit[technician]))
        odds = odds + truth.pair_by_age * (b_age / YEAR - 4)
        propensity = 1 / (1 + np.exp(-odds))
        paired = (cause == CUTOUT) & ~finds & (rng.random(m) < propensity)
        new_b = finds | (cause == VISIBLE) | paired
        rows.append(np.column_stack([
            live, day, cause, look, technician, paired, now, day - a_born, b_age, propensity,
        ]))  # fmt: skip
        new_a = cause == CUTOUT
        spend = np.where(new_a, fresh(m) / weak, spend)
        a_born, b_born = np.where(new_a, day, a_born), np.where(new_b, day, b_born)
        stuck = np.where(new_b, day + _age_at(truth.hidden, weak, fresh(m)), stuck)
        loud = np.where(new_b, day + truth.visible * YEAR * fresh(m) / weak, loud)
        for j, law in enumerate(truth.others):
            mine = cause == j
            other[mine, j] = day[mine] + _age_at(law, weak[mine], fresh(int(mine.sum())))
        keep = ~over
        live, now, weak, spend = live[keep], day[keep], weak[keep], spend[keep]
        a_born, b_born, stuck, loud = a_born[keep], b_born[keep], stuck[keep], loud[keep]
        other = other[keep]
    names = ["unit", "day", "cause", "look", "technician", "paired", "since", "a_age", "b_age",
             "propensity"]  # fmt: skip
    visits = pd.DataFrame(np.concatenate(rows), columns=names)
    whole = [name for name in names if name != "propensity"]
    visits = visits.astype(dict.fromkeys(whole, np.int64)).sort_values(
        ["unit", "day"], kind="stable"
    )
    return PairCompany(
        truth=truth, visits=visits.reset_index(drop=True), ends=ends, family=family, use=use
    )


# --- the tables the estimators take -----------------------------------------------------------


def index_jobs(company: PairCompany) -> pd.DataFrame:
    """What `pairs_index` gives for (cutout, thermostat), with `event` as `pairs` codes it."""
    visits = company.visits
    is_event = (visits["cause"] == CUTOUT) | (visits["cause"] == VISIBLE)
    stops = is_event | (visits["look"] == FOUND)
    unit, day = visits["unit"].to_numpy(), visits["day"].to_numpy()
    at = np.flatnonzero(stops)
    place = np.searchsorted(at, np.arange(len(visits)), side="right")
    following = np.where(place < at.size, at[np.minimum(place, at.size - 1)], 0)
    same = (place < at.size) & (unit[following] == unit)
    end = company.ends[unit]
    event = np.where(same, np.where(is_event.to_numpy()[following], 1, 2), 0)
    jobs = pd.DataFrame(
        {
            "unit_id": [f"u{u:05d}" for u in unit],
            "cluster_id": unit,
            "technician_id": [f"t{t:02d}" for t in visits["technician"]],
            "van_id": None,
            "family": np.array(FAMILIES)[company.family[unit]],
            "first_tripped": False,
            "both_replaced": visits["paired"].to_numpy(bool),
            "partner_passed_hot": visits["look"].to_numpy() == HOT,
            "partner_passed_cold": visits["look"].to_numpy() == COLD,
            "unit_age_days": day,
            "partner_age_days": np.where(visits["paired"], 0, visits["b_age"]),
            "partner_was_days": visits["b_age"].to_numpy(),
            "vent_state": np.where(day < 2 * 365, "unknown", "over_24"),  # nobody cleans a vent
            "followed_days": np.where(same, day[following], end) - day,
            "event": event,
            "propensity": visits["propensity"].to_numpy(),
        }
    )
    jobs = jobs[((visits["cause"] == CUTOUT) & (visits["look"] != FOUND)).to_numpy()]
    jobs = jobs.assign(failed=jobs["event"] == 1, replaced_otherwise=jobs["event"] == 2)
    return jobs[jobs["followed_days"] > 0].reset_index(drop=True)


def failed_counts(company: PairCompany) -> pd.DataFrame:
    """What `pairs_failed` gives, of the columns the failed-together test needs."""
    visits = company.visits
    call = (visits["cause"] != END) & (visits["cause"] != MAINTENANCE)
    visits = visits[call]
    cause = visits["cause"].to_numpy()
    fam = company.family[visits["unit"].to_numpy()]
    failed = {part: cause == j for j, part in enumerate(OTHERS)}
    failed["cutout"] = cause == CUTOUT
    look = visits["look"].to_numpy()
    failed["thermostat"] = (look == FOUND) | (look == LOUD)
    tested = (look == HOT) | (look == FOUND)
    rows = []
    for first in failed:
        for second in failed:
            if first == second:
                continue
            base = tested if "thermostat" in (first, second) else np.ones(len(cause), bool)
            for f, name in enumerate(FAMILIES):
                mine = base & (fam == f)
                one, two = failed[first] & mine, failed[second] & mine
                rows.append(
                    (name, first, second, mine.sum(), one.sum(), two.sum(), (one & two).sum())
                )
    columns = ["family", "first", "second", "looked", "looked_first", "looked_second",
               "looked_both"]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def hidden_stretches(company: PairCompany) -> HiddenRows:
    """What `hidden_rows` gives for (cutout, thermostat), units watched from installation."""
    visits = company.visits
    look, cause = visits["look"].to_numpy(), visits["cause"].to_numpy()
    cut = (cause == CUTOUT) | (look != UNTESTED) | (cause == END)
    visits, look, cause = visits[cut], look[cut], cause[cut]
    unit, day = visits["unit"].to_numpy(), visits["day"].to_numpy()
    first = np.concatenate([[True], unit[1:] != unit[:-1]])
    length = day - np.where(first, 0, np.concatenate([[0], day[:-1]]))
    replaced = visits["paired"].to_numpy(bool) | (look == FOUND) | (look == LOUD)
    begins = first | np.concatenate([[False], replaced[:-1]])
    kept = length > 0  # a unit may end on the day of its last visit
    begins = np.add.accumulate(begins)[kept]  # life number, before gaps are closed
    _, life = np.unique(begins, return_inverse=True)
    b_to, a_to = visits["b_age"].to_numpy()[kept], visits["a_age"].to_numpy()[kept]
    length, look, cause, unit = length[kept], look[kept], cause[kept], unit[kept]
    heat = np.isin(cause, [CUTOUT, *np.flatnonzero(HEAT)])
    places = np.concatenate([[0], np.flatnonzero(np.diff(life)) + 1])
    return HiddenRows(
        life=life,
        b_from=b_to - length,
        b_to=b_to,
        a_from=a_to - length,
        a_failed=cause == CUTOUT,
        hot_passed=look == HOT,
        cold_passed=look == COLD,
        found=look == FOUND,
        visible=look == LOUD,
        untested=heat & (look == UNTESTED),
        unit=unit[places],
        weight=np.ones(places.size),
        covariates=company.use[unit][:, None] if company.truth.by_use else None,
    )


# --- the same company as records ---------------------------------------------------------------


def write_records(company: PairCompany, folder: Path) -> None:
    """Units, jobs and lines as a company would hand them over."""
    folder.mkdir(parents=True, exist_ok=True)
    last = FIRST_DAY + dt.timedelta(days=int(company.ends.max()))
    start = np.array([(last - dt.timedelta(days=int(end))) for end in company.ends])
    name = [f"u{u:05d}" for u in range(len(company.ends))]
    pd.DataFrame(
        {
            "unit_id": name,
            "family": np.array(FAMILIES)[company.family],
            "installed_on": start,
            "enrolled_on": start,
            "loads_per_week": np.round(MEAN_LOADS * np.exp(LOG_SD_LOADS * company.use), 1),
        }
    ).to_csv(folder / "units.csv", index=False)
    jobs, lines = [], []
    for number, row in enumerate(company.visits[company.visits["cause"] != END].itertuples()):
        job = f"j{number:06d}"
        heat = row.cause == CUTOUT or (row.cause < len(OTHERS) and HEAT[row.cause])
        kind = "maintenance" if row.cause == MAINTENANCE else "call_out"
        on = start[row.unit] + dt.timedelta(days=int(row.day))
        jobs.append((job, name[row.unit], on, kind, "no_heat" if heat else "other",
                     f"t{row.technician:02d}"))  # fmt: skip
        if row.cause < len(OTHERS):
            lines.append((job, OTHERS[row.cause], "failed", "broken", "visual", "replaced"))
        elif row.cause == CUTOUT:
            mode = "open_circuit"
            lines.append((job, "cutout", "failed", mode, "cold_continuity", "replaced"))
        if row.look in (FOUND, LOUD):
            mode, test = ("stuck_closed", "hot_cycle") if row.look == FOUND else (
                "stuck_open", "cold_continuity")  # fmt: skip
            lines.append((job, "thermostat", "failed", mode, test, "replaced"))
        elif row.look in (HOT, COLD) or heat:
            test = {HOT: "hot_cycle", COLD: "cold_continuity"}.get(row.look, "none")
            finding = "untested" if row.look == UNTESTED else "working"
            done = "replaced" if row.paired else "kept"
            lines.append((job, "thermostat", finding, "", test, done))
    pd.DataFrame(
        jobs, columns=["job_id", "unit_id", "visited_on", "kind", "complaint", "technician_id"]
    ).to_csv(folder / "jobs.csv", index=False)
    pd.DataFrame(lines, columns=["job_id", "part", "finding", "mode", "test", "action"]).to_csv(
        folder / "lines.csv", index=False
    )
    (folder / "map.toml").write_text(
        f"records_from = {FIRST_DAY.isoformat()}\nrecords_to = {last.isoformat()}\n"
        'currency = "USD"\n'
    )


def replace_units(truth: PairTruth, units: int) -> PairTruth:
    """The same company with another number of units."""
    return replace(truth, units=units)
