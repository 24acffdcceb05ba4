"""What the pair rules rest on: how the two parts fail, the jobs, and how long units stay."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from failstats.answers.costs import Costs
from failstats.answers.headline import headline_life
from failstats.answers.lives_fits import Selection, risk_table, silent_parts
from failstats.answers.lives_selected import hidden_pair
from failstats.answers.pairs import index_jobs
from failstats.counts.risk_table import RiskTable
from failstats.estimate.life_models import FittedLife, NoFit, fit
from failstats.estimate.pair_draws import hidden_law, plain_law
from failstats.estimate.pair_law import PairAction, PairLaw, PairMoney, PairStart
from failstats.estimate.pair_state import index_states, pair_starts
from failstats.warehouse.session import Session

__all__ = [
    "FEWEST_JOBS",
    "SEED",
    "YEAR_DAYS",
    "PairCase",
    "Practice",
    "in_service",
    "pair_case",
    "pair_money",
    "practice",
    "prices_of",
    "service_life",
    "watched",
]

SEED = 2
YEAR_DAYS = 365.25
FEWEST_JOBS = 20  # on which the first part had failed, the partner not openly
FEWEST_RETIRED = 20
FEWEST_FAILURES = 20  # of a part, for a life that a rule may rest on
FEWEST_PLAIN_JOBS = 100  # of pairs that do not touch each other
PLAIN_DRAWS = 40  # of these: little is at stake between the rules
FEWEST_AT_RISK = 20  # parts of an age, for a rule by that age
CELLS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Practice:
    """What is done today on contract units when the first part has failed.

    jobs : visits counted. hot : share with a hot test of the partner. replaced : share of the
    partners not found failed that were replaced. checks_per_day : hot tests on other visits.
    """

    jobs: int
    hot: float
    replaced: float
    checks_per_day: float

    def action(self, name: str = "as_done") -> PairAction:
        """As a rule that can be played."""
        return PairAction(
            name=name, hot=self.hot, replaced=self.replaced, checks_per_day=self.checks_per_day
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PairCase:
    """One ordered pair with enough data.

    kind : "unseen" (the partner fails unseen and makes the first fail), "failed_together" (the
    first is the one that fails unseen), "apart" (both fail openly). law : the estimate, then draws.
    start : the jobs. base : what goes on under every rule. jobs : how many stand behind it.
    parameters : name of a group -> (draws, k) logarithms, for the value of the next record.
    watched_days : no age rule beyond, parts were not watched longer; None where jobs set it.
    """

    first: str
    second: str
    kind: str
    law: PairLaw
    start: PairStart
    base: PairAction
    jobs: int
    frame: pd.DataFrame
    parameters: Mapping[str, np.ndarray]
    watched_days: float | None = None


def practice(session: Session, first: str, second: str) -> Practice:
    """What technicians do about the partner today."""
    row = session.run("policy_practice", first=first, second=second).iloc[0]
    jobs = int(row["jobs"])
    return Practice(
        jobs=jobs,
        hot=float(row["tested_hot"]) / max(jobs, 1),
        replaced=float(row["replaced_by_habit"]) / max(int(row["not_found_failed"]), 1),
        checks_per_day=float(row["checks"] / row["days_watched"]) if row["days_watched"] else 0.0,
    )


def pair_case(session: Session, first: str, second: str) -> PairCase | str:
    """The law and the jobs of one ordered pair, or why there is no rule for it."""
    frame = index_jobs(session.some_units(), first, second)
    if len(frame) < FEWEST_JOBS:
        return f"only {len(frame)} jobs on which the {first} was replaced alone or with it"
    silent = silent_parts(session)
    linked = silent.get(first, (None, ""))[0]
    if linked == (first, second):
        return _unseen(session, first, second, frame)
    if linked == (second, first):
        return _failed_together(session, first, second, frame)
    for part in (first, second):
        if part in silent and silent[part][0][1] == part:
            return f"the {part} fails unseen; what it does to the {silent[part][0][0]} decides"
    lives = [headline_life(session, part).found for part in (first, second)]
    for part, life in zip((first, second), lives, strict=True):
        if not isinstance(life, FittedLife) or life.model != "weibull":
            return f"no single life of the {part} is stated"
        if life.failures < FEWEST_FAILURES:
            return f"only {life.failures:.0f} failures of the {part}"
    one, other = lives
    assert isinstance(one, FittedLife)
    assert isinstance(other, FittedLife)
    law = plain_law(one, other, draws=PLAIN_DRAWS, seed=SEED)
    assert law.visible is not None
    known = int(frame["partner_was_days"].notna().sum())
    start = _ages(frame, failed="first")
    if start is None or known < FEWEST_PLAIN_JOBS:
        return f"the age of the {second} is known on {known} jobs only"
    return PairCase(
        first=first, second=second, kind="apart", law=law, start=start,
        base=PairAction(name="keep"), jobs=known, frame=frame,
        watched_days=watched(session, second),
        parameters={
            f"dates on which each {first} was fitted and failed": np.log(law.own[1:]),
            f"dates on which each {second} was fitted and failed": np.log(law.visible[1:]),
        },
    )  # fmt: skip


def _unseen(session: Session, first: str, second: str, frame: pd.DataFrame) -> PairCase | str:
    model = hidden_pair(session, first, second)
    if model.fit is None:
        return f"the two-state model could not be fitted: {model.reason.rstrip('.')}"
    law = hidden_law(model.fit, seed=SEED)
    jobs = index_states(model.fit.rows, law=law)
    if jobs.second_days.size < FEWEST_JOBS:
        return f"only {jobs.second_days.size} jobs with parts of known age under contract"
    done = practice(session, first, second)
    assert law.silent is not None
    assert law.multiplier is not None
    hidden = np.column_stack([np.log(law.silent), np.log(law.multiplier)])[1:]
    return PairCase(
        first=first, second=second, kind="unseen", law=law, start=pair_starts(jobs, cells=CELLS),
        base=PairAction(name="keep", checks_per_day=done.checks_per_day),
        jobs=int(jobs.second_days.size), frame=frame,
        parameters={
            f"hot tests of the {second} whenever the {first} has failed": hidden,
            f"dates on which each {first} was fitted and failed": np.log(law.own[1:]),
        },
    )  # fmt: skip


def _failed_together(
    session: Session, first: str, second: str, frame: pd.DataFrame
) -> PairCase | str:
    """The part that fails unseen has been found failed: is the one it wears out replaced too?"""
    model = hidden_pair(session, second, first)
    if model.fit is None:
        return f"the two-state model could not be fitted: {model.reason.rstrip('.')}"
    law = hidden_law(model.fit, seed=SEED)
    found = frame[frame["first_failed"].astype(bool)]
    if len(found) < FEWEST_JOBS:
        return f"only {len(found)} jobs on which the {first} had failed and the {second} had not"
    start = _ages(found, failed="second")
    if start is None:
        return f"the age of the {second} is known on no job"
    done = practice(session, second, first)
    base = PairAction(name="keep", hot=done.hot, checks_per_day=done.checks_per_day)
    return PairCase(
        first=first, second=second, kind="failed_together", law=law, start=start, base=base,
        jobs=len(found), frame=found,
        parameters={f"dates on which each {second} was fitted and failed": np.log(law.own[1:])},
    )  # fmt: skip


def watched(session: Session, part: str) -> float:
    """How old a part grew while enough of its kind were watched."""
    tables = risk_table(session, part, Selection())
    if not tables:
        return 0.0
    table = next(iter(tables.values()))
    enough = np.flatnonzero(np.asarray(table.at_risk) >= FEWEST_AT_RISK)
    return float(np.asarray(table.age)[enough[-1]]) if enough.size else 0.0


def _ages(frame: pd.DataFrame, *, failed: str) -> PairStart | None:
    """The jobs by the age of the partner that the technician found, where it is known."""
    known = frame["partner_was_days"].dropna()
    ages = np.sort(known.to_numpy(float))
    ages = ages[ages >= 0]
    if not ages.size:
        return None
    groups = [group for group in np.array_split(ages, min(CELLS, ages.size)) if group.size]
    mean = np.array([group.mean() for group in groups])
    share = np.array([group.size for group in groups]) / ages.size
    none = np.zeros(mean.size)
    return PairStart(
        first_days=mean if failed == "second" else none,
        second_days=none if failed == "second" else mean,
        good=share,
        bad=none,
        failed=failed,
    )


# --- how long units stay -------------------------------------------------------------------------


def service_life(session: Session) -> FittedLife | None:
    """How old units are when they are retired; None where too few were."""
    if "service life" not in session.kept:
        frame = session.run("policy_service")
        frame = frame[frame["to_days"] > frame["from_days"].clip(lower=0)]
        found = None
        if int(frame["retired"].sum()) >= FEWEST_RETIRED:
            table = RiskTable.from_lives(
                frame["from_days"].clip(lower=0).to_numpy(float),
                frame["to_days"].to_numpy(float),
                frame["retired"].to_numpy(bool),
            )
            fitted = fit(table, model="weibull")
            found = None if isinstance(fitted, NoFit) else fitted
        session.kept["service life"] = found
    kept = session.kept["service life"]
    assert kept is None or isinstance(kept, FittedLife)
    return kept


def in_service(life: FittedLife | None, unit_days: np.ndarray, ahead: np.ndarray) -> np.ndarray:
    """Share of units of these ages still in service so many days ahead; all without a life."""
    if life is None or not unit_days.size:
        return np.ones(ahead.size)
    now = life.cumulative_hazard(unit_days)[:, None]
    later = life.cumulative_hazard((unit_days[:, None] + ahead).ravel()).reshape(now.size, -1)
    return np.asarray(np.exp(now - later).mean(axis=0))


# --- money ---------------------------------------------------------------------------------------


def pair_money(costs: Costs, first_price: float, second_price: float) -> PairMoney:
    """The costs file in the words of the pair model."""
    return PairMoney(
        visit=costs["visit.visit_cost"],
        unpaid=costs["visit.return_unpaid"],
        warranty_days=costs["warranty.days"],
        first_price=first_price,
        second_price=second_price,
        fitting=costs["parts.extra_minutes"] * costs.minute,
        hot_test=costs["tests.hot_cycle_minutes"] * costs.minute,
    )


def prices_of(session: Session) -> dict[str, float]:
    """Part -> price of the item that would be fitted, averaged over the units of the roster.

    As in `stock`: the cheapest field-fit item that is not replaced serves each family.
    """
    frame = session.run("stg_catalogue")
    if frame.empty:
        return {}
    frame = frame[frame["field_fit"].fillna(True).astype(bool) & frame["replaced_by"].isna()]
    units = session.run("stg_units")["family"].value_counts()
    out = {}
    for part, group in frame.groupby("part"):
        cheapest = group.groupby("family")["price"].min().astype(float)
        pooled = float(cheapest.get("*", np.inf))
        own = cheapest.drop("*", errors="ignore")
        families = {f: min(float(own.get(f, np.inf)), pooled) for f in units.index}
        known = {f: price for f, price in families.items() if np.isfinite(price)}
        weight = sum(units[f] for f in known)
        if weight:
            out[str(part)] = sum(units[f] * price for f, price in known.items()) / weight
        elif np.isfinite(pooled):
            out[str(part)] = pooled
    return out
