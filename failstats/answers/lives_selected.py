"""Lives where the records hide part of the truth: silent loss, silent failure, births unseen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from failstats.answers.lives_fits import BIRTHS, Selection, risk_table
from failstats.answers.lives_rows import BracketEnd
from failstats.counts.frailty_pass import frailty_lives
from failstats.counts.joint_table import joint_table
from failstats.counts.row_pass import hidden_rows, loss_rows
from failstats.counts.world_pass import world_rows
from failstats.errors import FitError
from failstats.estimate.fitted_world import Misfit, fitted_world
from failstats.estimate.frailty import unit_frailty
from failstats.estimate.hidden_state import HiddenState, hidden_state_fit
from failstats.estimate.life_models import FittedLife
from failstats.estimate.renewal_births import renewal_births
from failstats.estimate.silent_loss import SilentLoss, silent_loss
from failstats.warehouse.session import Session

__all__ = [
    "HiddenPair",
    "fitted_world_check",
    "gone_share",
    "hidden_pair",
    "loss_life",
    "renewal_life",
]

#: The hot test's sensitivity is not in the records; the answer is fitted at both ends of this.
SENSITIVITY_ENDS = (0.85, 1.0)
FEWEST_FOR_FRAILTY = 50  # failures of other parts that say how much units differ
WORLDS = 100  # simulated companies of the fitted-world check


@dataclass(frozen=True, slots=True, kw_only=True)
class HiddenPair:
    """The two-state model of one pair, with what other assumptions would give.

    fit : at the default sensitivity; others : assumption -> fit; None where it could not be
    fitted, `reason` says why.
    """

    first: str
    second: str
    fit: HiddenState | None
    others: dict[str, HiddenState]
    reason: str = ""

    def life(self, part: str) -> FittedLife | None:
        """The life of one of the two parts."""
        return None if self.fit is None else self._of(self.fit, part)

    def _of(self, fit: HiddenState, part: str) -> FittedLife:
        return fit.hidden if part == self.second else fit.own

    def lives(self, part: str) -> list[FittedLife]:
        """The same life under every assumption on the tests."""
        fits = [self.fit, *self.others.values()]
        return [self._of(fit, part) for fit in fits if fit is not None]

    def counted(self) -> str:
        """How much stands behind the fit, in words."""
        fit = self.fit
        if fit is None:
            return "nothing"
        first, second = (name.replace("_", " ") for name in (self.first, self.second))
        return (
            f"{fit.lives:,.0f} {second} lives of contract units in which both births are known "
            f"({fit.found:,.0f} silent failures found) and {fit.partner_failures:,.0f} {first} "
            "failures in them, trips included"
        )

    def bracket(self, part: str, level: float) -> list[BracketEnd]:
        """The same life under each assumption on the tests."""
        fits = {"two_state_model": self.fit, **self.others}
        return [
            BracketEnd(
                assumption=name,
                failures=int(self._of(fit, part).failures),
                scale_days=self._of(fit, part).parameters["scale"],
                ci=_pair(self._of(fit, part), level),
            )
            for name, fit in fits.items()
            if fit is not None
        ]


def _pair(life: FittedLife, level: float) -> tuple[float, float]:
    low, high = life.interval(level)["scale"]
    return float(low), float(high)


def hidden_pair(session: Session, first: str, second: str) -> HiddenPair:
    """The two-state model of a part that fails unseen (second) and the one it trips (first).

    Fitted once for a session: on contract units, births known, clustered by unit.
    """
    key = f"hidden {first} {second}"
    if key not in session.kept:
        session.kept[key] = _hidden_pair(session, first, second)
    found = session.kept[key]
    assert isinstance(found, HiddenPair)
    return found


def _hidden_pair(session: Session, first: str, second: str) -> HiddenPair:
    try:
        rows = hidden_rows(session.some_units(), first, second)
        main = hidden_state_fit(rows).clustered()
        low, high = SENSITIVITY_ENDS
        others: dict[str, dict[str, Any]] = {
            f"hot_test_finds_{low:.0%}".replace("%", "_percent"): {"hot_sensitivity": low},
            f"hot_test_finds_{high:.0%}".replace("%", "_percent"): {"hot_sensitivity": high},
            "untested_means_looked_good": {"untested": "passed"},
        }
        fits = {
            name: hidden_state_fit(rows, start=main, **how).clustered()
            for name, how in others.items()
        }
        fits |= _units_differ(session, first, second, main)
    except FitError as fault:
        return HiddenPair(first=first, second=second, fit=None, others={}, reason=fault.what)
    return HiddenPair(first=first, second=second, fit=main, others=fits)


def _units_differ(
    session: Session, first: str, second: str, main: HiddenState
) -> dict[str, HiddenState]:
    """The same model where units differ as much as their other parts say; empty where they do not
    say so. A weak unit breaks both parts, which units alike would take for a larger multiplier."""
    others = [
        str(part)
        for part in session.run("lives_kept")["part"].unique()
        if part not in (first, second)
    ]
    lives = frailty_lives(session.some_units(), others) if others else None
    if lives is None or lives["failed"].sum() < FEWEST_FOR_FRAILTY:
        return {}
    try:
        variance = unit_frailty(
            lives["unit"].to_numpy(),
            law=lives["law"].to_numpy(),
            entry=np.zeros(len(lives)),
            exit=lives["exit"].to_numpy(float),
            failed=lives["failed"].to_numpy(bool),
        ).variance
        rows = hidden_rows(session.some_units(), first, second, from_installation=True)
        return {"units_differ": hidden_state_fit(rows, variance=variance, start=main)}
    except FitError:
        return {}


def _loss(session: Session, births: str) -> SilentLoss | None:
    """Silent loss over all parts at once, once for a session; None where nobody leaves so."""
    key = f"silent loss {births}"
    if key not in session.kept:
        leaving = int(session.run("lives_leaving")["spans"].iloc[0])
        found = None
        if leaving:
            try:
                rows = loss_rows(session.some_units(), births=BIRTHS[births])
                found = silent_loss(rows)
            except FitError:
                found = None
        session.kept[key] = found
    kept = session.kept[key]
    assert kept is None or isinstance(kept, SilentLoss)
    return kept


def gone_share(session: Session) -> float | None:
    """Of the call-out units not heard of, the share expected to have left; None where no fit."""
    found = _loss(session, "known")
    return None if found is None else found.gone_share


def loss_life(session: Session, part: str, births: str) -> FittedLife | None:
    """One part's life with silent leaving integrated out; None where it cannot be fitted."""
    found = _loss(session, births)
    if found is None:
        return None
    try:
        return found.life(part)
    except FitError:
        return None


def renewal_life(session: Session, part: str) -> FittedLife | str:
    """One part's life from known births and parts found in units that joined late.

    Contract units only. Returns the reason where it is refused.
    """
    selection = Selection(followed=("contract",))
    tables = risk_table(session, part, selection)
    if not tables:
        return "no life of known birth in contract units"
    known = next(iter(tables.values())).only("failed")
    unknown, ends = joint_table(session, part, followed=("contract",))
    by_ending = ends.set_index("ending")
    other = float(by_ending["lives"].get("other", 0.0))
    try:
        return renewal_births(
            unknown,
            known=known,
            other_replacements=other,
            failures=float(by_ending["lives"].get("failed", 0.0)),
            days=float(by_ending["days"].sum()),
        ).life
    except FitError as fault:
        return fault.what


def fitted_world_check(session: Session, lives: dict[str, FittedLife]) -> list[Misfit]:
    """Would the fitted lives have given these records? Simulated over the roster.

    Parameters
    ----------
    lives : part -> its fitted Weibull life; parts that fail unseen stay out.
    """
    if not lives:
        return []
    loss = _loss(session, "known")
    law = None if loss is None else (loss.loss["shape"], loss.loss["scale"])
    rows = world_rows(session.some_units(), sorted(lives))
    return fitted_world(rows, lives=lives, loss=law, replicates=WORLDS)
