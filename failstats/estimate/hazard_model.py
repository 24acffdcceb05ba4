"""The hazard model: how many times faster a part fails under one condition than another.

The public face of five modules: ``hazard_fit`` (Cox from counts), ``hazard_baseline``,
``hazard_robust`` (intervals by unit or building), ``hazard_proportional`` (does the ratio change
with age) and ``hazard_sums`` (the arithmetic under them).
"""

from __future__ import annotations

from failstats.estimate.hazard_baseline import BaselineHazard, baseline_hazard
from failstats.estimate.hazard_fit import CoxFit, Design, EventSums, cox, with_covariance
from failstats.estimate.hazard_proportional import (
    ProportionalHazardsTest,
    proportional_hazards_test,
)
from failstats.estimate.hazard_robust import (
    ClusterRobust,
    cluster_robust,
    cluster_robust_stream,
    martingale_residuals,
    score_residuals,
)

__all__ = [
    "BaselineHazard",
    "ClusterRobust",
    "CoxFit",
    "Design",
    "EventSums",
    "ProportionalHazardsTest",
    "baseline_hazard",
    "cluster_robust",
    "cluster_robust_stream",
    "cox",
    "martingale_residuals",
    "proportional_hazards_test",
    "score_residuals",
    "with_covariance",
]
