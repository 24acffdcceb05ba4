"""One odds ratio over several families: Mantel-Haenszel, and whether the families agree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from failstats.errors import InputError
from failstats.estimate.intervals import normal_quantile
from failstats.estimate.read_only import freeze
from failstats.estimate.two_by_two import ALTERNATIVES, SAME_PROBABILITY, support, tables_of

__all__ = ["Homogeneity", "MantelHaenszel", "homogeneity", "mantel_haenszel", "stratified_exact"]

FloatArray = NDArray[np.float64]
MOST_TOTALS = 20_000  # of the first cell over all strata; below it the exact sum takes under 0.1 s


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MantelHaenszel:
    """Common odds ratio over strata; arrays of the leading shape.

    ``odds_ratio``, ``variance_log`` (Robins, Breslow and Greenland); ``statistic`` and
    ``p_value`` of the Cochran-Mantel-Haenszel test; ``strata`` that carry information.
    """

    odds_ratio: FloatArray
    variance_log: FloatArray
    statistic: FloatArray
    p_value: FloatArray
    strata: NDArray[np.int64]

    def __post_init__(self) -> None:
        freeze(self)

    def interval(self, confidence_level: float = 0.95) -> tuple[FloatArray, FloatArray]:
        """(low, high) of the common odds ratio; NaN where it is 0, infinite or undefined."""
        half = normal_quantile(confidence_level) * np.sqrt(self.variance_log)
        with np.errstate(invalid="ignore"):
            return self.odds_ratio * np.exp(-half), self.odds_ratio * np.exp(half)


def _strata_of(tables: ArrayLike) -> FloatArray:
    array = tables_of(tables)
    if array.ndim < 3:
        raise InputError(f"tables must have shape (..., strata, 2, 2), but have {array.shape}.")
    return array


def mantel_haenszel(tables: ArrayLike, *, correct: bool = True) -> MantelHaenszel:
    """How much the odds rise within families, so that a bad family alone cannot feign a pair.

    Parameters
    ----------
    tables : (..., strata, 2, 2) counts, one table per family.
    correct : continuity correction of the test.

    Returns
    -------
    MantelHaenszel. Strata with a zero margin drop out.

    References
    ----------
    Mantel and Haenszel (1959) JNCI 22:719; Robins, Breslow and Greenland (1986) Biometrics 42:311.

    Examples
    --------
    >>> m = mantel_haenszel([[[4, 2], [1, 3]], [[6, 1], [2, 4]]])
    >>> round(float(m.odds_ratio), 4)
    8.6087
    """
    table = _strata_of(tables)
    a, b, c, d = table[..., 0, 0], table[..., 0, 1], table[..., 1, 0], table[..., 1, 1]
    n = a + b + c + d
    informative = ((a + b) > 0) & ((c + d) > 0) & ((a + c) > 0) & ((b + d) > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = np.where(informative, 1 / n, 0.0)
        r, s = a * d * weight, b * c * weight
        p, q = (a + d) * weight, (b + c) * weight
        total_r, total_s = r.sum(axis=-1), s.sum(axis=-1)
        ratio = total_r / total_s
        variance = (
            (p * r).sum(axis=-1) / (2 * total_r**2)
            + (p * s + q * r).sum(axis=-1) / (2 * total_r * total_s)
            + (q * s).sum(axis=-1) / (2 * total_s**2)
        )
        expected = (a + b) * (a + c) * weight
        spread = np.where(
            informative, (a + b) * (c + d) * (a + c) * (b + d) / (n**2 * (n - 1)), 0.0
        ).sum(axis=-1)
        away = np.abs((np.where(informative, a, 0.0) - expected).sum(axis=-1))
        if correct:
            away = away - np.minimum(0.5, away)
        statistic = np.where(spread > 0, away**2 / spread, np.nan)
    return MantelHaenszel(
        odds_ratio=ratio,
        variance_log=np.where((total_r > 0) & (total_s > 0), variance, np.nan),
        statistic=statistic,
        p_value=stats.chi2.sf(statistic, 1),
        strata=informative.sum(axis=-1),
    )


def stratified_exact(
    tables: ArrayLike, *, alternative: str = "two-sided", mid_p: bool = False
) -> float:
    """Exact p-value that two parts fail together within families; one set of tables.

    Parameters
    ----------
    tables : (strata, 2, 2) counts. alternative : "two-sided", "greater" or "less".
    mid_p : count only half of the observed total's probability.

    Returns
    -------
    p-value; margins fixed. Two-sided: all totals of the first cell no likelier than the seen one,
    or with ``mid_p`` twice the smaller one-sided mid-p, as in ``fisher_exact``.

    Notes
    -----
    Beyond `MOST_TOTALS` possible totals the sum is normal to every digit that is printed, and the
    Mantel-Haenszel statistic without correction stands in.

    Examples
    --------
    >>> round(stratified_exact([[[3, 1], [1, 3]]]), 6)
    0.485714
    """
    if alternative not in ALTERNATIVES:
        raise InputError(
            f"alternative must be one of {', '.join(ALTERNATIVES)}, but is {alternative!r}."
        )
    table = _strata_of(tables)
    if table.ndim != 3:
        raise InputError(f"tables must have shape (strata, 2, 2), but have {table.shape}.")
    sizes = np.minimum(table.sum(axis=-1).min(axis=-1), table.sum(axis=-2).min(axis=-1))
    if sizes.sum() > MOST_TOTALS:
        return _normal_p(table, alternative)
    probability, seen = np.ones(1), 0
    for one in table:
        _, log_weight, at = support(one)
        probability = np.convolve(probability, np.exp(log_weight))
        seen += at
    if alternative == "two-sided" and not mid_p:
        limit = probability[seen] * (1 + SAME_PROBABILITY)
        return float(min(probability[probability <= limit].sum(), 1.0))
    half = 0.5 * probability[seen] if mid_p else 0.0
    less, greater = probability[: seen + 1].sum() - half, probability[seen:].sum() - half
    value = {"less": less, "greater": greater, "two-sided": 2 * min(less, greater)}[alternative]
    return float(min(max(value, 0.0), 1.0))


def _normal_p(table: FloatArray, alternative: str) -> float:
    """The same from the Mantel-Haenszel statistic, where counts are large."""
    row, column, total = table[:, 0].sum(-1), table[:, :, 0].sum(-1), table.sum((-2, -1))
    usable = total > 1
    row, column, total = row[usable], column[usable], total[usable]
    away = float((table[usable, 0, 0] - row * column / total).sum())
    spread = (row * (total - row) * column * (total - column) / (total**2 * (total - 1))).sum()
    z = away / float(np.sqrt(spread)) if spread > 0 else 0.0
    tail = {"greater": stats.norm.sf(z), "less": stats.norm.cdf(z)}
    return float(tail.get(alternative, 2 * stats.norm.sf(abs(z))))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Homogeneity:
    """Do all families show the same odds ratio? Chi-square statistics on ``degrees`` degrees."""

    woolf: float
    woolf_p: float
    breslow_day: float
    breslow_day_p: float
    tarone: float
    tarone_p: float
    degrees: int


def homogeneity(tables: ArrayLike) -> Homogeneity:
    """Whether one odds ratio may stand for all families.

    Parameters
    ----------
    tables : (strata, 2, 2) counts.

    Returns
    -------
    Homogeneity: Woolf's test with 1/2 added to every cell, Breslow and Day's, and Tarone's.
    NaN where fewer than two strata carry information or the common ratio is 0 or infinite.

    References
    ----------
    Woolf (1955); Breslow and Day (1980) volume I, p. 142; Tarone (1985) Biometrika 72:91.

    Examples
    --------
    >>> round(homogeneity([[[4, 2], [1, 3]], [[4, 2], [1, 3]]]).breslow_day, 9)
    0.0
    """
    table = _strata_of(tables)
    if table.ndim != 3:
        raise InputError(f"tables must have shape (strata, 2, 2), but have {table.shape}.")
    margins = np.concatenate([table.sum(axis=-1), table.sum(axis=-2)], axis=-1)
    table = table[(margins > 0).all(axis=-1)]
    degrees = table.shape[0] - 1
    common = float(mantel_haenszel(table).odds_ratio) if degrees >= 1 else np.nan
    if not (np.isfinite(common) and common > 0):
        nan = float("nan")
        return Homogeneity(
            woolf=nan,
            woolf_p=nan,
            breslow_day=nan,
            breslow_day_p=nan,
            tarone=nan,
            tarone_p=nan,
            degrees=max(degrees, 0),
        )
    half = table + 0.5
    log_ratio = np.log(half[:, 0, 0] * half[:, 1, 1] / (half[:, 0, 1] * half[:, 1, 0]))
    weight = 1 / (1 / half).sum(axis=(-2, -1))
    woolf = float((weight * (log_ratio - np.average(log_ratio, weights=weight)) ** 2).sum())

    a = table[:, 0, 0]
    row, other, column = table[:, 0].sum(-1), table[:, 1].sum(-1), table[:, :, 0].sum(-1)
    # First cell expected under the common ratio: the root of its quadratic inside the margins.
    if np.isclose(common, 1.0, rtol=1e-12, atol=0.0):
        expected = row * column / (row + other)
    else:
        square = 1 - common
        linear = (other - column) + common * (row + column)
        constant = -common * row * column
        root = np.sqrt(linear**2 - 4 * square * constant)
        expected = 2 * constant / (-linear - root)
    variance = 1 / (
        1 / expected
        + 1 / (row - expected)
        + 1 / (column - expected)
        + 1 / (other - column + expected)
    )
    breslow_day = float(((a - expected) ** 2 / variance).sum())
    tarone = breslow_day - float((a - expected).sum() ** 2 / variance.sum())
    return Homogeneity(
        woolf=woolf,
        woolf_p=float(stats.chi2.sf(woolf, degrees)),
        breslow_day=breslow_day,
        breslow_day_p=float(stats.chi2.sf(breslow_day, degrees)),
        tarone=tarone,
        tarone_p=float(stats.chi2.sf(tarone, degrees)),
        degrees=degrees,
    )
