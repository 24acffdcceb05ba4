"""Do the rules of thumb hold in these records? Supported, contradicted, or cannot tell."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any, ClassVar, Literal

from failstats.answers import wording as text
from failstats.answers.pairs import Pairs, pairs, reach_days
from failstats.answers.result import Answer, Warning_
from failstats.answers.vents import Vents, vents
from failstats.errors import InputError
from failstats.estimate.intervals import jeffreys
from failstats.show import charts
from failstats.warehouse.session import Session

import pandas as pd  # isort: skip

__all__ = ["Graded", "Rules", "read_rules", "rules"]

ESTIMATORS = {
    "share": {"complaint", "parts"},
    "reading": {"part", "from", "to"},
    "hazard": {"part", "contrast"},
    "follow_on": {"first", "second", "window_days"},
    "share_of_modes": {"part", "modes"},
}
COMMON_KEYS = {"name", "statement", "estimator", "threshold", "direction", "origin"}
FEWEST_EPISODES = 20
Verdict = Literal["supported", "contradicted", "cannot_tell"]
Figure = tuple[float | None, tuple[float, float] | None, int, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Graded:
    """One row of `rules`."""

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
        return (
            charts.shares(pd.DataFrame(rows), label="rule", title="Shares behind the rules")
            if rows
            else None
        )

    def headline(self) -> str:
        """How many rules hold."""
        counted = self.summary["verdicts"]
        return (
            f"Of {len(self.results)} rules of thumb, {counted['supported']} are supported by the records, "
            f"{counted['contradicted']} contradicted; on {counted['cannot_tell']} they cannot tell."
        )

    def details(self) -> list[str]:
        """A table of verdicts."""
        rows = []
        for r in self.results:
            say: Callable[[float | None], str] = (
                (lambda v: f"{v:.2f}")
                if r.estimator == "hazard"
                else (text.points if r.estimator == "follow_on" else text.share)
            )
            rows.append(
                {
                    "verdict": text.words(r.verdict),
                    "rule": r.statement,
                    "figure": "" if r.figure is None else say(r.figure) + text.between(r.ci, say),
                    "jobs": r.episodes,
                }
            )
        why = [
            text.wrap(f"Cannot tell: {r.statement.rstrip('.')}. Because {r.reason}.")
            for r in self.results
            if r.verdict == "cannot_tell"
        ]
        return [text.table(rows), *why]


def read_rules(path: Path | None = None) -> list[dict[str, Any]]:
    """The rules of a file; the shipped ones where None.

    Raises
    ------
    InputError : no such file, not TOML, an unknown estimator or key.

    Examples
    --------
    >>> read_rules()[0]["estimator"]
    'share'
    """
    where = "rules.toml"
    if path is None:
        content = resources.files("failstats").joinpath("rules.toml").read_text("utf-8")
    else:
        where = str(path)
        try:
            content = Path(path).read_text("utf-8")
        except (FileNotFoundError, IsADirectoryError):
            raise InputError(
                f"a rules file must exist, but {path} does not.",
                where="--file",
                do="write one with: failstats draft rules",
            ) from None
        except UnicodeDecodeError:
            raise InputError(
                "a rules file must be UTF-8 text.", where=where, do="save it as UTF-8."
            ) from None
    try:
        found = tomllib.loads(content)
    except tomllib.TOMLDecodeError as fault:
        raise InputError(
            f"a rules file must be TOML, but: {fault}.", where=where, do="correct the line."
        ) from None
    listed = found.get("rule", [])
    if not isinstance(listed, list) or not listed or set(found) != {"rule"}:
        raise InputError(
            "a rules file holds [[rule]] entries and nothing else.",
            where=where,
            do="begin each with [[rule]].",
        )
    for number, rule in enumerate(listed, start=1):
        _check(rule, f"{where}, rule {number}")
    return listed


def _check(rule: dict[str, Any], where: str) -> None:
    estimator = rule.get("estimator")
    if estimator not in ESTIMATORS:
        raise InputError(
            f"estimator must be one of {', '.join(ESTIMATORS)}, but is {estimator!r}.",
            where=where,
            do="correct it.",
        )
    needed = ESTIMATORS[estimator] | (COMMON_KEYS - {"origin"})
    missing, unknown = needed - set(rule), set(rule) - needed - COMMON_KEYS
    if missing or unknown:
        said = [f"{', '.join(sorted(missing))} is missing"] if missing else []
        said += [f"{', '.join(sorted(unknown))} is unknown"] if unknown else []
        raise InputError(
            f"a rule with estimator {estimator} has the keys {', '.join(sorted(needed))}, but {'; '.join(said)}.",
            where=where,
            do="correct the keys.",
        )
    if rule["direction"] not in ("above", "below"):
        raise InputError(
            f"direction must be above or below, but is {rule['direction']!r}.",
            where=where,
            do="correct it.",
        )
    if isinstance(rule["threshold"], bool) or not isinstance(rule["threshold"], int | float):
        raise InputError(
            f"threshold must be a number, but is {rule['threshold']!r}.",
            where=where,
            do="correct it.",
        )
    days = rule.get("window_days", 1)
    if isinstance(days, bool) or not isinstance(days, int) or days < 1:
        raise InputError(
            f"window_days must be a whole number of days above 0, but is {days!r}.",
            where=where,
            do="give days, such as 365.",
        )


def rules(
    session: Session,
    *,
    file: Path | None = None,
    found_pairs: Pairs | None = None,
    found_vents: Vents | None = None,
    progress: Callable[[str], None] | None = None,
) -> Rules:
    """Which rules of thumb do the records support?

    Parameters
    ----------
    file : a rules file; the shipped rules where None.
    found_pairs, found_vents : answers of this session, if there are any already.
    progress : called with each rule.

    Returns
    -------
    Rules : one row per rule, in the order of the file.

    Raises
    ------
    InputError : the file is not a rules file.
    """
    listed = read_rules(file)
    kinds = {rule["estimator"] for rule in listed}
    known_pairs = _pairs_for(session, listed, found_pairs)
    known_vents = found_vents or (vents(session) if "hazard" in kinds else None)
    rows = []
    for rule in listed:
        if progress:
            progress(rule["name"])
        estimator = rule["estimator"]
        if estimator == "share":
            figure = _share(session, rule)
        elif estimator == "reading":
            figure = _reading(session, rule)
        elif estimator == "share_of_modes":
            figure = _modes(session, rule)
        elif estimator == "hazard":
            figure = _hazard(known_vents, rule)
        else:
            figure = _follow_on(session, known_pairs, rule)
        rows.append(_grade(rule, figure))
    verdicts = {
        word: sum(r.verdict == word for r in rows)
        for word in ("supported", "contradicted", "cannot_tell")
    }
    return Rules(
        as_of=session.as_of.isoformat(),
        settings={**session.choices, "file": None if file is None else Path(file).name},
        warnings=tuple(Warning_(code=code, text=said) for code, said in session.warnings),
        summary={"verdicts": verdicts},
        results=tuple(rows),
    )


def _grade(rule: dict[str, Any], figure: Figure) -> Graded:
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
        origin=str(rule.get("origin", "")),
    )


def _from_counts(inside: int, total: int, missing: str) -> Figure:
    if not total:
        return None, None, 0, missing
    low, high = jeffreys(inside, of=total)
    return inside / total, (float(low), float(high)), total, ""


def _share(session: Session, rule: dict[str, Any]) -> Figure:
    """Call-outs in which at least one of the parts had failed."""
    frame = session.run("causes_sets", complaint=rule["complaint"])
    total = int(frame["episodes"].sum())
    wanted = set(rule["parts"])
    inside = (
        int(
            frame.loc[
                [bool(wanted & set(parts.split(" + "))) for parts in frame["parts"]], "episodes"
            ].sum()
        )
        if total
        else 0
    )
    return _from_counts(
        inside, total, f"no call-out with complaint {rule['complaint']}: column complaint of jobs"
    )


def _reading(session: Session, rule: dict[str, Any]) -> Figure:
    row = session.run(
        "rules_readings", part=rule["part"], low=float(rule["from"]), high=float(rule["to"])
    ).iloc[0]
    return _from_counts(
        int(row["inside"]),
        int(row["readings"]),
        f"no readings of a working {rule['part']}: column reading of lines",
    )


def _modes(session: Session, rule: dict[str, Any]) -> Figure:
    row = session.run("rules_modes", part=rule["part"], modes=list(rule["modes"])).iloc[0]
    return _from_counts(
        int(row["inside"]),
        int(row["episodes"]),
        f"no failed {rule['part']} with a mode: column mode of lines",
    )


def _hazard(found: Vents | None, rule: dict[str, Any]) -> Figure:
    for row in found.results if found else ():
        if (
            row.part == rule["part"]
            and row.contrast == rule["contrast"]
            and row.hazard_ratio is not None
        ):
            low, high = row.ci
            if row.verdict == "cannot_be_trusted":
                return row.hazard_ratio, None, row.failures, row.verdict_text
            return row.hazard_ratio, (float(low or 0.0), float(high or 0.0)), row.failures, ""
    return (
        None,
        None,
        0,
        f"no hazard ratio of the {rule['part']}: cleanings, enrolled_on and its failures are needed",
    )


def _pairs_for(session: Session, listed: list[dict[str, Any]], found: Pairs | None) -> Pairs | None:
    """The answer with every window the rules ask for that the records reach; None where no rule
    asks."""
    wanted = {rule["window_days"] for rule in listed if rule["estimator"] == "follow_on"}
    wanted = {days for days in wanted if days <= reach_days(session)}
    if not wanted or (found is not None and wanted <= set(found.settings["windows_days"])):
        return found
    return pairs(session, window=sorted(wanted))


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
