"""Causes in words: the tables that `failstats causes` prints."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from failstats.answers import wording as text

if TYPE_CHECKING:
    from failstats.answers.causes import Causes

__all__ = ["NOT_RECORDED", "behind", "details"]

NOT_RECORDED = "not_recorded"  # the word of the queries for a call without a complaint
SETS_PRINTED = 6
CALLED = 0.05  # q-value at which a trend is said
NO_DIAGNOSIS = (
    "Shares among past calls on which the part was measured, with the doubt of counts that small; "
    "they are no diagnosis of the dryer in front of you: test it before replacing anything."
)
CLASS_WORDS = {
    "open": "open",
    "under_1_ohm": "under 1 Ω",
    "1_to_8_ohm": "1 to 8 Ω",
    "8_to_15_ohm": "8 to 15 Ω",
    "over_15_ohm": "over 15 Ω",
}


def behind(complaint: str) -> str:
    """The calls a share is of, in the words of a sentence.

    >>> behind("no_heat"), behind("not_recorded")
    ('behind no heat', 'where no complaint is recorded')
    """
    if complaint == NOT_RECORDED:
        return "where no complaint is recorded"
    return f"behind {text.words(complaint)}"


def details(answer: Causes) -> list[str]:
    """All tables under the headline."""
    level = text.level_head(answer.settings)
    return [
        *_strata(answer, level),
        *_parts(answer, level),
        *_sets(answer.summary, level),
        *_given(answer, level),
        *_readings(answer.summary),
        *_sites(answer.summary),
        *_trend(answer.summary),
    ]


def _interval(ci: Any) -> str:
    return text.between(ci, text.share, brackets=False)


def _strata(answer: Causes, level: str) -> list[str]:
    """With `--by`: the rows of the answer, the modes of a part together."""
    by = answer.settings.get("by") or []
    if not by:
        return []
    rows = [
        {
            "complaint": text.words(r.complaint),
            **{text.words(c): text.words(r.stratum.get(c) or "unknown") for c in by},
            "part": text.words(r.part),
            "mode": "" if r.mode is None else text.words(r.mode),
            "faults": r.episodes,
            "share": text.share(r.share),
            level: _interval(r.ci),
        }
        for r in answer.results
    ]
    return [text.table(rows)]


def _parts(answer: Causes, level: str) -> list[str]:
    rows = [
        {
            "complaint": text.words(row.complaint),
            "part found failed": text.words(row.part),
            "faults": row.episodes,
            "share": text.share(row.share),
            level: _interval((row.low, row.high)),
        }
        for row in answer.by_part().itertuples()
    ]
    if not rows:
        return []
    return [
        text.table(rows),
        text.wrap("Shares add up to more than 100 % where parts fail together."),
    ]


def _sets(summary: dict[str, Any], level: str) -> list[str]:
    several = [s for s in summary["sets"] if " + " in s["parts"]][:SETS_PRINTED]
    rows = [
        {
            "complaint": text.words(s["complaint"]),
            "failed together": " and ".join(map(text.words, s["parts"].split(" + "))),
            "faults": s["episodes"],
            "share": text.share(s["share"]),
            level: _interval(s["ci"]),
        }
        for s in several
    ]
    return [text.table(rows)] if rows else []


def _given(answer: Causes, level: str) -> list[str]:
    asked = answer.settings.get("reading") or {}
    if not asked:
        return []
    said = ", ".join(f"{text.words(part)} {value}" for part, value in asked.items())
    rows = [
        {
            "complaint": text.words(g["complaint"]),
            "part found failed": text.words(g["part"]),
            "faults": f"{g['episodes']:,} of {g['of']:,}",
            "share": text.share(g["share"]),
            level: _interval(g["ci"]),
        }
        for g in answer.summary["given_reading"]
    ]
    if not rows:
        return [text.wrap(f"Too few past calls read like {said} to state shares.")]
    alike = answer.summary["given_reading"][0]["reading"].split(" + ")
    said = ", ".join(
        f"{text.words(part)} {value} ({CLASS_WORDS[word]})"
        for (part, value), word in zip(asked.items(), alike, strict=True)
    )
    return [
        text.wrap(f"Past calls that read like {said}:"),
        text.table(rows),
        text.wrap(NO_DIAGNOSIS),
    ]


def _readings(summary: dict[str, Any]) -> list[str]:
    rows = []
    for r in summary["readings"]:
        measured = r["ohm_median"] is not None
        drift = r["drift_ohm_per_year"]
        rows.append(
            {
                "part": text.words(r["part"]),
                "found": text.words(r["finding"]),
                "readings": r["readings"],
                "open": r["open_circuit"],
                "median": f"{r['ohm_median']:.2f} Ω" if measured else "",
                "middle 90 %": f"{r['ohm_p05']:.2f} to {r['ohm_p95']:.2f}" if measured else "",
                "drift a year": ""
                if drift is None
                else f"{drift:+.3f}{text.between(r['drift_ci'], lambda v: f'{v:+.3f}')}",
            }
        )
    if not rows:
        return []
    return [
        text.wrap("What parts measure (open circuit counted apart; drift with the part's age):"),
        text.table(rows),
    ]


def _sites(summary: dict[str, Any]) -> list[str]:
    lines = []
    for found in summary["break_sites"]:
        if found["uniform_p_value"] is None:
            continue
        p = found["uniform_p_value"]
        sites = "; ".join(
            f"{text.words(s['site'])} {text.share(s['share'])}" for s in found["sites"]
        )
        verdict = (
            "more than chance would have it at some places"
            if p < CALLED
            else "no place more than chance would have it"
        )
        lines.append(
            text.wrap(f"Where {text.one(found['part'])} breaks: {sites}; {verdict} (p {p:.2g}).")
        )
    return lines


def _trend(summary: dict[str, Any]) -> list[str]:
    rows = summary["trend"]
    if not rows:
        return []
    moved = [row for row in rows if row["q_value"] < CALLED]
    if not moved:
        return [
            text.wrap(
                f"Over the quarters no share rises or falls beyond chance ({len(rows)} shares "
                f"tested; smallest q {rows[0]['q_value']:.2g})."
            )
        ]
    return [
        text.wrap(
            f"Over the quarters, {behind(row['complaint'])}, {text.words(row['part'])} "
            f"{'rises' if row['share_per_year'] > 0 else 'falls'} by "
            f"{text.points(abs(row['share_per_year']))} a year (q {row['q_value']:.2g})."
        )
        for row in moved
    ]
