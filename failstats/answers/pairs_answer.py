"""The answer of `pairs`: its rows as tables, pictures and words."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any, ClassVar

import pandas as pd

from failstats.answers import pairs_text
from failstats.answers import wording as text
from failstats.answers.pairs_rows import FEWEST_INDEX_JOBS, Difference, Pair
from failstats.answers.result import Answer
from failstats.show import charts

__all__ = ["Pairs"]


def _units(pair: Pair) -> dict[str, int]:
    """What was replaced -> units with such index jobs."""
    return {entry.after: entry.units for entry in pair.follow_on}


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
        """pair, window_days, difference, low, high (weighted where stated), and units: of the
        arm with fewer."""
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
                        "units": min(_units(pair).values(), default=None),
                    }
                )
        return pd.DataFrame(
            rows, columns=["pair", "window_days", "difference", "low", "high", "weighted", "units"]
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
        """series, age_days (since the job), share, low, high: back with either part failed; units
        whose jobs are followed."""
        rows = []
        for pair in self.results:
            name = f"{text.words(pair.first)}, {text.words(pair.second)}"
            for step in pair.curve:
                for arm, after, share, ci in (
                    ("kept", "first_replaced_alone", step.alone, step.alone_ci),
                    ("replaced too", "both_replaced", step.both, step.both_ci),
                ):
                    rows.append(
                        {
                            "pair": name,
                            "series": f"{text.words(pair.second)} {arm}",
                            "age_days": step.days,
                            "share": share,
                            "low": ci[0],
                            "high": ci[1],
                            "units": _units(pair).get(after),
                        }
                    )
        return pd.DataFrame(
            rows, columns=["pair", "series", "age_days", "share", "low", "high", "units"]
        )

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

    def failed_table(self) -> pd.DataFrame:
        """Of the first part's failures, in how many the second was found failed too, with the
        bounds for partners nobody vouched for."""
        rows = [
            {
                "first": p.first,
                "second": p.second,
                "first_failed": p.joint.first_failed,
                "found_failed": p.joint.found_failed,
                "unit_count": p.unit_count,
                "share": p.joint.share,
                "low": p.joint.share_ci[0],
                "high": p.joint.share_ci[1],
                "if_all_others_good": p.joint.bounds[0],
                "if_all_others_bad": p.joint.bounds[1],
            }
            for p in self.results
            if p.joint is not None
        ]
        return pd.DataFrame(rows)

    def failed_chart(self) -> Any:
        """A heat map: of the first part's failures, in how many the second had failed too."""
        frame = self.failed_table()
        if frame.empty:
            return None
        words = {name: frame[name].map(text.words) for name in ("first", "second")}
        frame = frame.assign(**words, episodes=frame["first_failed"])
        return charts.pair_heat_map(frame[["first", "second", "share", "episodes"]])

    def failed_line(self) -> str:
        """The pair most often found failed together, in a sentence."""
        frame = self.failed_table().sort_values("found_failed", ascending=False, kind="stable")
        top = frame.iloc[0]
        if not top["found_failed"]:
            return "No two parts were found failed on the same call."
        return (
            f"Most often: of {top['first_failed']:,} calls with a failed "
            f"{text.words(top['first'])}, {text.share(top['share'])} had the "
            f"{text.words(top['second'])} found failed too; if all partners that no test vouches "
            f"for were bad, {text.share(top['if_all_others_bad'])}."
        )

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
            title=f"After {text.one(leading[0].first)} was replaced: back with either failed",
        )

    def curve_line(self) -> str:
        """Where the leading pair's curves end, in a sentence."""
        leading = self.leading()
        if leading is None:
            return ""
        pair, entry = leading
        last = pair.curve[-1]
        return (
            f"By day {last.days}, {100 * last.alone:.1f} % are back where the "
            f"{text.words(pair.second)} was kept and {100 * last.both:.1f} % where it was replaced "
            f"too: {text.points(entry.weighted_difference)} apart within {entry.window_days} days"
            f"{text.between(entry.weighted_ci, text.points)}, weighted for what led to pairing."
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
        return (
            f"For no pair of parts are there {FEWEST_INDEX_JOBS} jobs with the partner kept and as "
            "many with both replaced (jobs that found the partner failed do not count): what "
            "pairing changes cannot be said."
        )

    def headline_units(self) -> int | None:
        """Of the arm with fewer, of the leading pair."""
        leading = self.leading()
        if leading is None:
            return None
        pair, entry = leading
        arms = [arm.units for arm in pair.follow_on if arm.window_days == entry.window_days]
        return min(arms, default=0)

    def details(self) -> list[str]:
        """Tables: what goes together, what follows, what a test misses, what links the two."""
        return pairs_text.details(self.results, self.settings)
