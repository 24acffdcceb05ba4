"""Companies with a known truth, and what each rule about the partner truly costs them.

The truth of a company: whether a stuck thermostat (B) speeds up its cutout's failure (linked), does
nothing (unlinked), or does nothing while weak units break both early (frailty). Its true costs are
those of its own cutout jobs with the true states, by the renewal equations under the true law;
they are checked against play in tests/estimate/test_pair_model.py.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from failstats.counts.row_pass import HiddenRows
from failstats.errors import FitError
from failstats.estimate.hidden_state import hidden_state_fit
from failstats.estimate.pair_draws import hidden_law
from failstats.estimate.pair_law import PairAction, PairLaw, PairMoney, PairStart
from failstats.estimate.pair_model import expected_pair_costs
from failstats.estimate.pair_policy import WeighedPair, weigh_pair
from failstats.estimate.pair_state import index_states, pair_starts

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "selection"))

from hidden_world import YEAR, HiddenTruth, simulate

HORIZON_DAYS = 5 * YEAR
KINDS = ("linked", "unlinked", "linked", "frailty")
PRICES = {"cheap": (8.0, 50.0), "dear": (60.0, 240.0)}
#: Cells of frailty and of B's age in which the true costs are worked out.
WEAK_CELLS, AGE_CELLS = 6, 12


@dataclass(frozen=True)
class Company:
    """One company: its truth, its prices, what its records hold."""

    kind: str
    partner: str
    truth: HiddenTruth
    money: PairMoney
    rows: HiddenRows
    jobs: np.ndarray  # (jobs, 4) age of A, age of B, whether B was bad, frailty


def make(number: int, seed: int) -> Company:
    """Company ``number`` of the run: kinds and prices in turn, the rest by chance."""
    kind = KINDS[number % 4]
    partner = ("cheap", "dear")[(number // 4) % 2]
    rng = np.random.Generator(np.random.PCG64([seed, number]))
    truth = HiddenTruth(
        own=(rng.uniform(1.1, 2.0), rng.uniform(12.0, 28.0)),
        hidden=(rng.uniform(1.2, 2.2), rng.uniform(10.0, 22.0)),
        multiplier=float(np.exp(rng.uniform(np.log(8), np.log(40)))) if kind == "linked" else 1.0,
        units=int(np.exp(rng.uniform(np.log(800), np.log(4500)))),
        span=8.0,
        hot_at_failure=rng.uniform(0.25, 0.6),
        hot_at_maintenance=rng.uniform(0.1, 0.4),
        pair_habit=rng.uniform(0.1, 0.5),
        frailty=rng.uniform(0.15, 0.5) if kind == "frailty" else 0.0,
    )
    low, high = PRICES[partner]
    visit = rng.uniform(80.0, 130.0)
    money = PairMoney(
        visit=visit,
        unpaid=visit * rng.uniform(1.1, 1.5),
        warranty_days=90.0,
        first_price=rng.uniform(12.0, 35.0),
        second_price=rng.uniform(low, high),
        fitting=rng.uniform(8.0, 20.0),
        hot_test=rng.uniform(10.0, 35.0),
    )
    jobs: list[tuple[float, float, bool, float]] = []
    rows, _ = simulate(truth, seed * 100_003 + number, jobs)
    return Company(kind, partner, truth, money, rows, np.array(jobs, dtype=float).reshape(-1, 4))


def true_costs(company: Company, actions: tuple[PairAction, ...]) -> np.ndarray:
    """(actions,) what each rule truly costs per cutout job of the company."""
    jobs, truth = company.jobs, company.truth
    weak = jobs[:, 3]
    cuts = np.unique(np.quantile(weak, np.linspace(0, 1, WEAK_CELLS + 1)[1:-1]))
    cell = np.searchsorted(cuts, weak, side="right") if truth.frailty else np.zeros(len(jobs), int)
    out = np.zeros(len(actions))
    for one in np.unique(cell):
        mine = jobs[cell == one]
        z = mine[:, 3].mean() if truth.frailty else 1.0
        law = PairLaw(
            own=[[truth.own[0], truth.own[1] * YEAR * z ** (-1 / truth.own[0])]],
            silent=[[truth.hidden[0], truth.hidden[1] * YEAR * z ** (-1 / truth.hidden[0])]],
            multiplier=[truth.multiplier],
            sensitivity=[truth.hot_sensitivity],
        )
        start = _start(mine, AGE_CELLS)
        costs = [
            expected_pair_costs(law, start=start, action=action, money=company.money,
                                horizon_days=HORIZON_DAYS, steps=80).money[0]
            for action in actions
        ]  # fmt: skip
        out += np.array(costs) * len(mine) / len(jobs)
    return out


def _start(jobs: np.ndarray, cells: int) -> PairStart:
    groups = [g for g in np.array_split(jobs[np.argsort(jobs[:, 1])], cells) if len(g)]
    bad = np.array([g[:, 2].sum() for g in groups]) / len(jobs)
    return PairStart(
        first_days=np.array([g[:, 0].mean() for g in groups]),
        second_days=np.array([g[:, 1].mean() for g in groups]),
        good=np.array([len(g) for g in groups]) / len(jobs) - bad,
        bad=bad,
        failed="first",
    )


def answer(company: Company, *, draws: int = 160, seed: int = 0) -> WeighedPair | None:
    """What `policy` says to the company; None where the two-state model cannot be fitted."""
    try:
        fit = hidden_state_fit(company.rows).clustered()
    except FitError:
        return None
    law = hidden_law(fit, draws=draws, seed=seed)
    jobs = index_states(company.rows, law=law)
    return weigh_pair(law, start=pair_starts(jobs), money=company.money, horizon_days=HORIZON_DAYS)
