"""What fails behind a complaint? Shares of parts and modes, with what none of them explains."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import pandas as pd
from scipy import stats

from failstats.answers import wording as text
from failstats.answers.result import Answer, Warning_
from failstats.errors import InputError
from failstats.estimate.intervals import jeffreys
from failstats.show import charts
from failstats.warehouse.session import Session

__all__ = ["STRATA", "Cause", "Causes", "causes"]

STRATA = ("family", "fuel", "van_id", "unit_age")
SETS_SHOWN = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One row of `causes`: a part and mode behind a complaint. Part `no_fault_found` is a row."""

    complaint: str
    stratum: dict[str, str | None]
    part: str
    mode: str | None
    episodes: int
    unit_count: int
    share: float
    ci: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Causes(Answer):
    """Shares of call-out episodes, by complaint, part and mode."""

    command: ClassVar[str] = "causes"
    row_type: ClassVar[type | None] = Cause

    def interval(self, confidence_level: float = 0.95) -> tuple[float, float] | None:
        """Interval of the first row's share."""
        if not self.results:
            return None
        first = self.results[0]
        total = round(first.episodes / first.share) if first.share else 0
        low, high = jeffreys(first.episodes, of=total, confidence_level=confidence_level)
        return float(low), float(high)

    def by_part(self) -> pd.DataFrame:
        """Without strata, the modes of a part together: complaint, part, episodes, share, low, high."""
        return pd.DataFrame(self.summary["parts"])

    def chart(self) -> Any:
        """The parts behind the most frequent complaint, most frequent first."""
        frame = self.by_part()
        if frame.empty:
            return None
        complaint = frame.iloc[0]["complaint"]
        mine = frame[frame["complaint"] == complaint].rename(columns={"part": "label"})
        return charts.shares(
            mine[["label", "share", "low", "high"]],
            label="part found failed",
            title=f"What was found behind {text.words(complaint)}",
        )

    def headline(self) -> str:
        """The leading parts behind the most frequent complaint."""
        frame = self.by_part()
        if frame.empty:
            return "No call-out with a complaint is in the records."
        complaint = frame.iloc[0]["complaint"]
        mine = frame[frame["complaint"] == complaint]
        top = "; ".join(
            f"{text.words(row.part)} {text.share(row.share)}{text.between((row.low, row.high), text.share)}"
            for row in mine.head(3).itertuples()
        )
        total = self.summary["episodes"][complaint]
        return f"Behind {text.words(complaint)} ({total:,} faults): {top}."

    def details(self) -> list[str]:
        """A table of parts by complaint."""
        rows = [
            {
                "complaint": text.words(row.complaint),
                "part found failed": text.words(row.part),
                "faults": row.episodes,
                "share": text.share(row.share),
                text.level_head(self.settings): text.between(
                    (row.low, row.high), text.share, brackets=False
                ),
            }
            for row in self.by_part().itertuples()
        ]
        return [text.table(rows), "Shares add up to more than 100 % where parts fail together."]


def causes(
    session: Session,
    *,
    complaint: str | None = None,
    by: Sequence[str] = (),
    confidence_level: float = 0.95,
) -> Causes:
    """Which part had failed behind each complaint, and how sure is the share?

    Parameters
    ----------
    complaint : only this one; all where None.
    by : columns to tell call-outs apart by (`STRATA`).

    Returns
    -------
    Causes : rows by complaint, stratum, part and mode; sets, readings and break sites in `summary`.

    Raises
    ------
    InputError : an unknown complaint or column.

    Notes
    -----
    Shares are of call-out episodes, with Jeffreys intervals (Brown, Cai and DasGupta 2001; the
    interval of the binomial with prior Beta(1/2, 1/2)). Trips count as failures.
    """
    spellings = session.vocabulary.spellings("complaints")
    if complaint is not None and complaint not in spellings:
        raise InputError(
            f"--complaint must be one of {', '.join(session.vocabulary.words['complaints'])}, but "
            f"is {complaint!r}.",
            where="--complaint",
            do="correct the word.",
        )
    for column in by:
        if column not in STRATA:
            raise InputError(
                f"--by must be one of {', '.join(STRATA)}, but is {column!r}.",
                where="--by",
                do="correct the word.",
            )
    chosen = spellings[complaint] if complaint else None
    frame = session.run("causes_episodes", complaint=chosen, by=list(by))
    rows = []
    for row in frame.itertuples():
        low, high = jeffreys(row.episodes, of=row.episodes_total, confidence_level=confidence_level)
        rows.append(
            Cause(
                complaint=row.complaint,
                stratum=dict(zip(by, json.loads(row.stratum), strict=True)),
                part=row.part,
                mode=row.mode if isinstance(row.mode, str) else None,
                episodes=int(row.episodes),
                unit_count=int(row.unit_count),
                share=row.episodes / row.episodes_total,
                ci=(float(low), float(high)),
            )
        )
    sets = session.run("causes_sets", complaint=chosen)
    totals = {str(k): int(v) for k, v in sets.groupby("complaint")["episodes"].sum().items()}
    parts = _parts(session, chosen, totals, confidence_level)
    leading = [word for word, _ in sorted(totals.items(), key=lambda item: -item[1])]
    rows.sort(
        key=lambda r: (
            leading.index(r.complaint),
            str(r.stratum),
            -r.episodes,
            r.part,
            r.mode or "",
        )
    )
    summary = {
        "episodes": totals,
        "parts": parts,
        "sets": [
            {"complaint": c, "parts": p, "episodes": int(n), "share": int(n) / totals[c]}
            for c in leading
            for p, n in sets.loc[sets["complaint"] == c, ["parts", "episodes"]]
            .head(SETS_SHOWN)
            .itertuples(index=False)
        ],
        "readings": _records(session.run("causes_readings")),
        "break_sites": _break_sites(session),
    }
    warnings = [Warning_(code=code, text=said) for code, said in session.warnings]
    settings = {
        **session.choices,
        "complaint": chosen,
        "by": list(by),
        "confidence_level": confidence_level,
    }
    return Causes(
        as_of=session.as_of.isoformat(),
        settings=settings,
        warnings=tuple(warnings),
        summary=summary,
        results=tuple(rows),
    )


def _parts(
    session: Session, complaint: str | None, totals: dict[str, int], level: float
) -> list[dict[str, Any]]:
    """Episodes in which a part had failed in any mode, most frequent complaint and part first."""
    sets = session.run("causes_sets", complaint=complaint)
    counted: dict[tuple[str, str], int] = {}
    for row in sets.itertuples():
        for part in row.parts.split(" + "):
            counted[row.complaint, part] = counted.get((row.complaint, part), 0) + int(row.episodes)
    out = []
    for (word, part), episodes in counted.items():
        low, high = jeffreys(episodes, of=totals[word], confidence_level=level)
        out.append(
            {
                "complaint": word,
                "part": part,
                "episodes": episodes,
                "share": episodes / totals[word],
                "low": float(low),
                "high": float(high),
            }
        )
    return sorted(out, key=lambda r: (-totals[r["complaint"]], -r["episodes"], r["part"]))


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [
        {str(key): None if pd.isna(value) else value for key, value in row.items()}
        for row in frame.to_dict("records")
    ]


def _break_sites(session: Session) -> list[dict[str, Any]]:
    """Where each part breaks, and whether that could be anywhere alike (chi-square test)."""
    frame = session.run("causes_break_sites")
    out = []
    for part, group in frame.groupby("part"):
        test = stats.chisquare(group["failures"]) if len(group) > 1 else None
        out.append(
            {
                "part": part,
                "sites": [
                    {"site": row.site, "failures": int(row.failures)} for row in group.itertuples()
                ],
                "uniform_p_value": None if test is None else float(test.pvalue),
            }
        )
    return out
