"""The share still working when failures are only known to lie between two looks, without a shape.

The estimate puts its failures on the few gaps between looks that the records can tell apart;
inside a gap nothing is known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from failstats.errors import FitError
from failstats.estimate.intervals import survival_interval
from failstats.estimate.life_intervals import interval_rows
from failstats.estimate.stretch import read_only

__all__ = ["IntervalCurve", "turnbull"]

#: Largest change of any gap's share in one round at which the search may stop.
TOLERANCE = 1e-10
#: And the most the log-likelihood may still rise, per life.
CLOSE = 1e-7
MOST_ROUNDS = 20_000
#: A gap below this share is empty, and is checked to be so.
EMPTY = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class IntervalCurve:
    """The share still working, known only at the ends of gaps.

    Attributes
    ----------
    lower, upper : shape (m,), the gaps (lower, upper] in which failures lie; equal ends: that
        very age; an infinite upper end: not failed by the last look.
    share : shape (m,), share of lives failing in each gap.
    survival : shape (m,), share still working just after each gap.
    std_error : shape (m,), from the curvature of the likelihood over the gaps in use; honest
        when looks come at a few fixed ages, too small when every look has its own age.
    log_likelihood, rounds, gap : where the search ended; ``gap`` bounds how far, in
        log-likelihood, the best curve can lie above this one.
    conditioned_on : the curve speaks of parts that reached this age.
    """

    lower: np.ndarray
    upper: np.ndarray
    share: np.ndarray
    survival: np.ndarray
    std_error: np.ndarray
    log_likelihood: float
    rounds: int
    gap: float
    conditioned_on: float
    lives: float
    unit: str

    def survival_at(self, ages: Any) -> tuple[np.ndarray, np.ndarray]:
        """Lowest and highest share still working just after these ages: apart inside a gap."""
        asked = np.asarray(ages, dtype=float)
        steps = np.concatenate([[1.0], self.survival])
        high = steps[np.searchsorted(self.upper, asked, side="right")]
        # A gap has begun to let failures through once its lower end is passed.
        begun = (self.lower < asked[..., None]) | (
            (self.lower == self.upper) & (self.upper <= asked[..., None])
        )
        low = steps[begun.sum(axis=-1)]
        unknown = asked < self.conditioned_on
        return np.where(unknown, np.nan, low), np.where(unknown, np.nan, high)

    def interval(self, confidence_level: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
        """Interval of the survival after each gap, on the log-log scale."""
        with np.errstate(divide="ignore", invalid="ignore"):
            relative = (self.std_error / self.survival) ** 2
        return survival_interval(self.survival, relative, confidence_level=confidence_level)

    def table(self) -> Any:
        """One row per gap, as a pandas data frame."""
        import pandas as pd

        low, high = self.interval()
        return pd.DataFrame(
            {
                f"lower_{self.unit}": self.lower,
                f"upper_{self.unit}": self.upper,
                "share": self.share,
                "survival": self.survival,
                "std_error": self.std_error,
                "low": low,
                "high": high,
            }
        )


def turnbull(
    lower: Any,
    *,
    upper: Any,
    entry: Any = None,
    counts: Any = None,
    unit: str = "days",
) -> IntervalCurve:
    """What share of parts still works, when a failure is only known to lie between two looks.

    Parameters
    ----------
    lower : shape (m,), last age at which the part was seen working (0: never looked before).
    upper : shape (m,), age at which it was found failed; equal to lower when known exactly,
        infinite when it still worked.
    entry : shape (m,), age at which it came under observation; 0 when absent.
    counts : shape (m,), how many parts each row stands for; 1 when absent.

    Returns
    -------
    IntervalCurve.

    Raises
    ------
    InputError
        When ages do not ascend within a row.
    FitError
        When the search does not settle, or the few lives followed early have all failed before
        others came under observation.

    Notes
    -----
    Intervals are (lower, upper]. Mass lies on gaps that begin at a lower end and end at the next
    upper end (or entry), after Turnbull (1976) with Frydman's (1994) correction for late entry.
    Self-consistency steps, each pair extrapolated (squared, after Varadhan and Roland 2008).

    Examples
    --------
    >>> curve = turnbull([0, 1, 1, 3], upper=[2, 3, 4, float("inf")])
    >>> curve.lower.tolist(), curve.upper.tolist(), curve.survival.round(6).tolist()
    ([1.0, 3.0], [2.0, 4.0], [0.333333, 0.0])
    """
    low, up, start, weight = interval_rows(lower, upper=upper, entry=entry, counts=counts)
    if not low.size:
        raise FitError("a curve needs at least one part, but none were given.")
    gaps, first, last, begin = _gaps(low, up, start)
    m = gaps.shape[0]
    _refuse_a_break(last, begin, m, start, unit)
    share, rounds = _settle(first, last, begin, weight, m)
    keep = share > EMPTY
    value, slope = _value_and_slope(share, first, last, begin, weight)
    support = np.flatnonzero(keep)
    share = np.where(keep, share, 0.0)
    share /= share.sum()
    spread = _spread(share, support, first, last, begin, weight)
    working = np.maximum(1 - np.cumsum(share), 0.0)
    working[-1] = 0.0
    held = support
    return IntervalCurve(
        lower=read_only(gaps[held, 0]),
        upper=read_only(gaps[held, 1]),
        share=read_only(share[held]),
        survival=read_only(working[held]),
        std_error=read_only(spread),
        log_likelihood=value,
        rounds=rounds,
        gap=float(max(slope.max(), 0.0)),
        conditioned_on=float(start.min()),
        lives=float(weight.sum()),
        unit=unit,
    )


def _gaps(
    low: np.ndarray, up: np.ndarray, start: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """The gaps, and for each row the first gap, one past the last, and the first after entry.

    Ends are ordered as (age, side): an exact failure at t opens just before t, side 0; all
    other ends are at t itself, side 1. At one place, what closes comes before what opens.
    """
    exact = low == up
    opens = np.stack([low, np.where(exact, 0.0, 1.0)], axis=1)
    closes = np.stack([up, np.ones(up.size)], axis=1)
    enters = np.stack([start, np.ones(start.size)], axis=1)
    never = start == 0  # entry at birth conditions on nothing
    enters[never] = (-1.0, 0.0)
    places = np.concatenate([opens, closes, enters[~never]])
    distinct, rank = np.unique(places, axis=0, return_inverse=True)
    rank = rank.ravel()
    n = low.size
    open_at, close_at, enter_at = rank[:n], rank[n : 2 * n], np.full(n, -1)
    enter_at[~never] = rank[2 * n :]
    is_open = np.zeros(distinct.shape[0], dtype=bool)
    is_close = np.zeros(distinct.shape[0], dtype=bool)
    is_open[open_at] = True
    is_close[close_at] = True
    is_close[enter_at[~never]] = True
    # A gap runs from an opening place to the next place, if that closes.
    begins = np.flatnonzero(is_open[:-1] & is_close[1:])
    gaps = np.stack([distinct[begins, 0], distinct[begins + 1, 0]], axis=1)
    first = np.searchsorted(begins, open_at, side="left")
    last = np.searchsorted(begins, close_at, side="left")
    begin = np.searchsorted(begins, enter_at, side="left")
    return gaps, first, last, begin


def _refuse_a_break(
    last: np.ndarray, begin: np.ndarray, size: int, start: np.ndarray, unit: str
) -> None:
    """Refuse records that fall apart: all lives followed early fail before the rest is followed.

    The likelihood then has no top: it rises for ever as the early gaps take all the mass.
    """
    begun = np.cumsum(np.bincount(begin, minlength=size + 1))
    ended = np.cumsum(np.bincount(last, minlength=size + 1))
    inner = np.arange(1, size)
    apart = (begun[inner - 1] == ended[inner]) & (ended[inner] > 0) & (ended[inner] < begin.size)
    if apart.any():
        late = np.flatnonzero(begin >= inner[apart][-1])
        raise FitError(
            "the curve falls to 0 before some parts came under observation, so nothing holds it.",
            where=f"{late.size} rows, first entry {start[late].min():g} {unit}",
            do="leave out the lives that were followed only before that age.",
            rows=late.tolist(),
        )


def _sums(
    share: np.ndarray, first: np.ndarray, last: np.ndarray, begin: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    total = np.concatenate([[0.0], np.cumsum(share)])
    return total[last] - total[first], total[-1] - total[begin]


def _spread_out(amount: np.ndarray, first: np.ndarray, last: np.ndarray, size: int) -> np.ndarray:
    """For each gap, the sum of the amounts of the rows whose range holds it."""
    steps = np.bincount(first, weights=amount, minlength=size + 1)
    steps = steps - np.bincount(last, weights=amount, minlength=size + 1)
    return np.cumsum(steps)[:size]


def _round(
    share: np.ndarray,
    first: np.ndarray,
    last: np.ndarray,
    begin: np.ndarray,
    weight: np.ndarray,
) -> np.ndarray:
    """One self-consistency step: seen lives spread over their gaps, unseen ones before entry."""
    inside, followed = _sums(share, first, last, begin)
    size = share.size
    seen = _spread_out(weight / inside, first, last, size)
    unseen = _spread_out(weight / followed, np.zeros_like(begin), begin, size)
    fresh = share * (seen + unseen)
    return fresh / fresh.sum()


def _value_and_slope(
    share: np.ndarray,
    first: np.ndarray,
    last: np.ndarray,
    begin: np.ndarray,
    weight: np.ndarray,
) -> tuple[float, np.ndarray]:
    """Log-likelihood, and its slope towards each gap."""
    inside, followed = _sums(share, first, last, begin)
    value = float(weight @ (np.log(inside) - np.log(followed)))
    size = share.size
    slope = _spread_out(weight / inside, first, last, size)
    slope -= _spread_out(weight / followed, begin, np.full(begin.shape, size), size)
    return value, slope


def _settle(
    first: np.ndarray, last: np.ndarray, begin: np.ndarray, weight: np.ndarray, size: int
) -> tuple[np.ndarray, int]:
    share = np.full(size, 1.0 / size)
    rows = (first, last, begin, weight)
    with np.errstate(divide="ignore", invalid="ignore"):
        for number in range(MOST_ROUNDS):
            one = _round(share, *rows)
            two = _round(one, *rows)
            r, v = one - share, (two - one) - (one - share)
            length = float(np.sqrt((r @ r) / max(float(v @ v), 1e-300)))
            best = two
            if length > 1:
                leap = share + 2 * length * r + length * length * v
                leap = np.maximum(leap, two * 1e-3)
                leap = _round(leap / leap.sum(), *rows)
                if np.isfinite(leap).all() and (
                    _value_and_slope(leap, *rows)[0] >= _value_and_slope(two, *rows)[0]
                ):
                    best = leap
            if np.abs(two - one).max() < TOLERANCE:
                _, slope = _value_and_slope(two, *rows)
                if slope.max() < CLOSE * weight.sum():
                    return two, number + 1
            share = best
    raise FitError(
        f"the curve did not settle in {MOST_ROUNDS} rounds.",
        do="group the looks into fewer distinct ages.",
    )


def _spread(
    share: np.ndarray,
    support: np.ndarray,
    first: np.ndarray,
    last: np.ndarray,
    begin: np.ndarray,
    weight: np.ndarray,
) -> np.ndarray:
    """Standard error of the survival after each gap in use."""
    k = support.size
    if k == 1:
        return np.zeros(1)
    inside, followed = _sums(share, first, last, begin)
    a = (first[:, None] <= support) & (support < last[:, None])
    b = begin[:, None] <= support
    info = (a * (weight / inside**2)[:, None]).T @ a - (b * (weight / followed**2)[:, None]).T @ b
    # Free parameters: all shares but the last, which is 1 minus the rest.
    to_free = np.vstack([np.eye(k - 1), -np.ones((1, k - 1))])
    covariance = np.linalg.pinv(to_free.T @ info @ to_free, hermitian=True)
    add = np.tril(np.ones((k - 1, k - 1)))
    variance = np.einsum("ij,jk,ik->i", add, covariance, add)
    return np.append(np.sqrt(np.maximum(variance, 0.0)), 0.0)
