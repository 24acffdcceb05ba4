"""The demo company, simulated day by day from `truth.toml`.

One generator serves the demo and the simulation tests. Every unit lives from its installation;
parts fail, are repaired and paired by the habits of technicians; and only what a real company
would have seen is written down. Random numbers are uniform draws of a seeded PCG64, turned into
other laws here, so that the same seed gives the same company everywhere.

Command line: ``python demo_warehouse/generator.py FOLDER`` writes the committed tables;
``python demo_warehouse/generator.py --derive`` writes `derived.toml`: what follows from the told
values by brute force (a population in which everything is seen).
"""

from __future__ import annotations

import argparse
import datetime as dt
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

__all__ = ["Company", "derive", "read_truth", "simulate", "write_tables"]

HERE = Path(__file__).resolve().parent
DAYS = 365.25
YEAR = 365  # band edges of the neglect clock are whole days: 365 and 730
SLOTS = (
    "heat",
    "cutout",
    "stuck",
    "visible",
    "fuse",
    "door_switch",
    "belt",
    "slow_dry",
)
HEAT, CUTOUT, STUCK, VISIBLE, FUSE, DOOR, BELT, SLOW = range(8)
FAILED_PART = {
    CUTOUT: "cutout",
    VISIBLE: "thermostat",
    FUSE: "fuse",
    DOOR: "door_switch",
    BELT: "belt",
}
COMPLAINTS = {  # what the customer says, and how often
    "coil": (("no_heat", 0.95), ("slow_dry", 0.05)),
    "igniter": (("no_heat", 1.0),),
    "cutout": (("no_heat", 0.97), ("overheats", 0.03)),
    "thermostat": (("no_heat", 0.7), ("slow_dry", 0.3)),
    "fuse": (("dead", 0.8), ("no_heat", 0.2)),
    "door_switch": (("dead", 1.0),),
    "belt": (("noisy", 0.6), ("other", 0.4)),
}
BREAK_SITES = ("terminal", "first_turn", "middle", "last_turn", "support")
BREAK_SHARES = (0.34, 0.22, 0.14, 0.16, 0.14)


@dataclass(frozen=True, slots=True, kw_only=True)
class Company:
    """One simulated company.

    Attributes
    ----------
    tables : the records as a real company would hold them (contract columns, ISO dates).
    log : every true event, seen or not: unit, day, part, mode, replaced, seen.
    roster : every unit, seen or not, with what it was given.
    """

    tables: dict[str, pd.DataFrame]
    log: pd.DataFrame
    roster: pd.DataFrame


def read_truth(path: Path | None = None) -> dict[str, Any]:
    """What the generator is told: `truth.toml` beside this file, or another one."""
    return tomllib.loads((path or HERE / "truth.toml").read_text("utf-8"))


@dataclass(slots=True)
class _Records:
    """Rows as they are written down."""

    jobs: list[dict[str, Any]] = field(default_factory=list)
    lines: list[dict[str, Any]] = field(default_factory=list)
    cleanings: list[dict[str, Any]] = field(default_factory=list)
    log: list[tuple[Any, ...]] = field(default_factory=list)


class _World:
    """All units and their hidden state; `run` lets the days pass."""

    def __init__(self, truth: dict[str, Any], seed: int, scale: float, seen: str) -> None:
        self.truth = truth
        self.rng = np.random.Generator(np.random.PCG64(seed))
        self.seen = seen
        company = truth["company"]
        self.first = dt.date.fromisoformat(company["records_from"])
        self.last_day = (dt.date.fromisoformat(company["records_to"]) - self.first).days
        self.records = _Records()
        self._roster(scale)
        self._hazards()

    # --- draws ---------------------------------------------------------------------------

    def chance(self, share: float) -> bool:
        return bool(self.rng.random() < share)

    def pick(self, options: tuple[tuple[str, float], ...]) -> str:
        draw, total = self.rng.random(), 0.0
        for word, share in options:
            total += share
            if draw < total:
                return word
        return options[-1][0]

    def weibull(self, life: dict[str, float], size: int) -> np.ndarray:
        """Days, shape (size,)."""
        draw = -np.log1p(-self.rng.random(size))
        return life["scale"] * DAYS * draw ** (1.0 / life["shape"])

    # --- who there is --------------------------------------------------------------------

    def _roster(self, scale: float) -> None:
        truth, rng = self.truth, self.rng
        roster = truth["roster"]
        sizes = [
            int(round(roster[k] * scale))
            for k in ("contract_new", "contract_late", "call_out_potential")
        ]
        if self.seen == "everything":  # the population in which nothing is hidden
            sizes = [sum(sizes), 0, 0]
        n = sum(sizes)
        self.n = n
        kind = np.repeat(["new", "late", "call_out"], sizes)
        families = list(truth["families"])
        shares = np.cumsum([truth["families"][f]["share"] for f in families])
        which = np.minimum(np.searchsorted(shares, rng.random(n) * shares[-1]), len(families) - 1)
        self.family = np.array(families)[which]
        self.gas = np.array([truth["families"][f]["fuel"] == "gas" for f in families])[which]
        self.coil_scale = np.array([truth["families"][f]["coil"] for f in families])[which]
        use = truth["use"]
        self.loads = np.round(
            use["mean_loads"]
            * np.exp(use["log_sd"] * ndtri(rng.random(n)) - use["log_sd"] ** 2 / 2),
            1,
        ).clip(0.5)
        self.loads_known = rng.random(n) < use["recorded"]
        k = truth["frailty"]["shape"]
        self.frailty = -np.log1p(-rng.random((k, n))).sum(axis=0) / k
        span = self.last_day
        joined = np.floor(rng.random(n) * (span - 30)).astype(np.int64)
        age = np.floor(rng.random(n) * roster["oldest_at_joining"] * DAYS).astype(np.int64)
        installed = np.where(kind == "new", joined, joined - age)
        # a call-out household has its dryer from any day of the records or the years before
        back = int(roster["oldest_at_joining"] * DAYS)
        anywhere = np.floor(rng.random(n) * (span + back)).astype(np.int64) - back
        self.installed = np.where(kind == "call_out", anywhere, installed)
        if self.seen == "everything":
            self.installed = np.zeros(n, dtype=np.int64)
            joined = self.installed.copy()
        self.enrolled = np.where(kind == "call_out", np.iinfo(np.int64).max, joined)
        self.call_out = kind == "call_out"
        leaving = truth["leaving"]
        self.retired = self.installed + np.ceil(self.weibull(leaving["retired"], n)).astype(
            np.int64
        )
        ends = joined + np.ceil(-np.log1p(-rng.random(n)) * leaving["contract_mean"] * DAYS).astype(
            np.int64
        )
        lost = self.installed + np.ceil(self.weibull(leaving["call_out_lost"], n)).astype(np.int64)
        self.gone = np.where(self.call_out, lost, ends)
        if self.seen == "everything":
            self.retired[:] = self.gone[:] = np.iinfo(np.int64).max
        late = kind == "late"  # a unit that was scrapped before its day of joining never joined
        self.never = late & (self.retired <= self.enrolled)
        self.reported_end = np.full(n, -1, dtype=np.int64)
        vans = truth["company"]["vans"]
        self.van = np.floor(rng.random(n) * len(vans)).astype(np.int64)
        per_van = truth["company"]["technicians_per_van"]
        low, high = truth["tests"]["hot_habit"]
        self.hot_habit = low + (high - low) * rng.random((len(vans), per_van))
        low, high = truth["tests"]["pair_habit"]
        self.pair_habit = low + (high - low) * rng.random((len(vans), per_van))
        cleaning = truth["cleaning"]
        self.interval = (
            cleaning["median_interval"]
            * DAYS
            * np.exp(cleaning["log_sd"] * ndtri(rng.random(n)))
            * (self.loads / 6.0) ** cleaning["use"]
        )
        self.vent_new = rng.random(n) < cleaning["vent_new"]
        before = np.floor(rng.random(n) * cleaning["clock_at_start"] * DAYS).astype(np.int64)
        self.cleaned = np.where(self.vent_new, self.installed, self.installed - before)
        self.duct_ft = np.round(6 + 30 * rng.random(n), 0)
        self.elbows = np.floor(rng.random(n) * 4).astype(np.int64)
        in_building = (rng.random(n) < roster["in_buildings"]) & ~self.call_out
        number = np.cumsum(in_building) // roster["units_per_building"]
        self.building = np.where(in_building, number, -1)
        self.shown = np.zeros(n, dtype=bool)  # a call-out unit that has called
        self.unclaimed: list[list[int]] = [[] for _ in range(n)]  # owner cleanings not yet told

    def _hazards(self) -> None:
        """Daily increments of cumulative hazard by age, and what multiplies them per unit."""
        lives = self.truth["lives"]
        start = int(self.installed.min())
        oldest = self.last_day - start + 2
        age = np.arange(oldest + 1, dtype=float)

        def increments(life: dict[str, float]) -> np.ndarray:
            return np.diff((age / (life["scale"] * DAYS)) ** life["shape"])

        use = self.loads / 6.0
        kinds = {
            CUTOUT: lives["cutout"],
            STUCK: lives["thermostat_stuck_closed"],
            VISIBLE: lives["thermostat_visible"],
            FUSE: lives["fuse"],
            DOOR: lives["door_switch"],
            BELT: lives["belt"],
        }
        self.table: dict[int, np.ndarray] = {slot: increments(life) for slot, life in kinds.items()}
        self.table[HEAT] = np.concatenate([increments(lives["coil"]), increments(lives["igniter"])])
        self.heat_offset = np.where(self.gas, oldest, 0)
        self.factor = np.empty((len(SLOTS), self.n))
        for slot, life in kinds.items():
            self.factor[slot] = use ** life["use"] * self.frailty
        self.factor[DOOR] = use ** lives["door_switch"]["use"]
        coil, igniter = lives["coil"], lives["igniter"]
        self.factor[HEAT] = self.frailty * np.where(
            self.gas, use ** igniter["use"], use ** coil["use"] * self.coil_scale ** -coil["shape"]
        )
        self.factor[SLOW] = 1.0
        neglect = self.truth["neglect"]

        def ratios(name: str) -> np.ndarray:
            return np.array(
                [1.0, neglect[name]["months_12_to_24"], neglect[name]["over_24_months"]]
            )

        self.coil_ratio, self.igniter_ratio, self.cutout_ratio = map(
            ratios, ("coil", "igniter", "cutout")
        )
        self.slow_rate = np.array(list(neglect["slow_dry_calls_per_year"].values())) / DAYS
        self.born = np.tile(self.installed, (len(SLOTS), 1))
        self.left = -np.log1p(-self.rng.random((len(SLOTS), self.n)))  # hazard left to spend
        self.stuck = np.zeros(self.n, dtype=bool)

    # --- the days ------------------------------------------------------------------------

    def run(self) -> None:
        start = int(self.installed.min())
        due: dict[int, list[int]] = {}
        for u in range(self.n):
            due.setdefault(int(self.installed[u]) + self._next_interval(u), []).append(u)
        arriving: dict[int, list[int]] = {}
        leaving: dict[int, list[int]] = {}
        for u in range(self.n):
            arriving.setdefault(int(self.installed[u]), []).append(u)
            leaving.setdefault(int(min(self.retired[u], self.last_day + 1)), []).append(u)
        self.active = np.zeros(self.n, dtype=bool)
        multiplier = self.truth["pair"]["multiplier"]
        for day in range(start, self.last_day + 1):
            here = self.active
            index = np.flatnonzero(here)
            if index.size:
                neglected = day - self.cleaned[index]
                band = (neglected >= YEAR).astype(np.int64) + (neglected >= 2 * YEAR)
                for slot in range(len(SLOTS)):
                    if slot == SLOW:
                        spent = self.slow_rate[band]
                    else:
                        age = day - 1 - self.born[slot, index]
                        waiting = age < 0  # a part that a second visit will fit some days ahead
                        age = np.maximum(age, 0)
                        if slot == HEAT:
                            ratio = np.where(
                                self.gas[index], self.igniter_ratio[band], self.coil_ratio[band]
                            )
                            spent = self.table[slot][self.heat_offset[index] + age] * ratio
                        else:
                            spent = self.table[slot][age]
                        spent = np.where(waiting, 0.0, spent * self.factor[slot, index])
                        if slot == CUTOUT:
                            spent = spent * self.cutout_ratio[band]
                            spent = np.where(self.stuck[index], spent * multiplier, spent)
                    self.left[slot, index] -= spent
                    over = index[self.left[slot, index] <= 0.0]
                    for u in over:
                        self._event(int(u), day, slot)
            for u in due.pop(day, []):
                if self.active[u]:
                    self._clean_visit(u, day)
                if not self.never[u]:
                    due.setdefault(day + self._next_interval(u), []).append(u)
            for u in leaving.pop(day, []):
                self._retire(u, day)
            for u in arriving.pop(day, []):
                self.active[u] = self.retired[u] > day

    def _next_interval(self, u: int) -> int:
        draw = -np.log1p(-self.rng.random(4)).sum() / 4.0
        return max(20, int(self.interval[u] * draw))

    def _observed(self, u: int, day: int) -> bool:
        if day < 0 or day > self.gone[u]:
            return False
        return bool(self.call_out[u]) or bool(self.enrolled[u] <= day and not self.never[u])

    def _last_seen(self, u: int) -> int:
        return int(min(self.last_day, self.gone[u], self.retired[u]))

    def _renew(self, u: int, day: int, slot: int) -> None:
        self.born[slot, u] = day
        self.left[slot, u] = -np.log1p(-self.rng.random())

    def _new_thermostat(self, u: int, day: int) -> None:
        self._renew(u, day, STUCK)
        self._renew(u, day, VISIBLE)
        self.stuck[u] = False

    def _retire(self, u: int, day: int) -> None:
        self.active[u] = False
        if self.call_out[u] and self.shown[u] and day <= self.gone[u] and day <= self.last_day:
            if self.chance(self.truth["leaving"]["retirement_told"]):
                self.reported_end[u] = day

    # --- what happens at a visit ---------------------------------------------------------

    def _event(self, u: int, day: int, slot: int) -> None:
        if not self.active[u]:
            return
        if slot == STUCK:
            self.stuck[u] = True
            self.left[STUCK, u] = self.left[VISIBLE, u] = np.inf
            self.records.log.append((u, day, "thermostat", "stuck_closed", False, False, False))
            return
        if slot == SLOW:
            self._renew(u, day, SLOW)
            self._slow_dry(u, day)
            return
        part = ("igniter" if self.gas[u] else "coil") if slot == HEAT else FAILED_PART[slot]
        self._failure(u, day, slot, part)

    def _job(
        self, u: int, day: int, kind: str, complaint: str, technician: int, **more: Any
    ) -> str:
        job_id = f"j{len(self.records.jobs) + 1:06d}"
        self.shown[u] = True
        self.records.jobs.append(
            {
                "job_id": job_id,
                "unit": u,
                "day": day,
                "kind": kind,
                "complaint": complaint,
                "technician": technician,
                "completed": "yes",
                "continues": "",
                "labour": f"{25 + int(40 * self.rng.random())} min",
                **more,
            }
        )
        if self.call_out[u] and self.unclaimed[u]:
            for told in self.unclaimed[u]:
                if self.chance(self.truth["cleaning"]["owner_reports"]):
                    self.records.cleanings.append(
                        {
                            "unit": u,
                            "day": told,
                            "scope": "full_run",
                            "cleaned_by": "owner",
                            "job_id": "",
                            "lint": "",
                        }
                    )
            self.unclaimed[u] = []
        return job_id

    def _line(self, job_id: str, part: str, finding: str, action: str, **more: Any) -> None:
        self.records.lines.append(
            {
                "job_id": job_id,
                "part": part,
                "finding": finding,
                "action": action,
                "mode": "",
                "test": "",
                "reading": "",
                "broke_at": "",
                **more,
            }
        )

    def _vent(self, u: int, day: int, job_id: str | None) -> None:
        self.cleaned[u] = day
        if job_id is not None:
            lint = f"{0.2 + 1.6 * self.rng.random():.1f} L"
            self.records.cleanings.append(
                {
                    "unit": u,
                    "day": day,
                    "scope": "full_run",
                    "cleaned_by": "company",
                    "job_id": job_id,
                    "lint": lint,
                }
            )

    def _closed(self) -> str:
        return f"{0.1 + 0.4 * self.rng.random():.1f} ohm"

    def _test_thermostat(self, u: int, job_id: str | None, hot: bool) -> bool:
        """Test it; True when the test shows it stuck closed. A cold test passes it."""
        tests = self.truth["tests"]
        share = tests["hot_sensitivity"] if hot else tests["cold_sensitivity"]
        found = bool(self.stuck[u]) and self.chance(share)
        if job_id is not None:
            word = "hot_cycle" if hot else "cold_continuity"
            reading = "" if hot else self._closed()
            if found:
                self._line(
                    job_id,
                    "thermostat",
                    "failed",
                    "replaced",
                    mode="stuck_closed",
                    test=word,
                    reading=reading,
                )
            else:
                self._line(job_id, "thermostat", "working", "kept", test=word, reading=reading)
        return found

    def _failure(self, u: int, day: int, slot: int, part: str) -> None:
        seen = self._observed(u, day)
        technician = int(self.rng.random() * self.truth["company"]["technicians_per_van"])
        visits = self.truth["visits"]
        complaint = self.pick(COMPLAINTS[part])
        induced = slot == CUTOUT and bool(self.stuck[u])
        mode = {
            "coil": "open_circuit",
            "igniter": "broken",
            "fuse": "open_circuit",
            "door_switch": "broken",
            "belt": "broken",
        }.get(part, "open_circuit")
        if part == "thermostat":
            mode = "stuck_open"
        if induced and self.chance(self.truth["pair"]["recorded_as_tripped"]):
            mode = "tripped"
        if part == "coil" and self.chance(0.08):
            mode = "short_to_case"
        finding = "worn" if part == "belt" and self.chance(0.4) else "failed"
        failed = {
            "mode": mode if finding == "failed" else "",
            "test": "cold_continuity" if part not in ("belt", "door_switch") else "visual",
        }
        if part in ("coil", "cutout", "fuse", "thermostat") and mode != "short_to_case":
            failed["reading"] = "OL"
        if part == "coil":
            failed["broke_at"] = self.pick(tuple(zip(BREAK_SITES, BREAK_SHARES, strict=True)))
        job_id, born = None, day
        if seen:
            job_id = self._job(u, day, "call_out", complaint, technician)
            contract = bool(self.enrolled[u] <= day)
            if not contract and self.chance(visits["declined"]):
                self._line(job_id, part, "failed", "kept", **failed)
                self.records.log.append((u, day, part, mode, False, False, True))
                if self.chance(visits["declined_then_elsewhere"]):
                    self._replace(u, day, slot, part)
                else:
                    self._retire(u, day)
                return
            if self.chance(visits["second_visit"]) and day + 12 < self._last_seen(u):
                self.records.jobs[-1]["completed"] = "no"
                self._line(job_id, part, "failed", "kept", **failed)
                first = job_id
                born = day + 2 + int(8 * self.rng.random())
                told = first if self.chance(visits["continues_recorded"]) else ""
                job_id = self._job(u, born, "call_out", complaint, technician, continues=told)
        if job_id is not None:
            self._line(job_id, part, finding, "replaced", **failed)
        self._replace(u, born, slot, part)
        paired = False
        if complaint == "no_heat" and part != "thermostat":
            paired = self._look_around(u, born, part, technician, job_id)
        self.records.log.append((u, day, part, "induced" if induced else "own", True, paired, seen))
        if self.chance(self.truth["cleaning"]["at_failure_visit"]):
            self._vent(u, born, job_id)
        if seen:
            self._afterwards(u, born, technician)

    def _look_around(
        self, u: int, day: int, part: str, technician: int, job_id: str | None
    ) -> bool:
        """Test the other heat parts; pair by habit. True when the thermostat was replaced."""
        van = int(self.van[u])
        for other in ("coil", "cutout"):
            if other == part or (other == "coil" and self.gas[u]) or not self.chance(0.8):
                continue
            if job_id is not None:
                ohm = (
                    f"{10.0 + 0.5 * float(ndtri(self.rng.random())):.1f} ohm"
                    if other == "coil"
                    else self._closed()
                )
                self._line(job_id, other, "working", "kept", test="cold_continuity", reading=ohm)
        hot = self.chance(float(self.hot_habit[van, technician]))
        pair = part == "cutout" and self.chance(float(self.pair_habit[van, technician]))
        if hot:
            if self._test_thermostat(u, job_id, hot=True):
                self._new_thermostat(u, day)
                self.records.log.append(
                    (u, day, "thermostat", "found", True, False, job_id is not None)
                )
                return True
        elif not pair and self.chance(0.75):
            self._test_thermostat(u, job_id, hot=False)
        if pair:
            if job_id is not None:
                if hot:
                    self.records.lines[-1]["action"] = "replaced"
                elif self.chance(0.5):
                    self._line(
                        job_id,
                        "thermostat",
                        "working",
                        "replaced",
                        test="cold_continuity",
                        reading=self._closed(),
                    )
                else:
                    self._line(job_id, "thermostat", "untested", "replaced", test="none")
            self._new_thermostat(u, day)
        return pair

    def _replace(self, u: int, day: int, slot: int, part: str) -> None:
        if part == "thermostat":
            self._new_thermostat(u, day)
        else:
            self._renew(u, day, slot)

    def _afterwards(self, u: int, day: int, technician: int) -> None:
        """A callback without a fault; a contract taken after the visit."""
        if self.chance(self.truth["visits"]["callback"]) and day + 25 < self._last_seen(u):
            job_id = self._job(
                u, day + 3 + int(20 * self.rng.random()), "call_out", "no_heat", technician
            )
            self._line(
                job_id, "cutout", "working", "kept", test="cold_continuity", reading=self._closed()
            )
        if self.call_out[u] and self.chance(self.truth["leaving"]["joins_after_visit"]):
            self.call_out[u] = False
            self.enrolled[u] = day + 1 + int(20 * self.rng.random())
            mean = self.truth["leaving"]["contract_mean"] * DAYS
            self.gone[u] = self.enrolled[u] + 1 + int(-np.log1p(-self.rng.random()) * mean)

    def _slow_dry(self, u: int, day: int) -> None:
        clean = self.chance(self.truth["cleaning"]["at_slow_dry_visit"])
        job_id = None
        if self._observed(u, day):
            technician = int(self.rng.random() * self.truth["company"]["technicians_per_van"])
            job_id = self._job(u, day, "call_out", "slow_dry", technician)
            if not self.gas[u]:
                ohm = f"{10.0 + 0.5 * float(ndtri(self.rng.random())):.1f} ohm"
                self._line(job_id, "coil", "working", "kept", test="cold_continuity", reading=ohm)
        if clean:
            self._vent(u, day, job_id)

    def _clean_visit(self, u: int, day: int) -> None:
        """A cleaning by contract (a maintenance visit), or by the owner, unseen."""
        job_id = None
        if self._observed(u, day) and not self.call_out[u]:
            technician = int(self.rng.random() * self.truth["company"]["technicians_per_van"])
            job_id = self._job(u, day, "maintenance", "", technician)
            if self.chance(self.truth["tests"]["hot_at_maintenance"]) and self._test_thermostat(
                u, job_id, hot=True
            ):
                self._new_thermostat(u, day)
                self.records.log.append((u, day, "thermostat", "found", True, False, True))
        elif self.call_out[u] and self._observed(u, day):
            self.unclaimed[u].append(day)
        self._vent(u, day, job_id)


# --- the records ------------------------------------------------------------------------------


def _catalogue(truth: dict[str, Any]) -> pd.DataFrame:
    """Invented items; two traps in it: a bare cutout that cannot be fitted in the field, and
    items that fit several families."""
    rows = [
        ("cutout-std", "cutout", "*", 21.0, "0.2 L", "yes"),
        ("cutout-bare", "cutout", "*", 9.5, "0.1 L", "no"),
        ("thermostat-std", "thermostat", "*", 24.0, "0.2 L", "yes"),
        ("fuse-std", "fuse", "*", 8.0, "0.1 L", "yes"),
        ("door-switch-e", "door_switch", "E1", 16.0, "0.2 L", "yes"),
        ("door-switch-e", "door_switch", "E2", 16.0, "0.2 L", "yes"),
        ("door-switch-e", "door_switch", "E3", 16.0, "0.2 L", "yes"),
        ("door-switch-g", "door_switch", "G1", 18.5, "0.2 L", "yes"),
        ("door-switch-g", "door_switch", "G2", 18.5, "0.2 L", "yes"),
        ("belt-long", "belt", "E1", 15.0, "0.4 L", "yes"),
        ("belt-long", "belt", "E2", 15.0, "0.4 L", "yes"),
        ("belt-long", "belt", "G1", 15.0, "0.4 L", "yes"),
        ("belt-short", "belt", "E3", 14.0, "0.4 L", "yes"),
        ("belt-short", "belt", "G2", 14.0, "0.4 L", "yes"),
        ("igniter-g", "igniter", "G1", 38.0, "0.3 L", "yes"),
        ("igniter-g", "igniter", "G2", 38.0, "0.3 L", "yes"),
        ("coil-e1", "coil", "E1", 46.0, "2.4 L", "yes"),
        ("coil-e2", "coil", "E2", 58.0, "2.4 L", "yes"),
        ("coil-e3", "coil", "E3", 41.0, "2.0 L", "yes"),
    ]
    frame = pd.DataFrame(
        rows, columns=["item_id", "part", "family", "price", "volume", "field_fit"]
    )
    frame["price"] = frame["price"].map("{:.2f}".format)
    frame.insert(4, "valid_from", truth["company"]["records_from"])
    return frame


def _tables(world: _World) -> dict[str, pd.DataFrame]:
    truth, first = world.truth, world.first

    def iso(day: float) -> str:
        return (first + dt.timedelta(days=int(day))).isoformat()

    vans = truth["company"]["vans"]
    contract = ~world.call_out & ~world.never & (world.enrolled <= world.last_day)
    keep = np.flatnonzero(contract | world.shown)
    name = {int(u): f"u{number + 1:05d}" for number, u in enumerate(keep)}
    ends = np.minimum(world.gone, world.retired)
    rows = []
    for u in keep:
        told = contract[u] and ends[u] <= world.last_day
        left = iso(max(ends[u], world.enrolled[u])) if told else ""
        why = ""
        if told:
            why = (
                "retired"
                if world.retired[u] <= world.gone[u]
                else ("moved" if u % 3 else "contract_ended")
            )
        elif world.reported_end[u] >= 0:
            left, why = iso(world.reported_end[u]), "retired"
        rows.append(
            {
                "unit_id": name[int(u)],
                "family": world.family[u],
                "fuel": "gas" if world.gas[u] else "electric",
                "installed_on": iso(world.installed[u]),
                "enrolled_on": iso(world.enrolled[u]) if contract[u] else "",
                "left_on": left,
                "left_because": why,
                "loads_per_week": f"{world.loads[u]:.1f}" if world.loads_known[u] else "",
                "duct_length": f"{world.duct_ft[u]:.0f} ft",
                "elbows_90": int(world.elbows[u]),
                "elbows_45": 0,
                "vent_new": "yes" if world.vent_new[u] else "no",
                "van_id": vans[world.van[u]],
                "building_id": f"b{world.building[u]:03d}" if world.building[u] >= 0 else "",
            }
        )
    units = pd.DataFrame(rows)
    jobs = pd.DataFrame(world.records.jobs)
    known = jobs["unit"].isin(name)
    jobs = jobs[known].sort_values(["day", "job_id"], kind="stable").reset_index(drop=True)
    renamed = {old: f"j{number + 1:06d}" for number, old in enumerate(jobs["job_id"])}
    lines = pd.DataFrame(world.records.lines)
    lines = lines[lines["job_id"].isin(renamed)].copy()
    part_of = jobs.set_index("job_id")
    item = _items(lines, part_of, world)
    lines["item_id"], lines["cost"] = item["item_id"], item["cost"]
    lines["job_id"] = lines["job_id"].map(renamed)
    lines.insert(2, "position", "")
    order = [
        "job_id",
        "part",
        "position",
        "finding",
        "mode",
        "test",
        "action",
        "reading",
        "broke_at",
        "item_id",
        "cost",
    ]
    lines = lines[order].sort_values("job_id", kind="stable").reset_index(drop=True)
    van_of_job = [vans[v] for v in world.van[jobs["unit"]]]
    out_jobs = pd.DataFrame(
        {
            "job_id": jobs["job_id"].map(renamed),
            "unit_id": jobs["unit"].map(name),
            "visited_on": jobs["day"].map(iso),
            "kind": jobs["kind"],
            "complaint": jobs["complaint"],
            "van_id": van_of_job,
            "technician_id": [
                f"t-{v}-{t + 1}" for v, t in zip(van_of_job, jobs["technician"], strict=True)
            ],
            "completed": jobs["completed"],
            "continues": jobs["continues"].map(renamed).fillna(""),
            "labour": jobs["labour"],
        }
    )
    cleanings = pd.DataFrame(world.records.cleanings)
    cleanings = cleanings[cleanings["unit"].isin(name)].copy()
    out_cleanings = pd.DataFrame(
        {
            "unit_id": cleanings["unit"].map(name),
            "cleaned_on": cleanings["day"].map(iso),
            "scope": cleanings["scope"],
            "cleaned_by": cleanings["cleaned_by"],
            "job_id": cleanings["job_id"].map(renamed).fillna(""),
            "lint": cleanings["lint"],
        }
    ).drop_duplicates(["unit_id", "cleaned_on", "scope"], keep="first")
    out_cleanings = out_cleanings.sort_values(["cleaned_on", "unit_id"], kind="stable").reset_index(
        drop=True
    )
    out_vans = pd.DataFrame(
        {"van_id": vans, "cycle_days": 28, "budget": "750.00", "volume": "60 L"}
    )
    return {
        "units": units,
        "jobs": out_jobs,
        "lines": lines,
        "cleanings": out_cleanings,
        "catalogue": _catalogue(truth),
        "vans": out_vans,
    }


def _items(lines: pd.DataFrame, jobs: pd.DataFrame, world: _World) -> pd.DataFrame:
    """The item and its price for every line with a part replaced."""
    catalogue = _catalogue(world.truth)
    fits = {
        (r.part, r.family): (r.item_id, r.price)
        for r in catalogue.itertuples()
        if r.field_fit == "yes"
    }
    family = world.family[jobs.loc[lines["job_id"], "unit"].to_numpy()]
    found = [
        fits.get((part, fam)) or fits.get((part, "*"), ("", ""))
        if action == "replaced"
        else ("", "")
        for part, fam, action in zip(lines["part"], family, lines["action"], strict=True)
    ]
    return pd.DataFrame(found, columns=["item_id", "cost"], index=lines.index)


def simulate(
    truth: dict[str, Any] | None = None,
    *,
    seed: int | None = None,
    scale: float = 1.0,
    seen: str = "records",
) -> Company:
    """One company from what it is told.

    Parameters
    ----------
    truth : as `read_truth` gives; changed copies make other scenarios.
    seed : of the random numbers; default the one in `truth`.
    scale : multiplies the number of units.
    seen : "records" writes down what a company would have seen; "everything" is a population
        installed on one day, followed to the end, that nobody leaves (for `derive`).

    Returns
    -------
    Company
    """
    truth = read_truth() if truth is None else truth
    world = _World(truth, truth["company"]["seed"] if seed is None else seed, scale, seen)
    world.run()
    log = pd.DataFrame(
        world.records.log, columns=["unit", "day", "part", "mode", "replaced", "paired", "seen"]
    )
    roster = pd.DataFrame(
        {
            "unit": np.arange(world.n),
            "family": world.family,
            "gas": world.gas,
            "loads": world.loads,
            "frailty": world.frailty,
            "installed": world.installed,
            "enrolled": world.enrolled,
            "call_out": world.call_out,
            "gone": world.gone,
            "retired": world.retired,
        }
    )
    return Company(tables=_tables(world), log=log, roster=roster)


def write_tables(company: Company, folder: Path) -> None:
    """The records as CSV files named after the contract's tables."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in company.tables.items():
        frame.to_csv(folder / f"{name}.csv", index=False, lineterminator="\n")


def derive(
    truth: dict[str, Any] | None = None, *, scale: float = 5.0, seed: int = 1
) -> dict[str, Any]:
    """What follows from the told values, by brute force and without failstats.

    A large population in which everything is seen, from installation to the end of the records:
    the Weibull law that its first-fitted parts follow, whatever differs between its units, and
    what follows a cutout replacement with and without a new thermostat.
    """
    company = simulate(truth, seed=seed, scale=scale, seen="everything")
    log, roster = company.log, company.roster
    told = (truth or read_truth())["company"]
    end = (
        dt.date.fromisoformat(told["records_to"]) - dt.date.fromisoformat(told["records_from"])
    ).days
    result: dict[str, Any] = {"units": len(roster), "seed": seed, "scale": scale}
    never = end + 1

    def first(rows: pd.DataFrame, units: pd.Series) -> np.ndarray:
        return units.map(rows.groupby("unit")["day"].min()).fillna(never).to_numpy(float)

    electric, gas = roster[~roster["gas"]]["unit"], roster[roster["gas"]]["unit"]
    for part in ("coil", "igniter", "fuse", "door_switch", "belt"):
        units = {"coil": electric, "igniter": gas}.get(part, roster["unit"])
        result[part] = _weibull(first(log[log["part"] == part], units), end)
    units = roster["unit"]
    thermostat = log[log["part"] == "thermostat"]
    stuck = first(thermostat[thermostat["mode"] == "stuck_closed"], units)
    cutout = first(log[log["part"] == "cutout"], units)
    renewed = np.minimum(
        first(thermostat[thermostat["replaced"]], units), first(log[log["paired"]], units)
    )
    # the first thermostat until it sticks; the first cutout while that thermostat is good
    result["thermostat_stuck_closed"] = _weibull(stuck, np.minimum(renewed, end))
    result["cutout_own"] = _weibull(cutout, np.minimum(np.minimum(stuck, renewed), end))
    result["cutout_then_thermostat"] = _follow_on(log, end)
    return result


def _weibull(days: np.ndarray, until: Any) -> dict[str, float]:
    """Weibull law of times watched until a day, by maximum likelihood."""
    from scipy.optimize import minimize

    failed = days <= until
    times = np.minimum(days, until).clip(0.5)

    def loss(theta: np.ndarray) -> float:
        shape, log_scale = np.exp(theta[0]), theta[1]
        z = shape * (np.log(times) - log_scale)
        return float(-(failed * (theta[0] - np.log(times) + z)).sum() + np.exp(z).sum())

    found = minimize(
        loss,
        np.array([0.3, 8.5]),
        method="Nelder-Mead",
        options={"xatol": 1e-8, "fatol": 1e-8, "maxiter": 4000},
    )
    return {
        "shape": float(np.exp(found.x[0])),
        "scale_days": float(np.exp(found.x[1])),
        "failures": int(failed.sum()),
    }


def _follow_on(log: pd.DataFrame, end: int, window: int = 365) -> dict[str, float]:
    """After a cutout replacement whose thermostat was not found bad: share of units with
    another cutout or thermostat failure within the window, by whether the thermostat was new."""
    calls = log[log["part"].isin(["cutout", "thermostat"]) & log["replaced"]]
    found = set(
        zip(*calls.loc[calls["mode"] == "found", ["unit", "day"]].to_numpy().T, strict=True)
    )
    by_unit = {u: g for u, g in calls.groupby("unit")}
    counts = {False: [0, 0], True: [0, 0]}
    for unit, group in by_unit.items():
        days, parts, modes = (
            group["day"].to_numpy(),
            group["part"].to_numpy(),
            group["mode"].to_numpy(),
        )
        for day, part, paired in zip(days, parts, group["paired"].to_numpy(), strict=True):
            if part != "cutout" or (unit, day) in found or day + window > end:
                continue
            later = (days > day) & (days <= day + window) & (modes != "found")
            counts[bool(paired)][0] += 1
            counts[bool(paired)][1] += bool(later.any())
    alone, both = (counts[k][1] / max(counts[k][0], 1) for k in (False, True))
    return {
        "window_days": window,
        "index_alone": counts[False][0],
        "index_both": counts[True][0],
        "alone": alone,
        "both": both,
        "risk_difference": alone - both,
    }


def _derived_text(found: dict[str, Any]) -> str:
    """`derived.toml`: what follows from `truth.toml`, with how it was found."""
    lines = [
        "# What follows from truth.toml by brute force: a large population in which everything is",
        "# seen from installation to the end of the records. Written by a program, never by hand:",
        "#   python demo_warehouse/generator.py --derive",
        f'date = "{dt.date.today().isoformat()}"',
    ]
    lines += [f"{key} = {value}" for key, value in found.items() if not isinstance(value, dict)]
    for key, value in found.items():
        if isinstance(value, dict):
            lines += ["", f"[{key}]"]
            lines += [f"{name} = {figure}" for name, figure in value.items()]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Write the committed tables, or what follows from the told values."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("folder", nargs="?", type=Path, default=HERE / "data")
    parser.add_argument("--derive", action="store_true")
    options = parser.parse_args()
    if options.derive:
        (HERE / "derived.toml").write_text(_derived_text(derive()), encoding="utf-8")
    else:
        write_tables(simulate(), options.folder)


if __name__ == "__main__":
    main()
