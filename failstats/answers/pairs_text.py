"""Pairs in words: the sentences and tables that `failstats pairs` prints."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from failstats.answers import wording as text

if TYPE_CHECKING:
    from failstats.answers.pairs_rows import Difference, Hidden, Pair

__all__ = ["details", "headline"]

VERDICTS = {
    "hidden_failure": "The records ask for this and not for units that differ in general.",
    "both": "The records ask for this and for units that differ besides; where units differ, "
    "{multiplier:.0f} times.",
    "units_differ": "But units that differ in general explain the records by themselves (some "
    "break both parts early): that one part breaks the other is not shown.",
    "cannot_be_told_apart": "But units that differ in general would look the same in these "
    "records: the two cannot be told apart, so no effect of the one on the other is claimed.",
    "no_dependence_seen": "But the records show no more of it than chance would: no effect of the "
    "one on the other is claimed.",
}
NOT_COMPARED = (
    "But too few dryers are watched from installation to see whether units that differ in general "
    "explain it: no effect of the one on the other is claimed."
)
NOT_WATCHED = " Usual unknown: too few first-fitted parts were watched at those ages."
FEWEST_SHOWN = 2  # found failed together; single coincidences are in the table of the answer
TESTS = {"cold_continuity": "cold", "hot_cycle": "hot"}


def headline(pair: Pair, entry: Difference) -> str:
    """What pairing changes, for the leading pair; its weighted difference is stated."""
    said = (
        f"When {text.one(pair.first)} is replaced and the {text.words(pair.second)} stays, "
        f"{text.share(entry.alone)} are back within {entry.window_days} days with one of the two "
        f"failed; with both replaced, {text.share(entry.both)}. Weighted for what led to pairing, "
        f"the difference is {text.points(entry.weighted_difference)}"
        f"{text.between(entry.weighted_ci, text.points)}."
    )
    if entry.weighted_ci is not None and entry.weighted_ci[0] <= 0 <= entry.weighted_ci[1]:
        said += " That may be chance."
    return said


def details(results: Sequence[Pair], settings: Mapping[str, Any]) -> list[str]:
    """All tables and notes under the headline."""
    return [
        *_together(results),
        *_failed(results, settings),
        *_after(results, settings),
        *_expected(results, settings),
        *_missed(results, settings),
        *_linked(results, settings),
    ]


def _odds(ratio: float | None) -> str:
    """An odds ratio; a small one is never rounded to nothing."""
    if ratio is None:
        return ""
    return f"{ratio:.1f}" if ratio >= 0.95 or ratio == 0 else f"{ratio:.1g}"


def _chance(q: float | None) -> str:
    """A q-value; what no computer number can hold is not 0."""
    if q is None:
        return ""
    return "under 1e-300" if q < 1e-300 else f"{q:.2g}"


def _together(results: Sequence[Pair]) -> list[str]:
    rows = [
        {
            "replaced": text.words(p.first),
            "and": text.words(p.second),
            "jobs": p.episodes_first,
            "both": p.episodes_both,
            "share": "" if p.share is None else text.share(p.share),
            "odds ratio": _odds(p.odds_ratio),
            "q": _chance(p.q_value),
            "both failed": p.both_failed,
        }
        for p in results
        if p.episodes_both
    ]
    if not rows:
        return []
    return [
        text.table(rows),
        text.wrap(
            "Odds ratios and q are among call-outs in which something failed or was replaced: "
            "one part explains most calls, so ratios below 1 are no protection. Replaced together "
            "tells habits; failed together tells the parts."
        ),
    ]


def _failed(results: Sequence[Pair], settings: Mapping[str, Any]) -> list[str]:
    rows, corrected = [], settings.get("sensitivity") is not None
    for p in results:
        if p.joint is None or p.joint.found_failed < FEWEST_SHOWN:
            continue
        low, high = p.joint.bounds
        row = {
            "failed": text.words(p.first),
            "times": p.joint.first_failed,
            "and": text.words(p.second),
            "found failed too": p.joint.found_failed,
            "share": text.share(p.joint.share),
            "if nobody looked": f"{text.share(low)} to {text.share(high)}" if high > low else "",
            "odds ratio": _odds(p.failed_odds_ratio),
            "q": _chance(p.failed_q_value),
        }
        if corrected:
            row["put right"] = (
                ""
                if p.joint.corrected is None
                else text.share(p.joint.corrected) + text.between(p.joint.corrected_ci, text.share)
            )
        rows.append(row)
    if not rows:
        return []
    said = (
        "If nobody looked: all partners that no test vouches for were good, or all were bad. Odds "
        "ratio and q (more often than chance) are among calls on which either failure could have "
        "been seen."
    )
    if corrected:
        said += " Put right: for the test's sensitivity and specificity, of the partners tested."
    return ["Failed on the same call:", text.table(rows), text.wrap(said)]


def _after(results: Sequence[Pair], settings: Mapping[str, Any]) -> list[str]:
    level = text.level_head(settings)
    rows = [
        {
            "replaced": text.words(p.first),
            "partner": text.words(p.second),
            "days": e.window_days,
            "kept": text.share(e.alone),
            "replaced too": text.share(e.both),
            "difference": text.points(e.risk_difference),
            "weighted": "refused"
            if e.weighted_difference is None
            else text.points(e.weighted_difference),
            level: ""
            if e.weighted_ci is None
            else text.between(e.weighted_ci, text.points, brackets=False),
        }
        for p in results
        for e in p.difference
    ]
    if not rows:
        return []
    lines = ["Back with either part failed:", text.table(rows)]
    for p in results:
        if not p.difference:
            continue
        jobs = {a.after: a.index_jobs for a in p.follow_on}
        said = (
            f"{text.words(p.first)}, {text.words(p.second)}: "
            f"{jobs.get('first_replaced_alone', 0):,} jobs with the partner kept and "
            f"{jobs.get('both_replaced', 0):,} with both replaced; {text.share(p.overlap)} of them "
            "could have gone either way, by what was known on the job"
        )
        said += "." if p.difference[-1].weighted_difference is not None else ": too few to weight."
        if p.habit is not None:
            whose = {"technician_id": "technicians", "van_id": "vans"}[p.habit.by]
            said += (
                f" From how often each of {p.habit.groups} {whose} pairs, whatever the dryer: "
                f"{text.points(p.difference[-1].habit_difference)} within "
                f"{p.difference[-1].window_days} days"
                f"{text.between(p.difference[-1].habit_ci, text.points)}; wider, but blind to "
                "what led to pairing."
            )
        lines.append(text.wrap(said))
    return lines


def _expected(results: Sequence[Pair], settings: Mapping[str, Any]) -> list[str]:
    words = {"first_replaced_alone": "kept", "both_replaced": "replaced too"}
    rows = [
        {
            "replaced": text.words(p.first),
            "partner": f"{text.words(p.second)} {words[a.after]}",
            "days": a.window_days,
            "failures": a.observed,
            "usual": "unknown" if a.expected is None else f"{a.expected:.1f}",
            "ratio": "" if a.ratio is None else f"{a.ratio:.1f}",
            text.level_head(settings): text.between(
                a.ratio_ci, lambda v: f"{v:.1f}", brackets=False
            ),
        }
        for p in results
        for a in p.follow_on
        if a.window_days == p.follow_on[-1].window_days
    ]
    if not rows:
        return []
    return [
        text.wrap(
            "Against the usual wear (first-fitted parts of the same age and family, before any "
            "repair of the heat parts):"
        ),
        text.table(rows),
        text.wrap(
            "A ratio above 1 may come from dryers that break everything sooner; only the "
            "difference above says what pairing changes."
            + (NOT_WATCHED if any(row["usual"] == "unknown" for row in rows) else "")
        ),
    ]


def _missed(results: Sequence[Pair], settings: Mapping[str, Any]) -> list[str]:
    rows, said, seen = [], [], set()
    for p in results:
        if p.second in seen or not p.missed_by_test:
            continue
        seen.add(p.second)
        for m in p.missed_by_test:
            rows.append(
                {
                    "part": text.words(p.second),
                    "passed": TESTS.get(m.test, text.words(m.test)),
                    "and kept": m.kept,
                    "failed within a year": text.share(m.share),
                    "usual": text.share(m.usual_share),
                    "beyond": text.points(m.beyond),
                    text.level_head(settings): text.between(
                        m.beyond_ci, text.points, brackets=False
                    ),
                }
            )
        if p.test_contrast is not None:
            said.append(
                text.wrap(
                    f"{text.one(p.second).capitalize()} that passed cold fails {_more(p)} than "
                    f"one that passed hot{text.between(p.test_contrast.ci, text.points)}."
                )
            )
    if any(row["usual"] == "unknown" for row in rows):
        said.append(text.wrap(NOT_WATCHED.strip()))
    return ["What a test misses:", text.table(rows), *said] if rows else []


def _more(pair: Pair) -> str:
    assert pair.test_contrast is not None
    gap = pair.test_contrast.cold_minus_hot
    return f"{text.points(abs(gap))} {'more' if gap >= 0 else 'less'} often within a year"


def _linked(results: Sequence[Pair], settings: Mapping[str, Any]) -> list[str]:
    lines = []
    for p in results:
        if p.hidden is not None:
            lines.append(text.wrap(_hidden(p, p.hidden)))
    rows = [
        {
            "parts": f"{text.words(p.first)}, {text.words(p.second)}",
            "Kendall's tau": _tau(p.frailty.plain_tau, p.frailty.plain_ci),
            "beyond what is known": _tau(p.frailty.tau, p.frailty.ci)
            if p.frailty.allowed_for
            else "",
            "known": ", ".join(map(text.words, p.frailty.allowed_for)) or "nothing",
        }
        for p in sorted(results, key=lambda p: (p.first, p.second))
        if p.frailty is not None and p.first < p.second
    ]
    if rows:
        lines += [
            text.wrap(
                "Do both break early in the same dryers? (0: no; units watched from installation)"
            ),
            text.table(rows),
            text.wrap(
                f"In brackets: {text.level_head(settings)}. Beyond what is known: part of it that "
                "the use, family, run and vent of a dryer do not explain; one part that breaks the "
                "other looks the same here."
            ),
        ]
    return lines


def _tau(tau: float, ci: tuple[float, float]) -> str:
    return f"{tau:.2f}{text.between(ci, lambda v: f'{v:.2f}')}"


def _hidden(pair: Pair, hidden: Hidden) -> str:
    first, second = text.words(pair.first), text.words(pair.second)
    verdict = pair.dependence
    claimed = verdict is not None and verdict.verdict in ("hidden_failure", "both")
    begin = "Hidden failures" if claimed else "If hidden failures were behind it"
    said = (
        f"{begin}: while a {second} is bad unseen, the {first} fails {hidden.multiplier:.0f} times "
        f"as fast{text.between(hidden.multiplier_ci, lambda v: f'{v:.0f}')}; a {second} lasts "
        f"{text.years(hidden.life.scale_days)} (Weibull scale"
        f"{text.between(hidden.scale_ci, text.years, brackets=False).join((', ', ''))}) until "
        f"then, and {text.share(hidden.induced_share)} of the {first} failures came after one. "
        f"{_spread(hidden)}"
    )
    if verdict is None:
        said += " " + NOT_COMPARED
    else:
        said += " " + VERDICTS[verdict.verdict].format(
            multiplier=verdict.multiplier_where_units_differ
        )
    return said


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
