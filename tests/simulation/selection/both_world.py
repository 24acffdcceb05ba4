"""Companies whose records are selected in two ways at once, with known truth.

Half of the units have a contract: some from installation, some from a later age on. The others
call when something fails and leave without a word. A pair of parts may fail unseen in all units:
then cutouts go at once or wait for a stuck thermostat, and only a hot test shows why.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import loss_world
import numpy as np
import pandas as pd

from failstats.counts.joint_table import JointTable
from failstats.counts.risk_table import RiskTable
from failstats.counts.row_pass import HiddenRows, LossRows

YEAR = loss_world.YEAR
NEVER = 1e9  # a day that no record reaches


@dataclass(frozen=True)
class BothTruth(loss_world.LossTruth):
    """What the company is told; durations in years."""

    parts: dict[str, tuple[float, float]] = field(
        default_factory=lambda: {"coil": (1.8, 9.0), "belt": (2.0, 12.0)}
    )
    units: int = 3000
    contract: float = 0.5  # share of units; half of these from installation where that is seen
    pair: bool = False
    own: tuple[float, float] = (1.3, 22.0)
    hidden: tuple[float, float] = (1.6, 17.0)
    multiplier: float = 30.0
    hot_at_failure: float = 0.4
    hot_sensitivity: float = 0.95


@dataclass(frozen=True)
class Both:
    """What the company has on paper.

    loss : rows of the silent-loss fit, contract lives of known birth counted in. naive : the
    known lives of call-out units and contracts under both brackets. known, unknown : the coil on
    contract. hidden : the pair on contract from installation; found : its lives by discovery.
    """

    loss: LossRows
    naive: pd.DataFrame
    known: RiskTable
    unknown: JointTable
    assumed: RiskTable
    hidden: HiddenRows | None
    found: pd.DataFrame | None


def _pair(
    truth: BothTruth, installed: np.ndarray, until: np.ndarray, rng: np.random.Generator
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Lives of cutouts, lives of thermostats (died: found stuck), and the stretches between
    failures of the cutout."""
    (k, s), (q, r) = truth.own, truth.hidden
    s, r = s * YEAR, r * YEAR
    unit = np.flatnonzero(until > installed)
    a_born, b_born = installed[unit].copy(), installed[unit].copy()
    stuck = b_born + r * (-np.log1p(-rng.random(unit.size))) ** (1 / q)
    lives_a, lives_b, rows = [], [], []
    while unit.size:
        spend = -np.log1p(-rng.random(unit.size))
        turn = np.maximum(stuck - a_born, 0.0)
        good = (turn / s) ** k
        extra = np.where(spend <= good, spend, good + (spend - good) / truth.multiplier)
        fails = a_born + np.maximum(np.ceil(s * extra ** (1 / k)), 1.0)
        ends = until[unit]
        failed = fails <= ends
        hot = failed & (rng.random(unit.size) < truth.hot_at_failure)
        found = hot & (stuck <= fails) & (rng.random(unit.size) < truth.hot_sensitivity)
        stop = np.minimum(fails, ends)
        lives_a.append(pd.DataFrame({"unit": unit, "born": a_born, "died": fails}))
        over = ~failed | found
        died = np.where(found, fails, NEVER)
        lives_b.append(pd.DataFrame({"unit": unit, "born": b_born, "died": died})[over])
        rows.append(
            pd.DataFrame(
                {"unit": unit, "b_born": b_born, "b_from": a_born - b_born, "b_to": stop - b_born,
                 "a_failed": failed, "hot_passed": (hot & ~found).astype(int),
                 "found": found.astype(int), "untested": failed & ~hot}
            )
        )  # fmt: skip
        fresh = fails + r * (-np.log1p(-rng.random(unit.size))) ** (1 / q)
        stuck, b_born = np.where(found, fresh, stuck), np.where(found, fails, b_born)
        unit, a_born = unit[failed], fails[failed]
        stuck, b_born = stuck[failed], b_born[failed]
    return (
        pd.concat(lives_a, ignore_index=True),
        pd.concat(lives_b, ignore_index=True),
        pd.concat(rows, ignore_index=True),
    )


def simulate(truth: BothTruth, seed: int) -> Both:
    """One company."""
    lives = loss_world.simulate(truth, seed)
    rng = np.random.Generator(np.random.PCG64([seed, 1]))
    span = lives.attrs["span"]
    unit = lives.drop_duplicates("unit").sort_values("unit")
    installed, gone = unit["installed"].to_numpy(), unit["gone"].to_numpy()
    n = installed.size
    contract = rng.random(n) < truth.contract
    start = np.maximum(installed, 0.0)
    late = rng.random(n) < 0.5
    joined = np.where(late, np.floor(start + rng.random(n) * (span - start)), start)
    until = np.minimum(np.where(contract, span, gone), span)
    hidden = found = None
    parts = list(truth.parts)
    other = lives.attrs["other"]
    if truth.pair:
        a, b, rows = _pair(truth, installed, until, rng)
        extra = pd.concat([a.assign(part="cutout")], ignore_index=True)
        extra["installed"], extra["gone"] = installed[extra["unit"]], gone[extra["unit"]]
        told = unit["told"].to_numpy()
        extra["told"] = told[extra["unit"]]
        lives = pd.concat([lives, extra], ignore_index=True)
        parts.append("cutout")
        seen = contract & (installed >= 0) & (joined == installed)
        hidden, found = _hidden(rows[seen[rows["unit"]]], b[seen[b["unit"]]], span)
    # lives of contract units go on whether or not a call-out customer would have left
    on = contract[lives["unit"]]
    ours = _continued(truth, lives[on & (lives["part"] != "cutout")], span, rng)
    watched = joined[ours["unit"]]
    stop = np.minimum(ours["died"], span)
    inside = (stop > watched).to_numpy()
    ours, watched, stop = ours[inside], watched[inside], stop[inside]
    failed = (ours["died"] <= span).to_numpy()
    birth = (ours["born"] >= watched).to_numpy()
    lives = lives[~on].reset_index(drop=True)
    lives.attrs = {"span": span, "other": other[~contract[other["unit"]]]}
    loss, naive = loss_world.loss_rows(lives, parts)
    counted = dict(loss.counted)
    exits = (stop - ours["born"]).to_numpy()
    more = []
    for part in truth.parts:
        mine = birth & (ours["part"] == part).to_numpy()
        table = RiskTable.from_lives(0, exits[mine], failed[mine])
        counted[part] = counted[part].merge_causes() + table.merge_causes()
        more.append(
            pd.DataFrame(
                {"part": part, "failed": failed[mine], "to_the_end": exits[mine],
                 "contact_plus_a_year": exits[mine], "contract": True}
            )
        )  # fmt: skip
    loss = replace(loss, counted=counted, lives=None)
    coil = (ours["part"] == "coil").to_numpy()
    known, unknown = birth & coil, ~birth & coil
    age = (watched - ours["installed"]).to_numpy()
    whole = (stop - ours["installed"]).to_numpy()
    return Both(
        loss=loss,
        naive=pd.concat([naive.assign(contract=False), *more], ignore_index=True),
        known=RiskTable.from_lives(0, exits[known], failed[known]),
        unknown=JointTable.from_lives(
            age[unknown], forward=(stop - watched).to_numpy()[unknown], failed=failed[unknown]
        ),
        assumed=RiskTable.from_lives(
            np.where(known, 0.0, age)[coil],
            np.where(known, exits, whole)[coil],
            failed[coil],
        ),
        hidden=hidden,
        found=found,
    )


def _continued(
    truth: BothTruth, lives: pd.DataFrame, span: float, rng: np.random.Generator
) -> pd.DataFrame:
    """The lives with those added that began after a customer would have left."""
    lives.attrs = {}  # what hangs on the frame belongs to the call-out units
    frames = [lives]
    last = lives.sort_values("born").groupby(["unit", "part"], as_index=False).last()
    while True:
        last = last[last["died"] < span]
        if last.empty:
            return pd.concat(frames, ignore_index=True)
        shape = last["part"].map({p: k for p, (k, _) in truth.parts.items()}).to_numpy()
        scale = last["part"].map({p: s for p, (_, s) in truth.parts.items()}).to_numpy() * YEAR
        draw = scale * (-np.log1p(-rng.random(len(last)))) ** (1 / shape)
        last = last.assign(born=last["died"], died=last["died"] + np.ceil(draw))
        frames.append(last)


def pair_rows(truth: BothTruth, units: int, seed: int) -> HiddenRows:
    """The pair alone: units on contract from installation, within the records; for benchmarks."""
    rng = np.random.Generator(np.random.PCG64(seed))
    until = np.floor(rng.random(units) * truth.span * YEAR) + 1
    _, lives, rows = _pair(truth, np.zeros(units), until, rng)
    return _hidden(rows, lives, truth.span * YEAR)[0]


def _hidden(
    rows: pd.DataFrame, lives: pd.DataFrame, span: float
) -> tuple[HiddenRows, pd.DataFrame]:
    rows = rows.sort_values(["unit", "b_born", "b_from"], kind="stable").reset_index(drop=True)
    life = rows.groupby(["unit", "b_born"], sort=False).ngroup().to_numpy()
    begins = np.concatenate([[0], np.flatnonzero(np.diff(life)) + 1])
    no = np.zeros(len(rows), dtype=int)
    stop = np.minimum(lives["died"], span)
    return (
        HiddenRows(
            life=life,
            b_from=rows["b_from"].to_numpy(),
            b_to=rows["b_to"].to_numpy(),
            a_from=no,
            a_failed=rows["a_failed"].to_numpy(),
            hot_passed=rows["hot_passed"].to_numpy(),
            cold_passed=no,
            found=rows["found"].to_numpy(),
            visible=no.astype(bool),
            untested=rows["untested"].to_numpy(),
            unit=rows["unit"].to_numpy()[begins],
            weight=np.ones(begins.size),
        ),
        pd.DataFrame({"days": stop - lives["born"], "failed": lives["died"] <= span}),
    )
