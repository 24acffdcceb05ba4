"""The headline ratio of `vents` again, each time with one choice made otherwise."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from typing import Any

import numpy as np

from failstats.answers.vents_parts import PartFit, limits_of, neglect_ratios, part_frame
from failstats.answers.vents_records import Bands, neglect_as
from failstats.answers.vents_runs import Runs
from failstats.errors import FitError
from failstats.progress import each
from failstats.warehouse.session import Session

__all__ = ["WAYS", "Sensitivity", "moved", "sensitivities"]

LAG_DAYS = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One choice made otherwise: in the neglect clock, or in which units are followed how far."""

    neglect: dict[str, Any] | None = None
    call_outs: bool = False
    bracket: str = "stated_end"
    recorded_use: bool = False


WAYS: dict[str, Way] = {
    "use_recorded_only": Way(recorded_use=True),
    "cleaning_acts_30_days_later": Way(neglect={"neglect_lag_days": LAG_DAYS}),
    "without_symptom_driven_cleanings": Way(neglect={"neglect_without_symptoms": True}),
    "without_owner_reported_cleanings": Way(neglect={"neglect_company_only": True}),
    "call_out_units_to_the_end": Way(call_outs=True),
    "call_out_units_to_last_contact": Way(call_outs=True, bracket="last_contact"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensitivity:
    """The ratio of the longest neglect of one part under one other choice."""

    part: str
    way: str
    hazard_ratio: float | None
    ci: tuple[float | None, float | None]
    failures: int


def sensitivities(
    session: Session,
    fitted: Sequence[PartFit],
    runs: Runs,
    bands: Bands,
    z: float,
    progress: Callable[[str], None] | None = None,
) -> list[Sensitivity]:
    """Every part under every other choice; contract units unless the choice says otherwise."""
    found = []
    for name, way in each(progress, WAYS.items(), lambda item: item[0].replace("_", " ")):
        with neglect_as(session, **way.neglect) if way.neglect else nullcontext():
            for mine in fitted:
                followed = ["contract", "call_out"] if way.call_outs else ["contract"]
                if way.recorded_use:
                    frame = mine.frame[mine.frame["loads_bin"] > 0].reset_index(drop=True)
                else:
                    frame = part_frame(session, mine.part, followed, runs, way.bracket)
                found.append(_one(mine.part, name, frame, bands, z))
    return found


def _one(part: str, name: str, frame: Any, bands: Bands, z: float) -> Sensitivity:
    nothing = Sensitivity(
        part=part, way=name, hazard_ratio=None, ci=(None, None), failures=int(frame["failed"].sum())
    )
    try:
        again = neglect_ratios(frame, bands)
    except FitError:
        return nothing
    log_ratio, error = again.log_of(bands.worst), again.error_of(bands.worst)
    if not (np.isfinite(log_ratio) and np.isfinite(error)):
        return nothing
    return Sensitivity(
        part=part,
        way=name,
        hazard_ratio=float(np.exp(log_ratio)),
        ci=limits_of(log_ratio, error, z),
        failures=again.failures,
    )


def moved(
    found: Sequence[Sensitivity], part: str, ci: tuple[float | None, float | None]
) -> list[str]:
    """The choices under which the ratio leaves the interval of the answer."""
    low, high = ci
    if low is None or high is None:
        return []
    return [
        one.way
        for one in found
        if one.part == part and one.hazard_ratio is not None and not low <= one.hazard_ratio <= high
    ]
