"""How long parts last when customers leave without a word.

A call-out unit that has not been heard of may be running well, or may be gone. Its time after
the last contact is integrated over both, over all its parts at once, jointly with the lives.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from failstats.counts.row_pass import LossRows
from failstats.errors import FitError, InputError
from failstats.estimate.intervals import Interval
from failstats.estimate.life_families import FAMILIES
from failstats.estimate.life_models import FEWEST_FAILURES, FittedLife
from failstats.estimate.likelihood import CountLikelihood
from failstats.estimate.loss_likelihood import (
    NODES,
    SHAPE_NEEDS,
    Layout,
    Tails,
    batches_of,
    loss_surface,
    with_goodbyes,
)
from failstats.estimate.loss_scores import loss_scores
from failstats.estimate.peak import Peak, find_peak, profile_interval, wald_interval
from failstats.estimate.stretch import read_only

__all__ = ["NODES", "SilentLoss", "loss_surface", "silent_loss"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SilentLoss:
    """Lives of parts and of customers, fitted together.

    Attributes
    ----------
    peak : parameters as fitted, on the log scale, with their covariance.
    laws : the laws that were fitted, in the order of the rows.
    failures : failures behind each law.
    units, silent, told : call-out units, those not heard of at the end, those that said so.
    gone_share : of the silent ones, the share expected to have left.
    """

    peak: Peak
    rows: LossRows
    laws: tuple[str, ...]
    failures: dict[str, float]
    fixed_shape: frozenset[str]
    units: int
    silent: int
    told: int
    gone_share: float

    def _pair(self, law: str) -> tuple[np.ndarray, np.ndarray]:
        """theta and covariance of (log shape, log scale) of one law."""
        scale = self.peak.at(f"{law} scale")
        if law in self.fixed_shape:
            covariance = np.zeros((2, 2))
            covariance[1, 1] = self.peak.covariance[scale, scale]
            return np.array([0.0, self.peak.theta[scale]]), covariance
        places = [self.peak.at(f"{law} shape"), scale]
        return self.peak.theta[places], self.peak.covariance[np.ix_(places, places)]

    def life(self, law: str) -> FittedLife:
        """One part's fitted life, used like any other fitted life.

        Raises
        ------
        FitError : too few failures for a shape.
        """
        if law not in self.laws or law in self.fixed_shape:
            raise FitError(
                f"{law}: fewer than {SHAPE_NEEDS} failed, too few for a shape beside the loss."
            )
        theta, covariance = self._pair(law)
        table = self.rows.counted[law]
        family = FAMILIES["weibull"]
        likelihood = CountLikelihood.of(table.merge_causes(), family)
        own = likelihood(theta)[0]
        return FittedLife(
            model="weibull",
            theta=read_only(theta),
            covariance=read_only(covariance),
            covariance_kind="silent loss integrated",
            log_likelihood=own,
            failures=self.failures[law],
            lives=table.lives,
            exposure=float(table.exposure),
            label="silent loss integrated",
            unit=table.unit,
            likelihood=likelihood,
        )

    @property
    def loss(self) -> dict[str, float]:
        """Weibull shape and scale (days of unit age) of leaving without a word."""
        theta, _ = self._pair("loss")
        return {"shape": float(np.exp(theta[0])), "scale": float(np.exp(theta[1]))}

    def interval(
        self, name: str, confidence_level: float = 0.95, *, method: str = "normal"
    ) -> Interval:
        """Interval of one parameter ("coil scale", "loss shape"), by standard errors on the log
        scale, or by ``method="profile"`` (slower)."""
        if method == "profile":
            surface, _ = loss_surface(self.rows, loss_shape_fixed="loss" in self.fixed_shape)
            return profile_interval(
                surface, peak=self.peak, name=name, confidence_level=confidence_level
            )
        return wald_interval(self.peak, name, confidence_level=confidence_level)

    def clustered(self) -> SilentLoss:
        """The same fit, its covariance taking lives and silence of one unit together.

        Raises
        ------
        InputError : rows without lives one by one.
        """
        if self.rows.lives is None:
            raise InputError("clustered intervals need the lives one by one, but rows have none.")
        _, layout = loss_surface(self.rows, loss_shape_fixed="loss" in self.fixed_shape)
        scores = loss_scores(self.rows, layout, np.array(self.peak.theta), nodes=NODES)
        covariance = self.peak.covariance @ (scores.T @ scores) @ self.peak.covariance
        return replace(self, peak=replace(self.peak, covariance=read_only(covariance)))

    def to_dict(self) -> dict[str, Any]:
        """JSON-safe."""
        return {
            "units": self.units,
            "silent": self.silent,
            "told": self.told,
            "gone_share": self.gone_share,
            "loss": self.loss,
            "lives": {
                law: self.life(law).parameters for law in self.laws if law not in self.fixed_shape
            },
        }


def silent_loss(rows: LossRows, *, nodes: int = NODES) -> SilentLoss:
    """Fit part lives and the customers' silent leaving together.

    Parameters
    ----------
    rows : what the records say, see ``LossRows``.
    nodes : integration nodes per unit.

    Returns
    -------
    SilentLoss : ``.life("coil")`` is a fitted life; ``.interval("loss scale")`` an interval.

    Raises
    ------
    FitError : no call-out unit, or the records cannot tell leaving from running well.

    Notes
    -----
    Given its first visit at unit age a, a unit stays to its last contact c with probability
    G(c)/G(a), G the Weibull survival of leaving in unit age. The silence from c to the end e
    contributes G(e)/G(c) Q(e) + integral over l in (c, e) of g(l)/G(c) Q(l), where Q(l) is the
    probability that no part running at c fails by l and nobody calls for another reason.

    Leaving that is told is one more kind of contact, with a Weibull law of its own in unit age:
    a silent unit has not said goodbye either. Parts fitted before the first visit have, under
    known births, a law of their own in unit age: their silence counts, but says nothing of the
    lives of parts whose birth is known. Under assumed births they share the law of the part.

    Assumed: leaving does not depend on the parts or their repairs; a customer who is still
    there calls when a part fails. Where either is broken, read the brackets.
    """
    if not (rows.outcome == 0).any():
        raise FitError("silent loss: no call-out unit without a stated end is in the records.")
    rows = with_goodbyes(rows)
    reason: FitError | None = None
    for fixed in (False, True):
        surface, layout = loss_surface(rows, nodes=nodes, loss_shape_fixed=fixed)
        if not any(layout.failures[law] >= FEWEST_FAILURES for law in layout.laws):
            raise FitError("silent loss: fewer than 5 failures of every part.")
        try:
            peak = find_peak(
                surface, starts=_starts(rows, layout), names=layout.names, what="silent loss"
            )
        except FitError as fault:
            reason = fault
            continue
        return _result(rows, layout, peak, nodes)
    raise reason or InputError("silent loss: nothing to fit.")


def _starts(rows: LossRows, layout: Layout) -> list[np.ndarray]:
    theta = np.zeros(len(layout.names))
    for law in layout.laws:
        table = rows.counted[law]
        theta[layout.scale_at[law]] = np.log(max(table.exposure, 1.0) / table.failures)
        at = layout.shape_at[law]
        if at is not None:
            theta[at] = 0.2
    if layout.other is not None:
        theta[layout.other] = np.log(rows.other_contacts / max(rows.other_days, 1.0))
    starts = []
    for years in (8.0, 30.0):
        start = theta.copy()
        start[layout.scale_at["loss"]] = np.log(years * 365.25)
        starts.append(start)
    return starts


def _result(rows: LossRows, layout: Layout, peak: Peak, nodes: int) -> SilentLoss:
    idle = np.zeros(peak.theta.size)
    rows = with_goodbyes(rows)
    gone = [
        Tails(part, layout, nodes).add(np.array(peak.theta), layout, idle)[1]
        for part in batches_of(rows)
    ]
    share = np.concatenate(gone)
    return SilentLoss(
        peak=peak,
        rows=rows,
        laws=layout.laws,
        failures=layout.failures,
        fixed_shape=layout.fixed,
        units=int(rows.outcome.size),
        silent=int((rows.outcome == 0).sum()),
        told=int((rows.outcome == 1).sum()),
        gone_share=float(share.mean()) if share.size else 0.0,
    )
