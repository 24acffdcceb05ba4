"""Two parts of one unit against each other: which of them failed, and in what state of the vent?"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import statsmodels.api as sm
from numpy.typing import ArrayLike, NDArray

from failstats.errors import FitError, InputError
from failstats.estimate.read_only import freeze

__all__ = ["FEWEST_FAILURES", "SameUnit", "same_unit_ratios"]

# Of each of the two parts; with fewer no figure is given.
FEWEST_FAILURES = 20
# A log ratio beyond this has run away: one of the two parts never failed in that state.
RUNAWAY = 12.0
MOST_STEPS = 100


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SameUnit:
    """Log hazard ratios (k,) of a part relative to those of the control, with covariance (k, k);
    ``failures`` of the part and of the control."""

    log_ratio: NDArray[np.float64]
    covariance: NDArray[np.float64]
    failures: tuple[int, int]

    def __post_init__(self) -> None:
        freeze(self)

    @property
    def standard_errors(self) -> NDArray[np.float64]:
        """(k,) robust standard errors."""
        return np.sqrt(np.diag(self.covariance))


def same_unit_ratios(
    is_part: ArrayLike,
    *,
    exposure: ArrayLike,
    part_age: ArrayLike,
    control_age: ArrayLike,
    cluster: ArrayLike,
    others: ArrayLike | None = None,
) -> SameUnit:
    """Does neglect shift failures from a part the vent cannot reach to one that it can?

    Parameters
    ----------
    is_part : (failures,) true where the part failed, false where the control of the same unit did.
    exposure : (failures, k) state of the vent on that day, as indicators or numbers.
    part_age, control_age : (failures,) ages of both parts that day, in one unit.
    cluster : (failures,) unit or building. others : (failures, m) further covariates, centred.

    Returns
    -------
    SameUnit. NaN where a state shows failures of one of the two only.

    Raises
    ------
    FitError : fewer than 20 failures of either part.

    Notes
    -----
    Given that one of two parts of a unit fails on a day, the chance that it is the one is its share
    of the two hazards. Whatever multiplies both (use, place, owner, whether they call at all)
    cancels, recorded or not, and the past may have decided when the vent was cleaned. The
    logarithm of the odds is linear in the logarithms of both ages where both lives are Weibull.
    Comparing two lives of one part within a unit at the same age (Cox stratified by unit) is not
    an alternative: the second life begins when the first has failed, and often behind a vent
    cleaned at that visit; with a true ratio of 1 it gives less (tests/simulation/vents).

    References
    ----------
    The competing-risks form of the partial likelihood: Prentice et al. (1978) Biometrics 34:541
    (page from memory).

    Examples
    --------
    >>> ages = [100.0] * 80
    >>> found = same_unit_ratios([1] * 20 + [0] * 20 + [1] * 30 + [0] * 10, part_age=ages,
    ...     exposure=[0] * 40 + [1] * 40, control_age=ages, cluster=range(80))
    >>> round(float(np.exp(found.log_ratio[0])), 6)  # odds 3 against odds 1
    3.0
    """
    outcome = np.asarray(is_part, dtype=float)
    n = outcome.size
    states = np.asarray(exposure, dtype=float).reshape(n, -1)
    ages = np.column_stack([np.asarray(part_age, float), np.asarray(control_age, float)])
    more = np.zeros((n, 0)) if others is None else np.asarray(others, dtype=float).reshape(n, -1)
    group = np.unique(np.asarray(cluster), return_inverse=True)[1]
    if not (np.isfinite(ages).all() and (ages > 0).all()):
        raise InputError("part_age and control_age must be above 0.", do="leave day 0 out.")
    if not np.isfinite(states).all() or not np.isfinite(more).all():
        raise InputError("exposure and others must be finite.")
    counts = (int(outcome.sum()), int(n - outcome.sum()))
    if min(counts) < FEWEST_FAILURES:
        raise FitError(
            f"the comparison within units needs {FEWEST_FAILURES} failures of both parts, but has "
            f"{counts[0]} and {counts[1]}."
        )
    k = states.shape[1]
    logs = np.log(ages)
    matrix = np.column_stack([np.ones(n), states, logs - logs.mean(axis=0), more])
    kept = _independent(matrix)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = sm.GLM(outcome, matrix[:, kept], family=sm.families.Binomial()).fit(
            maxiter=MOST_STEPS, tol=1e-12, cov_type="cluster", cov_kwds={"groups": group,
                                                                        "use_correction": False},
        )  # fmt: skip
    beta, spread = np.full(matrix.shape[1], np.nan), np.full((matrix.shape[1],) * 2, np.nan)
    good = np.abs(found.params) < RUNAWAY
    place = kept[good]
    beta[place] = found.params[good]
    spread[np.ix_(place, place)] = np.asarray(found.cov_params())[np.ix_(good, good)]
    return SameUnit(
        log_ratio=beta[1 : k + 1], covariance=spread[1 : k + 1, 1 : k + 1], failures=counts
    )


def _independent(matrix: NDArray[np.float64]) -> NDArray[np.int64]:
    """Columns that say something the earlier ones do not."""
    kept: list[int] = []
    basis = np.zeros((matrix.shape[0], 0))
    for column in range(matrix.shape[1]):
        own = matrix[:, column]
        rest = own - basis @ (basis.T @ own)
        if float(rest @ rest) > 1e-10 * max(float(own @ own), 1e-300):
            kept.append(column)
            basis = np.column_stack([basis, rest / np.sqrt(rest @ rest)])
    return np.array(kept, dtype=np.int64)
