"""The rows and the answer of `pairs`."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any, ClassVar

import pandas as pd

from failstats.answers import pairs_text
from failstats.answers import wording as text
from failstats.answers.result import Answer
from failstats.estimate.dependence import Verdict
from failstats.show import charts

__all__ = [
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
    "Pairs",
    "TestContrast",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class After:
    """Failures seen after index jobs, beside what the background would have given;
    ages_covered: share of the days watched at ages the background was watched at too."""

    window_days: int
    after: str
    index_jobs: int
    units: int
    observed: int
    expected: float
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
    what parts of its age and family do."""

    test: str
    kept: int
    unit_count: int
    failed_within: int
    share: float
    ci: tuple[float | None, float | None]
    usual_share: float
    beyond: float
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pairs(Answer):
    """Every ordered pair of parts; those whose difference can be stated come first."""

    command: ClassVar[str] = "pairs"
    row_type: ClassVar[type | None] = Pair

    def leading(self) -> tuple[Pair, Difference] | None:
        """The pair with the most saved return visits, of those whose weighted difference is
        stated: largest lower limit at the longest window."""
        found = [
            (pair, pair.difference[-1])
            for pair in self.results
            if pair.difference and pair.difference[-1].weighted_ci is not None
        ]
        return max(found, key=lambda item: item[1].weighted_ci[0], default=None)

    def interval(self, confidence_level: float = 0.95) -> tuple[float, float] | None:
        """Interval of the leading pair's difference, at the level asked for when it ran."""
        leading = self.leading()
        return None if leading is None else leading[1].weighted_ci

    def difference_table(self) -> pd.DataFrame:
        """pair, window_days, difference, low, high (weighted where stated)."""
        rows = []
        for pair in self.results:
            for entry in pair.difference:
                weighted = entry.weighted_difference is not None and entry.weighted_ci is not None
                low, high = entry.weighted_ci if weighted else entry.ci
                rows.append(
                    {
                        "pair": f"{pair.first}, {pair.second}",
                        "window_days": entry.window_days,
                        "difference": entry.weighted_difference
                        if weighted
                        else entry.risk_difference,
                        "low": low,
                        "high": high,
                        "weighted": weighted,
                    }
                )
        return pd.DataFrame(
            rows, columns=["pair", "window_days", "difference", "low", "high", "weighted"]
        )

    def after_table(self) -> pd.DataFrame:
        """Observed against expected failures after index jobs, by pair, arm and window."""
        rows = [
            {"pair": f"{p.first}, {p.second}", **dataclasses.asdict(entry)}
            for p in self.results
            for entry in p.follow_on
        ]
        frame = pd.DataFrame(rows)
        if frame.empty:
            return frame
        low, high = zip(*frame.pop("ratio_ci"), strict=True)
        return frame.assign(ratio_low=low, ratio_high=high)

    def curve_table(self) -> pd.DataFrame:
        """series, age_days (since the job), share, low, high: back with either part failed."""
        rows = []
        for pair in self.results:
            name = f"{text.words(pair.first)}, {text.words(pair.second)}"
            for step in pair.curve:
                for arm, share, ci in (
                    ("kept", step.alone, step.alone_ci),
                    ("replaced too", step.both, step.both_ci),
                ):
                    rows.append(
                        {
                            "pair": name,
                            "series": f"{text.words(pair.second)} {arm}",
                            "age_days": step.days,
                            "share": share,
                            "low": ci[0],
                            "high": ci[1],
                        }
                    )
        return pd.DataFrame(rows, columns=["pair", "series", "age_days", "share", "low", "high"])

    def overlap_by_chance(self) -> pd.DataFrame:
        """pair, chance of pairing (from, to), jobs with the partner kept and replaced."""
        rows = [
            {"pair": f"{p.first}, {p.second}", **dataclasses.asdict(band)}
            for p in self.results
            for band in p.overlap_bands
        ]
        return pd.DataFrame(rows, columns=["pair", "chance_from", "chance_to", "alone", "both"])

    def missed_table(self) -> pd.DataFrame:
        """part, test and what it missed, once per part."""
        seen: dict[tuple[str, str], dict[str, Any]] = {}
        for pair in self.results:
            for row in pair.missed_by_test:
                entry = dataclasses.asdict(row)
                for name in ("ci", "beyond_ci"):
                    low, high = entry.pop(name)
                    stem = name.removesuffix("ci")
                    entry |= {f"{stem}low": low, f"{stem}high": high}
                seen.setdefault((pair.second, row.test), {"part": pair.second, **entry})
        return pd.DataFrame(list(seen.values()))

    def chart(self) -> Any:
        """A heat map: of the jobs that replaced the first part, how many replaced the second."""
        rows = [
            {
                "first": text.words(p.first),
                "second": text.words(p.second),
                "share": p.share,
                "episodes": p.episodes_first,
            }
            for p in self.results
            if p.share is not None
        ]
        if not rows:
            return None
        return charts.pair_heat_map(
            pd.DataFrame(rows),
            title="When the first part was replaced, the second was too",
            of="replacements",
        )

    def failed_chart(self) -> Any:
        """A heat map: of the first part's failures, in how many the second had failed too."""
        rows = [
            {
                "first": text.words(p.first),
                "second": text.words(p.second),
                "share": p.joint.share,
                "episodes": p.joint.first_failed,
            }
            for p in self.results
            if p.joint is not None
        ]
        return charts.pair_heat_map(pd.DataFrame(rows)) if rows else None

    def curve_chart(self) -> Any:
        """The leading pair's whole curves: back with either part failed, by days since the job."""
        leading = self.leading()
        if leading is None:
            return None
        name = f"{text.words(leading[0].first)}, {text.words(leading[0].second)}"
        frame = self.curve_table()
        frame = frame[frame["pair"] == name].rename(columns={"age_days": "days"})
        return charts.follow_on_curves(
            frame[["series", "days", "share", "low", "high"]],
            title=f"After a {text.words(leading[0].first)} was replaced: back with either failed",
        )

    def headline(self) -> str:
        """The leading pair's difference in words."""
        leading = self.leading()
        if leading is not None:
            return pairs_text.headline(*leading)
        if any(p.difference for p in self.results):
            return (
                "Jobs with and without a new partner are too unlike to say what pairing changes: "
                "what led to pairing cannot be told from what followed."
            )
        return "No pair of parts was replaced together often enough to say what pairing changes."

    def details(self) -> list[str]:
        """Tables: what goes together, what follows, what a test misses, what links the two."""
        return pairs_text.details(self.results, self.settings)
