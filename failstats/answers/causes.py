"""What fails behind a complaint? Shares of parts and modes, with what none of them explains."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import pandas as pd

from failstats.answers import causes_text
from failstats.answers import wording as text
from failstats.answers.causes_counts import (
    break_sites,
    given_reading,
    part_sets,
    readings,
    trend,
)
from failstats.answers.drawn import said_of
from failstats.answers.result import Answer, json_value, tidy
from failstats.errors import InputError
from failstats.estimate.intervals import jeffreys
from failstats.progress import Stages
from failstats.show import charts
from failstats.warehouse.session import Session

__all__ = ["STRATA", "Cause", "Causes", "causes"]

STRATA = ("family", "fuel", "van_id", "unit_age")


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


SAID = 4  # complaints named in a sentence


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
        """Without strata, the modes of a part together: complaint, part, episodes, share and its
        interval."""
        return pd.DataFrame(self.summary["parts"])

    def complaint_table(self) -> pd.DataFrame:
        """Parts found failed by complaint, modes together: behind `complaint_chart`."""
        return self.by_part()

    def complaint_line(self) -> str:
        """Each complaint's leading part in a sentence."""
        first = self.by_part().drop_duplicates("complaint").head(SAID)
        return (
            "Most often: "
            + "; ".join(
                f"{text.words(row.complaint)}, {text.words(row.part)} ({text.share(row.share)})"
                for row in first.itertuples()
            )
            + "."
        )

    def readings_line(self) -> str:
        """The readings of the part most often measured, in a sentence."""
        rows = [r for r in self.summary["readings"] if r["ohm_median"] is not None]
        most = max(rows, key=lambda r: r["readings"] - r["open_circuit"])
        return (
            f"Most often measured: {text.one(most['part'])} found "
            f"{text.words(most['finding'])}, half of the readings under "
            f"{most['ohm_median']:.3g} Ω, "
            f"nine in ten from {most['ohm_p05']:.3g} to {most['ohm_p95']:.3g} Ω; "
            "open circuits are counted apart."
        )

    def sets_table(self) -> pd.DataFrame:
        """Which parts had failed together: complaint, parts, episodes, unit_count, share."""
        return _flat(self.summary["sets"])

    def given_table(self) -> pd.DataFrame:
        """Shares of the parts given a complaint and a reading; no diagnosis."""
        return _flat(self.summary["given_reading"])

    def trend_table(self) -> pd.DataFrame:
        """Does a part's share rise or fall over the quarters: slope a year, p, q; unit_count of
        the complaint and part."""
        units = {(r["complaint"], r["part"]): r["unit_count"] for r in self.summary["parts"]}
        return _flat(
            [
                {**r, "unit_count": units.get((r["complaint"], r["part"]))}
                for r in self.summary["trend"]
            ]
        )

    def readings_table(self) -> pd.DataFrame:
        """What parts measure, by finding, and how that drifts with age."""
        return _flat(self.summary["readings"])

    def chart(self) -> Any:
        """The parts behind the most frequent complaint, most frequent first (Pareto)."""
        frame = self.by_part()
        if frame.empty:
            return None
        complaint = frame.iloc[0]["complaint"]
        mine = frame[frame["complaint"] == complaint]
        mine = mine.assign(label=mine["part"].map(text.words), count=mine["episodes"])
        return charts.pareto(
            mine[["label", "count", "share", "low", "high"]],
            label="part found failed",
            title=f"What was found {causes_text.behind(complaint)}",
        )

    def complaint_chart(self) -> Any:
        """A heat map: of the calls with each complaint, the share with each part failed."""
        frame = self.by_part()
        if frame.empty:
            return None
        totals = self.summary["episodes"]
        rows = frame.assign(
            first=frame["complaint"].map(text.words),
            second=frame["part"].map(text.words),
            episodes=frame["complaint"].map(totals),
        )
        return charts.pair_heat_map(
            rows[["first", "second", "share", "episodes"]],
            title="Part found failed, by complaint",
            of="calls",
            axes=("complaint", "part found failed"),
        )

    def readings_chart(self) -> Any:
        """What parts measure by finding; open circuit is no number and stands in the label."""
        rows = [
            {
                "label": f"{text.words(r['part'])}, {text.words(r['finding'])}"
                + (f" ({r['open_circuit']:,} more open)" if r["open_circuit"] else ""),
                "p05": r["ohm_p05"],
                "median": r["ohm_median"],
                "p95": r["ohm_p95"],
                "readings": r["readings"] - r["open_circuit"],
            }
            for r in self.summary["readings"]
            if r["ohm_median"] is not None
        ]
        if not rows:
            return None
        return charts.reading_strips(pd.DataFrame(rows), title="What parts measure")

    def headline(self) -> str:
        """The leading parts behind the most frequent complaint."""
        frame = self.by_part()
        if frame.empty:
            return "No call-out with a complaint is in the records."
        complaint = frame.iloc[0]["complaint"]
        mine = frame[frame["complaint"] == complaint]
        top = "; ".join(
            f"{text.words(row.part)} {text.share(row.share)}"
            f"{text.between((row.low, row.high), text.share)}"
            for row in mine.head(3).itertuples()
        )
        total = self.summary["episodes"][complaint]
        said = causes_text.behind(complaint)
        return f"{said[0].upper()}{said[1:]} ({total:,} fault{'s' * (total != 1)}): {top}."

    def headline_units(self) -> int | None:
        """Of the leading parts."""
        frame = self.by_part()
        if frame.empty:
            return None
        mine = frame[frame["complaint"] == frame.iloc[0]["complaint"]]
        return int(mine.head(3)["unit_count"].min())

    def details(self) -> list[str]:
        """Tables: parts by complaint, sets, readings, where parts break, trend."""
        return causes_text.details(self)


STEPS = (
    "calls and what was found on them", "sets of parts", "readings, break sites and trend"
)  # fmt: skip


def causes(
    session: Session,
    *,
    complaint: str | None = None,
    by: Sequence[str] = (),
    reading: Mapping[str, str] | None = None,
    confidence_level: float = 0.95,
    progress: Callable[[str], None] | None = None,
) -> Causes:
    """Which part had failed behind each complaint, and how sure is the share?

    Parameters
    ----------
    complaint : only this one; all where None.
    by : columns to tell call-outs apart by (`STRATA`).
    reading : part -> what it measured ("9.9 ohm", "OL"): `summary["given_reading"]` then holds the
        shares among calls on which every part named read alike.
    progress : called with each step.

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
    if complaint is not None:  # as the program says it, or as it stands in the records
        complaint = complaint.strip().lower()
        if "_".join(complaint.split()) in spellings:
            complaint = "_".join(complaint.split())
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
    stage = Stages(progress, dict.fromkeys(STEPS, 1.0))
    stage("calls and what was found on them")
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
    stage("sets of parts")
    sets = session.run("causes_sets", complaint=chosen)
    totals = {str(k): int(v) for k, v in sets.groupby("complaint")["episodes"].sum().items()}
    parts = _parts(session.run("causes_parts", complaint=chosen), totals, confidence_level)
    leading = sorted(totals, key=lambda word: (word == causes_text.NOT_RECORDED, -totals[word]))
    rows.sort(
        key=lambda r: (
            leading.index(r.complaint),
            str(r.stratum),
            -r.episodes,
            r.part,
            r.mode or "",
        )
    )
    stage("readings, break sites and trend")
    summary = {
        "episodes": totals,
        "parts": parts,
        "sets": part_sets(sets, totals, leading, confidence_level),
        "readings": readings(session, confidence_level),
        "given_reading": given_reading(session, chosen, reading or {}, confidence_level),
        "given_reading_is": "shares among past calls on which the part was measured; no diagnosis",
        "break_sites": break_sites(session, confidence_level),
        "trend": trend(session, chosen, confidence_level),
    }
    warnings = said_of(session)
    settings = {
        **session.choices,
        "complaint": chosen,
        "by": list(by),
        "reading": dict(reading or {}),
        "confidence_level": confidence_level,
    }
    return Causes(
        as_of=session.as_of.isoformat(),
        settings=settings,
        warnings=tuple(warnings),
        summary=summary,
        results=tuple(rows),
    )


def _parts(counted: pd.DataFrame, totals: dict[str, int], level: float) -> list[dict[str, Any]]:
    """Episodes in which a part had failed in any mode, most frequent complaint and part first."""
    out = []
    for row in counted.itertuples():
        total = totals[row.complaint]
        low, high = jeffreys(row.episodes, of=total, confidence_level=level)
        out.append(
            {
                "complaint": row.complaint,
                "part": row.part,
                "episodes": int(row.episodes),
                "unit_count": int(row.unit_count),
                "share": row.episodes / total,
                "low": float(low),
                "high": float(high),
            }
        )
    return sorted(
        out,
        key=lambda r: (
            r["complaint"] == causes_text.NOT_RECORDED,
            -totals[r["complaint"]],
            -r["episodes"],
            r["part"],
        ),
    )


def _flat(rows: Sequence[dict[str, Any]]) -> pd.DataFrame:
    """Rows of the summary as a tidy frame: intervals become two columns."""
    return tidy(json_value(rows))
