"""What is replaced together (a habit), and what fails together (the parts): counts into figures."""

from __future__ import annotations

import numpy as np
import pandas as pd

from failstats.answers.pairs_rows import Joint
from failstats.errors import InputError
from failstats.estimate.association import (
    benjamini_hochberg,
    lift,
    mantel_haenszel,
    rogan_gladen,
    stratified_exact,
)
from failstats.estimate.intervals import wilson

__all__ = ["CALLED", "checked_test", "failed_together", "joint_failure", "replaced_together"]

CALLED = 0.05  # q-value at which a pair is called


def _tables(both: np.ndarray, one: np.ndarray, other: np.ndarray, total: np.ndarray) -> np.ndarray:
    """(strata, 2, 2) from the margins."""
    return np.stack(
        [
            np.stack([both, one - both], -1),
            np.stack([other - both, total - one - other + both], -1),
        ],
        -2,
    )


def _with_q(frame: pd.DataFrame, p_value: str, q_value: str) -> pd.DataFrame:
    """q-values over all pairs; a pair and its mirror are one test."""
    keys = ["|".join(sorted(pair)) for pair in zip(frame["first"], frame["second"], strict=True)]
    once = frame.assign(key=keys).drop_duplicates("key").set_index("key")[p_value]
    q_values = dict(zip(once.index, benjamini_hochberg(once.to_numpy(float)), strict=True))
    return frame.assign(**{q_value: [q_values[key] for key in keys]})


def replaced_together(frame: pd.DataFrame, level: float) -> pd.DataFrame:
    """Per ordered pair, families stratified: counts, lift, odds ratio, two-sided mid-p, q.

    Parameters
    ----------
    frame : rows of `pairs_together`.
    """
    rows = []
    for (first, second), group in frame.groupby(["first", "second"], sort=False):
        names = ("episodes_both", "episodes_first", "episodes_second", "episodes_total")
        both, one, other, total = (group[name].to_numpy() for name in names)
        strata = _tables(both, one, other, total)
        stratified = mantel_haenszel(strata)
        low, high = stratified.interval(level)
        rows.append(
            {
                "first": first,
                "second": second,
                "episodes_first": int(one.sum()),
                "episodes_both": int(both.sum()),
                "both_failed": int(group["both_failed"].sum()),
                "unit_count": int(group["unit_count"].sum()),
                "lift": float(lift(strata.sum(axis=0)).estimate) if both.sum() else None,
                "odds_ratio": float(stratified.odds_ratio),
                "odds_low": float(low),
                "odds_high": float(high),
                "p_value": stratified_exact(strata, mid_p=True),
            }
        )
    return _with_q(pd.DataFrame(rows), "p_value", "q_value")


def failed_together(frame: pd.DataFrame, level: float) -> pd.DataFrame:
    """Per ordered pair, families stratified: odds ratio of failing together where both could be
    seen, mid-p against "more often than chance" alone, q.

    Parameters
    ----------
    frame : rows of `pairs_failed`: family, first, second, looked, looked_first, looked_second,
        looked_both.

    Notes
    -----
    One-sided, because the calls were made by some failure: parts that fail apart then look as if
    they protected each other, which is no finding.
    """
    rows = []
    for (first, second), group in frame.groupby(["first", "second"], sort=False):
        names = ("looked_both", "looked_first", "looked_second", "looked")
        strata = _tables(*(group[name].to_numpy() for name in names))
        stratified = mantel_haenszel(strata)
        low, high = stratified.interval(level)
        margins = np.concatenate([strata.sum(axis=-1), strata.sum(axis=-2)], axis=-1)
        possible = bool((margins > 0).all(axis=-1).any())
        rows.append(
            {
                "first": first,
                "second": second,
                "failed_odds_ratio": float(stratified.odds_ratio),
                "failed_low": float(low),
                "failed_high": float(high),
                "failed_p_value": stratified_exact(strata, alternative="greater", mid_p=True)
                if possible
                else np.nan,
            }
        )
    columns = ["first", "second", "failed_odds_ratio", "failed_low", "failed_high"]
    if not rows:
        return pd.DataFrame(columns=[*columns, "failed_p_value", "failed_q_value"])
    return _with_q(pd.DataFrame(rows), "failed_p_value", "failed_q_value")


# --- what a test gets wrong --------------------------------------------------------------------


def checked_test(
    sensitivity: float | None, specificity: float | None
) -> tuple[float, float] | None:
    """Both shares, or None where neither was given."""
    if sensitivity is None and specificity is None:
        return None
    if sensitivity is None or specificity is None:
        raise InputError(
            "a test's sensitivity and specificity belong together, but only one was given.",
            where="--sensitivity, --specificity",
            do="give both, such as --sensitivity 0.95 --specificity 1.",
        )
    try:
        rogan_gladen(0.5, sensitivity=sensitivity, specificity=specificity)
    except InputError as fault:
        raise InputError(
            fault.what,
            where="--sensitivity, --specificity",
            do="give those of the test itself, such as --sensitivity 0.95 --specificity 1.",
        ) from None
    return sensitivity, specificity


def joint_failure(
    group: pd.DataFrame, *, test: tuple[float, float] | None, level: float
) -> Joint | None:
    """Of the first part's failures, the share in which the partner had failed too.

    Parameters
    ----------
    group : rows of `pairs_failed` of one ordered pair.
    test : (sensitivity, specificity) of the look at the partner, where known.

    Notes
    -----
    The corrected share is Rogan and Gladen's (1978), of the partners that were looked at; its
    interval is Wilson's, put through the same correction (the test's own figures taken as known).
    Without them, bounds: all partners that nothing vouches for were good, or all were bad.
    """
    count = {
        name: int(group[name].sum())
        for name in ("first_failed", "both_failed", "partner_open", "looked_first", "looked_both")
    }
    failed = count["first_failed"]
    if not failed:
        return None
    low, high = wilson(count["both_failed"], of=failed, confidence_level=level)
    corrected, limits = None, None
    looked = count["looked_first"]
    if test is not None and looked:
        how = {"sensitivity": test[0], "specificity": test[1]}
        ends = wilson(count["looked_both"], of=looked, confidence_level=level)
        corrected = float(rogan_gladen(count["looked_both"] / looked, **how))
        limits = (float(rogan_gladen(ends[0], **how)), float(rogan_gladen(ends[1], **how)))
    return Joint(
        first_failed=failed,
        looked_at=looked,
        found_failed=count["both_failed"],
        share=count["both_failed"] / failed,
        share_ci=(float(low), float(high)),
        corrected=corrected,
        corrected_ci=limits,
        bounds=(
            count["both_failed"] / failed,
            (count["both_failed"] + count["partner_open"]) / failed,
        ),
    )
