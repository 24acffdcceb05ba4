"""Do the rules of thumb hold in these records? Supported, contradicted, or cannot tell."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar, Literal

from failstats.answers import wording as text
from failstats.answers.drawn import drawn, said_of
from failstats.answers.pairs import Pairs, pairs, reach_days
from failstats.answers.result import Answer
from failstats.answers.rules_figures import (
    Figure,
    hazard,
    interval,
    missing_for,
    modes,
    rate_ratio,
    reading,
    share,
)
from failstats.answers.rules_file import read_rules
from failstats.answers.vents import Vents, vents
from failstats.progress import Stages, each
from failstats.show import charts
from failstats.warehouse.session import Session

import pandas as pd  # isort: skip

__all__ = ["Graded", "Rules", "read_rules", "rules"]

FEWEST_EPISODES = 20
Verdict = Literal["supported", "contradicted", "cannot_tell"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Graded:
    """One row of `rules`.

    ``episodes``: the jobs it rests on (of a hazard ratio, rate ratio or interval, the failures);
    ``reason``: why it cannot be told; ``missing``: the column or table without which it cannot.
    """

    rule: str
    statement: str
    estimator: str
    threshold: float
    direction: Literal["above", "below"]
    verdict: Verdict
    figure: float | None
    ci: tuple[float, float] | None
    episodes: int
    reason: str
    missing: str | None
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rules(Answer):
    """Every rule with its verdict."""

    command: ClassVar[str] = "rules"
    row_type: ClassVar[type | None] = Graded

    def chart(self) -> Any:
        """The shares among the figures; None where no rule is one."""
        rows = [
            {"label": text.words(r.rule), "share": r.figure, "low": r.ci[0], "high": r.ci[1]}
            for r in self.results
            if r.estimator in ("share", "reading", "share_of_modes")
            and r.figure is not None
            and r.ci
        ]
        if not rows:
            return None
        shown = "the" if len(rows) == len(self.results) else f"{len(rows)} of {len(self.results)}"
        title = f"Shares behind {shown} rules"
        return charts.shares(pd.DataFrame(rows), label="rule", title=title)

    def headline(self) -> str:
        """How many rules hold."""
        counted = self.summary["verdicts"]
        return (
            f"Of {len(self.results)} rules of thumb, {counted['supported']} are supported by the "
            f"records, {counted['contradicted']} contradicted; on {counted['cannot_tell']} they "
            "cannot tell."
        )

    def headline_units(self) -> int | None:
        """It counts rules and not units."""
        return None

    def details(self) -> list[str]:
        """A table of verdicts, then why some cannot be told, and where the rules come from."""
        rows = []
        for r in self.results:
            say = _in_words(r.estimator)
            rows.append(
                {
                    "verdict": text.words(r.verdict),
                    "rule": r.statement,
                    "figure": "" if r.figure is None else say(r.figure) + text.between(r.ci, say),
                    "jobs": r.episodes,
                }
            )
        lines = [text.table(rows)]
        for r in self.results:
            if r.verdict == "cannot_tell":
                need = f" Missing: {r.missing}." if r.missing else ""
                lines.append(
                    text.wrap(f"Cannot tell: {r.statement.rstrip('.')}. Because {r.reason}.{need}")
                )
        origins = Counter(r.origin or "no origin stated" for r in self.results)
        lines += [
            text.wrap(f"{n} {'rule' if n == 1 else 'rules'}: {o}.") for o, n in origins.items()
        ]
        return lines


def _in_words(estimator: str) -> Callable[[float | None], str]:
    """How a figure of an estimator is said."""
    if estimator in ("hazard", "rate_ratio"):
        return lambda value: f"{value:.2f}"
    if estimator == "interval":
        return text.years
    return text.points if estimator == "follow_on" else text.share


PAIRS, VENTS, RULES = "what follows a repair", "what the vent does", "each rule"
TIMES = {PAIRS: 11.0, VENTS: 8.0, RULES: 0.5}  # seconds on the demo


def rules(
    session: Session,
    *,
    file: Path | None = None,
    found_pairs: Pairs | None = None,
    found_vents: Vents | None = None,
    confidence_level: float = 0.95,
    progress: Callable[[str], None] | None = None,
) -> Rules:
    """Which rules of thumb do the records support?

    Parameters
    ----------
    file : a rules file; the shipped rules where None.
    found_pairs, found_vents : answers of this session at this level, if there are any already.
    confidence_level : of the intervals that decide.
    progress : called with each rule.

    Returns
    -------
    Rules : one row per rule, in the order of the file.

    Raises
    ------
    InputError : the file is not a rules file.
    """
    listed = read_rules(file, session.vocabulary)
    level = confidence_level
    known = {PAIRS: found_pairs is not None, VENTS: found_vents is not None}
    stage = Stages(progress, {**TIMES, **{step: 0.1 for step, there in known.items() if there}})
    stage(PAIRS)
    known_pairs = _pairs_for(session, listed, found_pairs, level, progress)
    known_vents = None
    stage(VENTS)
    if any(rule["estimator"] == "hazard" for rule in listed):
        known_vents = found_vents or vents(session, confidence_level=level, progress=progress)
    figures: dict[str, Callable[[dict[str, Any]], Figure]] = {
        "share": lambda rule: share(session, rule, level),
        "share_of_modes": lambda rule: modes(session, rule, level),
        "reading": lambda rule: reading(session, rule, level),
        "rate_ratio": lambda rule: rate_ratio(session, rule, level),
        "interval": lambda rule: interval(session, rule, level),
        "hazard": lambda rule: hazard(known_vents, rule),
        "follow_on": lambda rule: _follow_on(session, known_pairs, rule),
    }
    rows = []
    stage(RULES)
    for rule in each(progress, listed, lambda rule: text.words(rule["name"])):
        missing = missing_for(session, rule)
        figure: Figure = (None, None, 0, "the records do not hold what it rests on")
        if missing is None:
            figure = figures[rule["estimator"]](rule)
        rows.append(_grade(rule, figure, missing))
    verdicts = {
        word: sum(r.verdict == word for r in rows)
        for word in ("supported", "contradicted", "cannot_tell")
    }
    return Rules(
        as_of=session.as_of.isoformat(),
        settings={
            **session.choices,
            "file": None if file is None else Path(file).name,
            "confidence_level": level,
        },
        warnings=(*said_of(session), *drawn(session)),
        summary={"verdicts": verdicts},
        results=tuple(rows),
    )


def _grade(rule: dict[str, Any], figure: Figure, missing: str | None) -> Graded:
    value, ci, episodes, reason = figure
    threshold, above = float(rule["threshold"]), rule["direction"] == "above"
    verdict: Verdict = "cannot_tell"
    if value is not None and ci is not None and episodes >= FEWEST_EPISODES:
        low, high = ci
        if (low > threshold) if above else (high < threshold):
            verdict = "supported"
        elif (high < threshold) if above else (low > threshold):
            verdict = "contradicted"
        else:
            reason = reason or "the interval reaches to both sides of the threshold"
    elif not reason:
        reason = f"only {episodes} jobs speak to it; {FEWEST_EPISODES} are needed"
    return Graded(
        rule=str(rule["name"]),
        statement=str(rule["statement"]),
        estimator=rule["estimator"],
        threshold=threshold,
        direction=rule["direction"],
        verdict=verdict,
        figure=value,
        ci=ci,
        episodes=episodes,
        reason=reason,
        missing=missing,
        origin=str(rule.get("origin", "")),
    )


def _pairs_for(
    session: Session,
    listed: list[dict[str, Any]],
    found: Pairs | None,
    level: float,
    progress: Callable[[str], None] | None,
) -> Pairs | None:
    """The answer with every window the rules ask for that the records reach; None where no rule
    asks."""
    wanted = {rule["window_days"] for rule in listed if rule["estimator"] == "follow_on"}
    wanted = {days for days in wanted if days <= reach_days(session)}
    if not wanted or (found is not None and wanted <= set(found.settings["windows_days"])):
        return found
    return pairs(session, window=sorted(wanted), confidence_level=level, progress=progress)


def _follow_on(session: Session, found: Pairs | None, rule: dict[str, Any]) -> Figure:
    """Only the weighted difference is graded: a crude one may come from what led to pairing."""
    first, second = text.words(rule["first"]), text.words(rule["second"])
    days = rule["window_days"]
    if days > reach_days(session):
        return (
            None,
            None,
            0,
            f"the records reach over {reach_days(session)} days, fewer than {days}",
        )
    for row in found.results if found else ():
        if (row.first, row.second) != (rule["first"], rule["second"]):
            continue
        for entry in row.difference:
            if entry.window_days != days:
                continue
            jobs = sum(a.index_jobs for a in row.follow_on if a.window_days == days)
            if entry.weighted_difference is None or entry.weighted_ci is None:
                return None, None, jobs, (
                    f"jobs with and without a new {second} are too unlike to compare: the plain "
                    f"difference of {text.points(entry.risk_difference)} may come from what led "
                    "to pairing"
                )  # fmt: skip
            return entry.weighted_difference, entry.weighted_ci, jobs, ""
    return None, None, 0, (
        f"too few jobs on which the {first} was replaced with and without a new {second}"
    )  # fmt: skip
