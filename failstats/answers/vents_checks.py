"""What a hostile reader of `vents` asks for: the same unit, and the cleaning yet to come."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from failstats.answers.vents_models import Ratios, adjusters, fit_ratios, indicators
from failstats.errors import FitError
from failstats.estimate.same_unit import same_unit_ratios

__all__ = ["FUTURE", "Future", "Within", "future_exposure", "within_unit"]

# The next cleaning: within 30 days (it may have been made because of the failure), within a
# further year (the reference), later, or not to be known before watching ended.
FUTURE = ("later", "at_once", "end")


@dataclass(frozen=True, slots=True, kw_only=True)
class Within:
    """Log ratios by band against the control in the same unit (NaN: not to be had)."""

    log_ratio: dict[str, float]
    error: dict[str, float]
    failures: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Future:
    """Log ratio of a vent whose next cleaning is over a year away, against within the year."""

    log_ratio: float
    error: float
    failures: int


def within_unit(frame: pd.DataFrame, *, names: Sequence[str]) -> Within:
    """Hazard ratios of a part against the control of the same unit, on the same day.

    Parameters
    ----------
    frame : one row per failure of either part while the ages of both are known: is_part, band,
        part_age, control_age (days), cluster_id, loads_bin. names : the bands, reference left out.
    """
    nothing = dict.fromkeys(names, np.nan)
    use = adjusters(frame.assign(failed=True), ("loads_bin",))
    try:
        found = same_unit_ratios(
            frame["is_part"].to_numpy(float),
            exposure=np.column_stack([frame["band"] == name for name in names]).astype(float),
            part_age=frame["part_age"],
            control_age=frame["control_age"],
            cluster=frame["cluster_id"],
            others=np.column_stack([one.values[one.code] for one in use]) if use else None,
        )
    except FitError:
        return Within(log_ratio=nothing, error=dict(nothing), failures=int(frame["is_part"].sum()))
    errors = found.standard_errors
    return Within(
        log_ratio={name: float(found.log_ratio[k]) for k, name in enumerate(names)},
        error={name: float(errors[k]) for k, name in enumerate(names)},
        failures=found.failures[0],
    )


def future_exposure(frame: pd.DataFrame, *, bands: tuple[str, ...], reference: str) -> Future:
    """Does the cleaning that had not happened yet predict failures? It must not.

    Parameters
    ----------
    frame : stretches at risk cut where ``future`` changes too; ``future`` is soon, later, at_once
        or end. Stretches whose neglect is not known are left out: the next cleaning would stand in
        for the last.
    bands, reference : the states of neglect that are adjusted for.

    Notes
    -----
    A cleaning on the day of a failure or within 30 days after may have been made because of it,
    and is a level of its own, for parts that failed and did not fail alike.
    """
    known = frame[frame["band"] != "unknown"].reset_index(drop=True)
    found: Ratios = fit_ratios(
        known,
        exposure=indicators(known["future"], reference="soon", levels=FUTURE),
        others=[
            indicators(
                known["band"], reference=reference, levels=[b for b in bands if b != "unknown"]
            ),
            *adjusters(known),
        ],
    )
    counted = known.loc[known["future"].isin(["soon", "later"]), "failed"]
    return Future(
        log_ratio=found.log_of("later"),
        error=found.error_of("later"),
        failures=int(counted.sum()),
    )
