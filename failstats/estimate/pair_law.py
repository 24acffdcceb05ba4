"""What a pair of parts is told of: how the two fail, what is done about the partner, what it costs.

A is the part that has failed, B its partner, which may fail unseen and then make A fail faster.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from failstats.errors import InputError

__all__ = ["PairAction", "PairCost", "PairLaw", "PairMoney", "PairStart"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PairLaw:
    """How the two parts of a pair fail, one row per draw of the parameters.

    Parameters
    ----------
    own : (draws, 2) shape and scale in days of A while B is good.
    silent : (draws, 2) of B's unseen failure; None where B does not fail unseen.
    visible : (draws, 2) of B's open failure, from the good state; None where it has none.
    multiplier : (draws,) how many times likelier A fails while B is bad.
    sensitivity : (draws,) share of bad B's that a hot test shows.
    """

    own: FloatArray
    silent: FloatArray | None = None
    visible: FloatArray | None = None
    multiplier: FloatArray | None = None
    sensitivity: FloatArray | None = None

    def __post_init__(self) -> None:
        set_ = object.__setattr__
        set_(self, "own", _law(self.own, "own"))
        draws = len(self.own)
        for name in ("silent", "visible"):
            value = getattr(self, name)
            if value is not None:
                set_(self, name, _law(value, name))
                if len(getattr(self, name)) != draws:
                    raise InputError(f"{name} must have a row for each of {draws} draws.")
        for name, default, most in (("multiplier", 1.0, np.inf), ("sensitivity", 1.0, 1.0)):
            value = getattr(self, name)
            held = np.full(draws, default) if value is None else np.array(value, dtype=float)
            held = np.broadcast_to(held, (draws,)).copy()
            if not (np.isfinite(held).all() and (held >= 0).all() and (held <= most).all()):
                raise InputError(f"{name} must hold numbers from 0 to {most:g}.")
            held.flags.writeable = False
            set_(self, name, held)

    @property
    def draws(self) -> int:
        """How many rows of parameters."""
        return len(self.own)

    def only(self, rows: ArrayLike) -> PairLaw:
        """Some of the draws."""
        at = np.atleast_1d(np.asarray(rows))
        return PairLaw(
            own=self.own[at],
            silent=None if self.silent is None else self.silent[at],
            visible=None if self.visible is None else self.visible[at],
            multiplier=self.multiplier[at],  # type: ignore[index]
            sensitivity=self.sensitivity[at],  # type: ignore[index]
        )


def _law(value: ArrayLike, name: str) -> FloatArray:
    held = np.array(value, dtype=float)
    if held.ndim != 2 or held.shape[1] != 2 or not (np.isfinite(held) & (held > 0)).all():
        raise InputError(
            f"{name} must be (draws, 2) shapes and scales above 0, but has shape {held.shape}.",
            do="drop the draws whose fit failed.",
        )
    held.flags.writeable = False
    return held


@dataclass(frozen=True, slots=True, kw_only=True)
class PairAction:
    """What is done about B on every visit at which A has failed.

    Parameters
    ----------
    name : of the rule.
    hot : share of the visits on which B is tested hot, and replaced if the test shows it bad.
    replaced : share on which B is replaced whatever its state,
    older_than_days : if it is at least so old.
    first_older_than_days : when B has failed openly, A is replaced too if at least so old; None
        leaves A in.
    checks_per_day : hot tests of B on visits for something else, which go on under every rule; a
        bad B found so is replaced. They cost nothing here but the part and its fitting.
    """

    name: str
    hot: float = 0.0
    replaced: float = 0.0
    older_than_days: float = 0.0
    first_older_than_days: float | None = None
    checks_per_day: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PairMoney:
    """What things cost, in one currency.

    Parameters
    ----------
    visit : a visit, paid for by nobody else. unpaid : a visit within the warranty of the part.
    warranty_days : how long after it was fitted the failure of a part is repaired for nothing.
    first_price, second_price : the parts.
    fitting : work to replace the partner while the cabinet is open. hot_test : work for one.
    """

    visit: float
    unpaid: float
    warranty_days: float
    first_price: float
    second_price: float
    fitting: float
    hot_test: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PairStart:
    """Where units stand when counting begins.

    Parameters
    ----------
    first_days, second_days : (cells,) ages of A and B.
    good, bad : (cells,) or (draws, cells) share of units in each cell with B good, and bad.
    failed : what has just failed: "first", "second" (openly), or "" for nothing.
    """

    first_days: FloatArray
    second_days: FloatArray
    good: FloatArray
    bad: FloatArray
    failed: str = "first"

    def only(self, rows: ArrayLike) -> PairStart:
        """The shares of some of the draws."""
        at = np.atleast_1d(np.asarray(rows))
        good, bad = np.asarray(self.good, float), np.asarray(self.bad, float)
        return replace(
            self,
            good=good[at] if good.ndim == 2 else good,
            bad=bad[at] if bad.ndim == 2 else bad,
        )

    @classmethod
    def new(cls) -> PairStart:
        """Both parts new, nothing has failed."""
        zero, one = np.zeros(1), np.ones(1)
        return cls(first_days=zero, second_days=zero, good=one, bad=zero, failed="")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PairCost:
    """Expected figures per unit under one action, (draws,) each, the first job included.

    money; visits (with the first job), unpaid (of these, within a warranty), first_parts,
    second_parts (fitted), hot_tests; service_days (expected days in service while counting).
    """

    money: FloatArray
    visits: FloatArray
    unpaid: FloatArray
    first_parts: FloatArray
    second_parts: FloatArray
    hot_tests: FloatArray
    service_days: float
