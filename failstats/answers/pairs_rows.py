"""The rows of `pairs`."""

from __future__ import annotations

from dataclasses import dataclass

from failstats.estimate.dependence import Verdict

__all__ = [
    "FEWEST_INDEX_JOBS",
    "After",
    "CurveStep",
    "DependenceFound",
    "Difference",
    "Frailty",
    "Habit",
    "Hidden",
    "HiddenEnd",
    "HiddenLife",
    "Joint",
    "Missed",
    "OverlapBand",
    "Pair",
    "TestContrast",
]

FEWEST_INDEX_JOBS = 20  # in either arm; below it no difference is stated


@dataclass(frozen=True, slots=True, kw_only=True)
class After:
    """Failures seen after index jobs, beside what the background would have given;
    ages_covered: share of the days watched at ages the background was watched at too; where it is
    too small (`LEAST_COVERED`), expected and ratio are None."""

    window_days: int
    after: str
    index_jobs: int
    units: int
    observed: int
    expected: float | None
    ratio: float | None
    ratio_ci: tuple[float | None, float | None]
    ages_covered: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """Share of jobs followed by a failure of either part: partner kept, both replaced, and the
    difference, crude, weighted for what may have led to pairing, and through the habits of those
    who decide (None where habits are too alike)."""

    window_days: int
    alone: float
    both: float
    risk_difference: float
    ci: tuple[float, float]
    weighted_difference: float | None
    weighted_ci: tuple[float, float] | None
    habit_difference: float | None
    habit_ci: tuple[float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveStep:
    """The share of index jobs back by a day, in either arm; weighted where the difference is."""

    days: int
    alone: float
    alone_ci: tuple[float, float]
    both: float
    both_ci: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class OverlapBand:
    """Index jobs by their chance of pairing, as fitted: how alike the two arms are."""

    chance_from: float
    chance_to: float
    alone: int
    both: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Habit:
    """Whose pairing habit served as instrument: how many, and how strongly habits differ (F)."""

    by: str
    groups: int
    strength: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Joint:
    """Of the first part's failures, the share in which the second had failed too: as found, put
    right for a test's errors where given, and between what bounds where not."""

    first_failed: int
    looked_at: int
    found_failed: int
    share: float
    share_ci: tuple[float, float]
    corrected: float | None
    corrected_ci: tuple[float, float] | None
    bounds: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Missed:
    """How often a part that passed a test failed within a year all the same: in all, and beyond
    what parts of its age and family do (None where too few were watched at those ages)."""

    test: str
    kept: int
    unit_count: int
    failed_within: int
    share: float
    ci: tuple[float | None, float | None]
    usual_share: float | None
    beyond: float | None
    beyond_ci: tuple[float | None, float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class TestContrast:
    """What a cold test misses that a hot one shows: the share failing within a year of passing
    cold, less that of passing hot, each beyond its background."""

    window_days: int
    cold_minus_hot: float
    ci: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Frailty:
    """Units that differ: Kendall's tau between the two parts' lives of one unit, if nothing else
    linked them, beyond what is known of the unit (`allowed_for`); plain_tau allows for nothing."""

    tau: float
    ci: tuple[float, float]
    variance: float
    allowed_for: list[str]
    plain_tau: float
    plain_ci: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class DependenceFound:
    """Hidden failure against units that differ: what the records ask for, and how loudly."""

    verdict: Verdict
    hidden_p_value: float
    frailty_p_value: float
    multiplier_where_units_differ: float
    gain_hidden: float
    gain_frailty: float
    gain_both: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HiddenLife:
    """Weibull law of the partner's silent failure."""

    shape: float
    scale_days: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HiddenEnd:
    """The multiplier under another assumption on the tests, or where units differ."""

    assumption: str
    multiplier: float
    ci: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hidden:
    """The two-state model: how many times likelier the first part fails while the second is bad,
    unseen, and how long the second lasts until then."""

    multiplier: float
    multiplier_ci: tuple[float, float]
    life: HiddenLife
    scale_ci: tuple[float, float]
    induced_share: float
    bracket: list[HiddenEnd]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """One row of `pairs`: an ordered pair of parts."""

    first: str
    second: str
    episodes_first: int
    episodes_both: int
    unit_count: int
    share: float | None
    share_ci: tuple[float, float] | None
    lift: float | None
    odds_ratio: float | None
    odds_ratio_ci: tuple[float | None, float | None]
    q_value: float | None
    both_failed: int
    failed_odds_ratio: float | None
    failed_odds_ratio_ci: tuple[float | None, float | None]
    failed_q_value: float | None
    joint: Joint | None
    follow_on: list[After]
    difference: list[Difference]
    curve: list[CurveStep]
    overlap: float | None
    overlap_bands: list[OverlapBand]
    habit: Habit | None
    hidden: Hidden | None
    missed_by_test: list[Missed]
    test_contrast: TestContrast | None
    frailty: Frailty | None
    dependence: DependenceFound | None
