"""The law of a pair under draws of its parameters: the estimate first, then what it might be."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from failstats.errors import InputError
from failstats.estimate.hidden_state import HiddenState
from failstats.estimate.life_models import FittedLife
from failstats.estimate.pair_law import PairLaw

__all__ = ["DRAWS", "hidden_law", "plain_law"]

FloatArray = NDArray[np.float64]
#: Draws beside the estimate, in pairs of opposite sign, which takes the noise out of means.
DRAWS = 160


def _drawn(theta: FloatArray, covariance: FloatArray, draws: int, seed: int) -> FloatArray:
    """(1 + draws, k): the estimate, then normal draws, each followed by its opposite."""
    if draws < 2 or draws % 2:
        raise InputError(f"draws must be an even number from 2, but is {draws}.")
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    half = np.random.Generator(np.random.PCG64(seed)).standard_normal((draws // 2, theta.size))
    both = np.stack([half, -half], axis=1).reshape(draws, theta.size) @ root.T
    return np.vstack([theta, theta + both])


def hidden_law(fit: HiddenState, *, draws: int = DRAWS, seed: int = 0) -> PairLaw:
    """How a pair fails whose second part fails unseen, with the doubt of its fit.

    Parameters
    ----------
    fit : the two-state model; its covariance by unit where `clustered`.
    draws : beside the estimate, an even number. seed : of the draws.
    """
    peak = fit.peak
    theta = _drawn(np.array(peak.theta), np.array(peak.covariance), draws, seed)

    def pair(which: str) -> FloatArray:
        return np.exp(theta[:, [peak.at(f"{which} shape"), peak.at(f"{which} scale")]])

    return PairLaw(
        own=pair("own"),
        silent=pair("hidden"),
        visible=pair("visible") if "visible shape" in peak.names else None,
        multiplier=np.exp(theta[:, peak.at("multiplier")]),
        sensitivity=np.full(len(theta), fit.hot_sensitivity),
    )


def plain_law(
    first: FittedLife, second: FittedLife, *, draws: int = DRAWS, seed: int = 0
) -> PairLaw:
    """How two parts fail that do not touch each other and both fail openly.

    Parameters
    ----------
    first, second : their fitted Weibull lives in days.
    """
    for life in (first, second):
        if life.model != "weibull" or life.unit != "days":
            raise InputError("lives must be Weibull lives in days.")
    return PairLaw(
        own=np.exp(_drawn(np.array(first.theta), np.array(first.covariance), draws, seed)),
        visible=np.exp(
            _drawn(np.array(second.theta), np.array(second.covariance), draws, seed + 1)
        ),
    )
