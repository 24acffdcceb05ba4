"""The rows and the answer of `pairs`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import pandas as pd

from failstats.answers import wording as text
from failstats.answers.result import Answer
from failstats.show import charts

__all__ = ["After", "Difference", "Hidden", "HiddenEnd", "HiddenLife", "Missed", "Pair", "Pairs"]

WINDOWS = (30, 90, 365)
FEWEST_INDEX_JOBS = 20  # in either arm; below it no difference is stated
REPLICATES = 400
SEED = 1
HEADLINE_WINDOW = 365
CALLED = 0.05  # q-value at which a pair is called


@dataclass(frozen=True, slots=True, kw_only=True)
class After:
    """Failures seen after index jobs, beside what the background would have given."""

    window_days: int
    after: str
    index_jobs: int
    units: int
    observed: int
    expected: float
    ratio: float | None
    ratio_ci: tuple[float | None, float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """Share of jobs followed by a failure of either part: partner kept, both replaced, and the
    difference, crude and weighted for what may have led to pairing."""

    window_days: int
    alone: float
    both: float
    risk_difference: float
    ci: tuple[float, float]
    weighted_difference: float | None
    weighted_ci: tuple[float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Missed:
    """How often a part that passed a test failed within a year all the same."""

    test: str
    kept: int
    failed_within: int
    share: float
    ci: tuple[float | None, float | None]


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
    follow_on: list[After]
    difference: list[Difference]
    overlap: float | None
    hidden: Hidden | None
    missed_by_test: list[Missed]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pairs(Answer):
    """Every ordered pair of parts; those whose difference can be stated come first."""

    command: ClassVar[str] = "pairs"
    row_type: ClassVar[type | None] = Pair

    def _leading(self) -> tuple[Pair, Difference] | None:
        """The pair with the most saved return visits: largest lower limit of the difference."""
        found = [
            (pair, entry)
            for pair in self.results
            for entry in pair.difference
            if entry.window_days == max(e.window_days for e in pair.difference)
        ]
        return max(found, key=lambda item: item[1].ci[0], default=None)

    def interval(self, confidence_level: float = 0.95) -> tuple[float, float] | None:
        """Interval of the leading pair's difference, at the level asked for when it ran."""
        leading = self._leading()
        return None if leading is None else (leading[1].weighted_ci or leading[1].ci)

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
                    }
                )
        return pd.DataFrame(rows, columns=["pair", "window_days", "difference", "low", "high"])

    def chart(self) -> Any:
        """A heat map: of the jobs that replaced the first part, how many replaced the second."""
        rows = [
            {"first": p.first, "second": p.second, "share": p.share, "episodes": p.episodes_both}
            for p in self.results
            if p.share is not None
        ]
        return charts.pair_heat_map(pd.DataFrame(rows)) if rows else None

    def headline(self) -> str:
        """The leading pair's difference in words."""
        leading = self._leading()
        if leading is None:
            return (
                "No pair of parts was replaced together often enough to say what pairing changes."
            )
        pair, entry = leading
        weighted = entry.weighted_difference is not None and entry.weighted_ci is not None
        value = entry.weighted_difference if weighted else entry.risk_difference
        ci = entry.weighted_ci if weighted else entry.ci
        assert value is not None
        return (
            f"When a {text.words(pair.first)} is replaced and the {text.words(pair.second)} stays, "
            f"{text.share(entry.alone)} are back within {entry.window_days} days with one of the two "
            f"failed; with both replaced, {text.share(entry.both)}: a difference of "
            f"{text.points(value)}{text.between(ci, text.points)}"
            f"{', weighted for what led to pairing' if weighted else ''}."
        )

    def details(self) -> list[str]:
        """Two tables: what goes together, and what follows."""
        together = [
            {
                "replaced": text.words(p.first),
                "and": text.words(p.second),
                "jobs": p.episodes_first,
                "both": p.episodes_both,
                "share": "" if p.share is None else text.share(p.share),
                "odds ratio": "" if p.odds_ratio is None else f"{p.odds_ratio:.1f}",
                "q": "" if p.q_value is None else f"{p.q_value:.2g}",
                "both failed": p.both_failed,
            }
            for p in self.results
            if p.episodes_both
        ]
        after = [
            {
                "replaced": text.words(p.first),
                "partner": text.words(p.second),
                "days": e.window_days,
                "kept": text.share(e.alone),
                "replaced too": text.share(e.both),
                "difference": text.points(e.risk_difference),
                text.level_head(self.settings): text.between(e.ci, text.points, brackets=False),
                "weighted": ""
                if e.weighted_difference is None
                else text.points(e.weighted_difference),
            }
            for p in self.results
            for e in p.difference
        ]
        lines = [
            text.table(together),
            text.wrap(
                "Odds ratios and q are among call-outs in which something failed or was replaced: "
                "one part explains most calls, so ratios below 1 are no protection."
            ),
        ]
        if after:
            lines += ["Back with either part failed:", text.table(after)]
        for p in self.results:
            if p.hidden is None:
                continue
            lines.append(
                text.wrap(
                    f"Hidden failures: while a {text.words(p.second)} is bad unseen, the "
                    f"{text.words(p.first)} fails {p.hidden.multiplier:.0f} times as fast"
                    f"{text.between(p.hidden.multiplier_ci, lambda v: f'{v:.0f}')}; a "
                    f"{text.words(p.second)} lasts {text.years(p.hidden.life.scale_days)} (Weibull "
                    f"scale{text.between(p.hidden.scale_ci, text.years, brackets=False).join((', ', ''))}) "
                    f"until then, and {text.share(p.hidden.induced_share)} of the "
                    f"{text.words(p.first)} failures came after one. {_spread(p.hidden)}"
                )
            )
        return lines


def _spread(hidden: Hidden) -> str:
    """How far the multiplier moves under other assumptions."""
    if not hidden.bracket:
        return ""
    least = min(hidden.bracket, key=lambda end: end.multiplier)
    most = max(hidden.bracket, key=lambda end: end.multiplier)
    return (
        f"Under other assumptions {least.multiplier:.0f} ({text.words(least.assumption)}) to "
        f"{most.multiplier:.0f} ({text.words(most.assumption)}) times."
    )
