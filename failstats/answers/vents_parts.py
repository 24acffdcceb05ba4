"""One part's models for `vents`, and the figures that are read off them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from failstats.answers.lives import Selection, single_life
from failstats.answers.vents_checks import Future, Within, future_exposure, within_unit
from failstats.answers.vents_models import (
    LENGTH_LEVELS,
    Ratios,
    Second,
    adjusters,
    fit_ratios,
    indicators,
    proportional,
    second_opinion,
)
from failstats.answers.vents_records import (
    AHEAD_DAYS,
    REACTION_DAYS,
    Bands,
)
from failstats.answers.vents_runs import Runs
from failstats.answers.vents_stretches import part_keys, part_rows, same_unit_rows
from failstats.counts.bootstrap import weights
from failstats.errors import FitError
from failstats.estimate.belief import calibrated_interval, control_verdict
from failstats.estimate.intervals import normal_quantile
from failstats.estimate.life_models import FittedLife
from failstats.estimate.meaning import (
    NumberNeeded,
    attributable_share,
    number_needed,
    time_ratio,
)
from failstats.estimate.neglect_curve import NeglectCurve
from failstats.warehouse.session import Session

__all__ = [
    "LENGTH",
    "PREDICTS_AT",
    "PartFit",
    "attributable_of",
    "band_curve",
    "calibrated_of",
    "cleanings_of",
    "control_of",
    "fit_part",
    "limits_of",
    "neglect_ratios",
    "number_or_none",
    "part_frame",
    "time_ratio_of",
]

YEAR_DAYS = 365.25
LENGTH = f"length_{LENGTH_LEVELS[0]}"
# The next cleaning spoils an answer only when it predicts beyond chance at 1 %.
PREDICTS_AT = 0.99


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartFit:
    """One part's models, by name of the contrast: bands of neglect and `length_over_limit`.

    ``main`` adjusted, ``crude`` by exposure alone, ``second`` the Poisson model; ``cases``,
    ``person_days`` and ``units`` watched by band and length; ``within`` against the control in the
    same unit; ``future``: what the next cleaning predicts.
    """

    part: str
    frame: pd.DataFrame
    main: Ratios
    crude: dict[str, tuple[float, float]]
    second: Second
    proportional_p: dict[str, float]
    cases: dict[str, int]
    person_days: dict[str, float]
    units: dict[str, int]
    failures: int
    failed_share: float
    within: Within | None
    future: Future | None

    def log_of(self, name: str) -> float:
        """Adjusted log ratio; NaN where there is none."""
        return self.main.log_of(name) if name in self.main.names else float("nan")

    def error_of(self, name: str) -> float:
        """Its robust error."""
        return self.main.error_of(name) if name in self.main.names else float("nan")

    @property
    def use_known(self) -> float:
        """Share of the days watched whose loads a week are recorded."""
        days = self.frame["stop_days"] - self.frame["start_days"]
        return float(days[self.frame["loads_bin"] > 0].sum() / max(days.sum(), 1))

    @property
    def predicts(self) -> float | None:
        """Ratio of a vent whose next cleaning is far off, where that is beyond chance."""
        if self.future is None or not self.future.error > 0:
            return None
        beyond = abs(self.future.log_ratio) > normal_quantile(PREDICTS_AT) * self.future.error
        return float(np.exp(self.future.log_ratio)) if beyond else None


def part_frame(
    session: Session, part: str, followed: Sequence[str], runs: Runs, bracket: str = "stated_end"
) -> pd.DataFrame:
    """The stretches at risk behind the models of one part."""
    return part_rows(session, "vents_rows", part, followed, runs, bracket=bracket)


def neglect_ratios(
    frame: pd.DataFrame,
    bands: Bands,
    draws: Callable[[int, int], NDArray[np.int32]] | None = None,
) -> Ratios:
    """The adjusted model: bands of neglect and length, with everything else beside.

    Parameters
    ----------
    draws : as of `fit_ratios`.
    """
    return fit_ratios(
        frame,
        exposure=indicators(frame["band"], reference=bands.reference, levels=bands.names),
        others=adjusters(frame),
        reference=frame["band"] == bands.reference,
        draws=draws,
    )


def _draws(
    session: Session, part: str, followed: Sequence[str], replicates: int
) -> Callable[[int, int], NDArray[np.int32]] | None:
    """How often each cluster of `part_frame` is drawn; the same draws as of any other answer."""
    if not replicates:
        return None
    keys = part_keys(session, "vents_rows", part, followed, bracket="stated_end")
    return lambda first, last: weights(keys[first:last], replicates=replicates)


def fit_part(
    session: Session,
    part: str,
    followed: Sequence[str],
    runs: Runs,
    bands: Bands,
    *,
    control: str | None,
    confidence_level: float,
    replicates: int = 0,
) -> PartFit:
    """Cox models (adjusted, crude), the Poisson model, the same unit and the next cleaning.

    Parameters
    ----------
    replicates : units (or buildings) drawn anew so often for the adjusted model; 0 for none.

    Raises
    ------
    FitError : no failures, or nothing to compare.
    """
    frame = part_frame(session, part, followed, runs)
    main = neglect_ratios(frame, bands, _draws(session, part, followed, replicates))
    states = indicators(frame["band"], reference=bands.reference, levels=bands.names)
    plain = fit_ratios(frame, exposure=states)
    crude = {name: (plain.log_of(name), plain.error_of(name)) for name in bands.names}
    if LENGTH in main.names:
        run = fit_ratios(
            frame,
            exposure=indicators(
                frame["length"], reference="within", levels=LENGTH_LEVELS, prefix="length_"
            ),
        )
        crude[LENGTH] = (run.log_of(LENGTH), run.error_of(LENGTH))
    cases = frame.groupby("band", observed=True)["failed"].sum()
    days = (frame["stop_days"] - frame["start_days"]).groupby(frame["band"], observed=True).sum()
    units = frame.groupby("band", observed=True)["unit_id"].nunique()
    over = frame["length"] == LENGTH_LEVELS[0]
    names = (bands.reference, *bands.names)
    within = None
    if control is not None and control != part:
        within = within_unit(same_unit_rows(session, part, control, followed), names=bands.names)
    try:
        future = future_exposure(
            part_rows(
                session, "vents_future", part, followed, runs,
                ahead=AHEAD_DAYS, reaction=REACTION_DAYS,
            ),
            bands=bands.names,
            reference=bands.reference,
        )  # fmt: skip
    except FitError:
        future = None
    second, changes = second_opinion(main, confidence_level), proportional(main)
    return PartFit(
        part=part,
        frame=frame,
        main=main.light(),
        crude=crude,
        second=second,
        proportional_p=changes,
        cases={n: int(cases.get(n, 0)) for n in names}
        | {LENGTH: int(frame.loc[over, "failed"].sum())},
        person_days={n: float(days.get(n, 0.0)) for n in names},
        units={n: int(units.get(n, 0)) for n in names}
        | {LENGTH: int(frame.loc[over, "unit_id"].nunique())},
        failures=int(frame["failed"].sum()),
        failed_share=float(frame.groupby("unit_id")["failed"].max().mean()),
        within=within,
        future=future,
    )


def band_curve(found: PartFit, bands: Bands) -> NeglectCurve | None:
    """Failures per day in the bands themselves, for a part that gives no smooth curve.

    Returns
    -------
    The curve with the covariance of its bands, which are held against one reference, and of the
    rate there; None where a band has no ratio.
    """
    names = found.main.names
    if found.main.rate_per_day is None or not set(bands.rising) <= set(names):
        return None
    place = [names.index(name) for name in bands.rising]
    both = [*place, found.main.exposed]
    joint = np.asarray(found.main.joint)[np.ix_(both, both)]
    try:
        return NeglectCurve(
            kind="bands",
            months=np.array(bands.months, dtype=float),
            coefficients=found.main.log_ratio[place],
            rate_per_day=found.main.rate_per_day,
            reference_months=np.array([bands.months[0] / 2]),
            reference_shares=np.ones(1),
            covariance=joint,
            watched_months=float(bands.months[-1]),
        )
    except FitError:
        return None


def number_or_none(value: Any) -> float | None:
    number = float(value)
    return number if np.isfinite(number) else None


def limits_of(log_ratio: float, error: float, z: float) -> tuple[float | None, float | None]:
    """Interval of the ratio itself."""
    return (
        number_or_none(np.exp(log_ratio - z * error)),
        number_or_none(np.exp(log_ratio + z * error)),
    )


def control_of(found: Ratios, names: Sequence[str], level: float) -> str:
    """What a part that the vent cannot reach says, over the contrasts that count.

    Returns
    -------
    "clean" where every interval lies within 0.8 to 1.25; else "confounding_remains" where the
    contrasts together differ from 1 (one Wald test at the level of the intervals: two intervals
    would give a false alarm in one company of ten); else "control_too_small".
    """
    z = normal_quantile(level)
    used = [
        n
        for n in names
        if n in found.names and np.isfinite(found.error_of(n)) and found.error_of(n) > 0
    ]
    if not used:
        return "control_too_small"
    intervals = [limits_of(found.log_of(n), found.error_of(n), z) for n in used]
    words = [
        control_verdict((low or 0.0, np.inf if high is None else high)) for low, high in intervals
    ]
    if all(word == "clean" for word in words):
        return "clean"
    place = [found.names.index(n) for n in used]
    logs = found.log_ratio[place]
    statistic = float(logs @ np.linalg.pinv(found.covariance[np.ix_(place, place)]) @ logs)
    differs = statistic > float(stats.chi2.ppf(level, len(used)))
    return "confounding_remains" if differs else "control_too_small"


def calibrated_of(
    mine: PartFit, controls: Sequence[PartFit], name: str, level: float
) -> tuple[float, float] | None:
    """The interval that allows for what the controls show."""
    known = [
        c
        for c in controls
        if c.part != mine.part and np.isfinite(c.error_of(name)) and c.error_of(name) > 0
    ]
    if not known or not np.isfinite(mine.error_of(name)):
        return None
    found = calibrated_interval(
        mine.log_of(name),
        standard_error=mine.error_of(name),
        control_log_ratios=[c.log_of(name) for c in known],
        control_standard_errors=[c.error_of(name) for c in known],
    )
    return found.interval(level)


def time_ratio_of(
    session: Session, part: str, ratio: float, error: float, level: float
) -> tuple[float, tuple[float, float]] | None:
    """How long a part lasts behind such a vent, as a multiple; needs an honest Weibull shape."""
    key = f"vents_shape_{part}"
    if key not in session.kept:
        session.kept[key] = single_life(
            session, part, Selection(followed=("contract",)), cluster=False
        )
    life = session.kept[key]
    if not isinstance(life, FittedLife):
        return None
    shape = life.parameters["shape"]
    found = time_ratio(
        ratio, shape=shape, log_ratio_error=error, shape_error=shape * life.std_errors["shape"]
    )
    low, high = found.interval(level)
    return float(found.estimate), (float(low), float(high))


def attributable_of(
    found: PartFit, names: Sequence[str], level: float
) -> tuple[float, tuple[float, float]] | None:
    """Share of all failures owed to these contrasts together, if their ratios are causal."""
    used = [n for n in names if np.isfinite(found.log_of(n)) and found.cases[n] > 0]
    if not used:
        return None
    place = [found.main.names.index(n) for n in used]
    covariance = np.zeros((len(used) + 1,) * 2)
    covariance[1:, 1:] = found.main.covariance[np.ix_(place, place)]
    cases = [found.cases[n] for n in used]
    answer = attributable_share(
        [found.failures - sum(cases), *cases],
        hazard_ratios=[1.0, *(float(np.exp(found.log_of(n))) for n in used)],
        covariance=covariance,
    )
    low, high = answer.interval(level)
    return float(answer.estimate), (float(low), float(high))


def cleanings_of(found: PartFit, name: str, z: float) -> NumberNeeded | None:
    """Yearly cleanings of such units for each failure avoided, if the ratio is causal.

    The interval takes in the doubt of the ratio and of the failure rate (delta method); where the
    difference may be zero it runs through infinity, in two pieces.
    """
    cases, days = found.cases.get(name, 0), found.person_days.get(name, 0.0)
    log_ratio, error = found.log_of(name), found.error_of(name)
    if not cases or not days or not np.isfinite(log_ratio) or not np.isfinite(error):
        return None
    rate = cases / (days / YEAR_DAYS)
    inverse = float(np.exp(-log_ratio))
    avoided = rate * (1 - inverse)
    spread = np.sqrt((rate * inverse * error) ** 2 + avoided**2 / cases)
    return number_needed(
        float(avoided), low=float(avoided - z * spread), high=float(avoided + z * spread)
    )
