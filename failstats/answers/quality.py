"""What is in the warehouse, what waits in quarantine and why, what the records cannot support."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar

import pandas as pd

from failstats.answers import wording as text
from failstats.answers.drawn import said_of
from failstats.answers.quality_habits import habits
from failstats.answers.quality_selection import selection
from failstats.answers.result import Answer
from failstats.progress import Stages, each
from failstats.show import charts
from failstats.warehouse.queries import all_queries
from failstats.warehouse.session import Session

__all__ = ["Quality", "QualityReport", "quality"]

LIMIT = 50
TIMES = {  # seconds on the demo
    "what was loaded and what was refused": 0.4,
    "how the records are kept": 0.2,
    "what the records leave unseen": 4.0,
    "checks": 0.3,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchRow:
    """One file of one batch; rows_in = good + quarantined + duplicates."""

    batch: int
    table: str
    file: str
    rows_in: int
    good: int
    quarantined: int
    duplicates: int
    corrected: int
    loaded_at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class QuarantineRow:
    """One refused row; the value never shows."""

    batch: int
    table: str
    file: str
    line: int
    column: str | None
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """Something odd but usable, or something the records cannot support, and its remedy."""

    check: str
    statement: str
    rows: int
    remedy: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LifeRules:
    """How many lives each rule kept, moved or dropped, all parts together."""

    kept: dict[str, int]
    moved: dict[str, int]
    dropped: dict[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityReport:
    """The results of `quality`."""

    tables: dict[str, int]
    batches: list[BatchRow]
    quarantine: list[QuarantineRow]
    quarantine_total: int
    remarks: list[Remark]
    lives: LifeRules


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Quality(Answer):
    """The state of the records."""

    command: ClassVar[str] = "quality"
    row_type: ClassVar[type | None] = QualityReport
    single: ClassVar[bool] = True

    def rows_table(self) -> pd.DataFrame:
        """One row per file loaded."""
        return pd.DataFrame(
            [
                {name: getattr(row, name) for name in BatchRow.__dataclass_fields__}
                for row in self.results.batches
            ]
        )

    def remarks_table(self) -> pd.DataFrame:
        """One row per remark."""
        return pd.DataFrame(
            [
                {name: getattr(row, name) for name in Remark.__dataclass_fields__}
                for row in self.results.remarks
            ]
        )

    def chart(self) -> Any:
        """Rows loaded and refused, by table."""
        frame = self.table()
        if frame.empty:
            return None
        return charts.rows_bar(
            frame.groupby("table", as_index=False)[["good", "quarantined"]].sum()
        )

    def headline(self) -> str:
        """How much there is, and how much of it was refused."""
        tables = self.results.tables
        return (
            f"{tables['units']:,} units, {tables['jobs']:,} visits, {tables['lines']:,} part lines "
            f"and {tables['cleanings']:,} cleanings are in; {self.results.quarantine_total:,} rows "
            "wait in quarantine."
        )

    def headline_units(self) -> int | None:
        """All units."""
        return self.results.tables["units"]

    def details(self) -> list[str]:
        """Files, refused rows and remarks."""
        lines = [
            text.table(
                [
                    {
                        "batch": b.batch, "table": b.table, "file": b.file, "rows in": b.rows_in,
                        "good": b.good, "quarantined": b.quarantined, "duplicates": b.duplicates,
                        "corrected": b.corrected,
                    }
                    for b in self.results.batches
                ]
            )
        ]  # fmt: skip
        if self.results.quarantine:
            lines.append("Refused rows:")
            lines.append(
                text.table(
                    [
                        {
                            "table": q.table,
                            "file": q.file,
                            "line": q.line,
                            "column": q.column or "",
                            "reason": q.reason,
                        }
                        for q in self.results.quarantine
                    ]
                )
            )
        if self.results.remarks:
            lines.append("Remarks:")
            lines += [
                text.wrap(f"- {r.statement}{_counted(r.rows)}. {r.remedy}")
                for r in self.results.remarks
            ]
            named = dict.fromkeys(
                r.check for r in self.results.remarks if r.check.startswith("check_")
            )
            if named:  # the others are shares of all rows
                ask = "; ".join(f"failstats query {check}" for check in named)
                lines.append(text.wrap(f"Which rows they are: {ask}."))
        lives = self.results.lives
        said = {**lives.kept, **lives.moved, **lives.dropped}
        told = "; ".join(f"{text.words(k)} {v:,}" for k, v in said.items())
        lines.append(text.wrap(f"Lives: {told or 'none'}."))
        return lines


def _counted(rows: int) -> str:
    """How many rows a remark is about; nothing where it is about a table without any."""
    return f" ({rows:,} row{'' if rows == 1 else 's'})" if rows else ""


def quality(
    session: Session, *, limit: int = LIMIT, progress: Callable[[str], None] | None = None
) -> Quality:
    """What came in, what was refused, and what the records cannot support.

    Parameters
    ----------
    limit : refused rows to list; the total is always given.
    progress : called with each step.
    """
    stage = Stages(progress, TIMES)
    stage("what was loaded and what was refused")
    tables = session.run("quality_tables")
    batches = session.run("quality_batches")
    refused = session.run("quality_quarantine", limit=int(limit))
    total = int(session.run("quality_quarantine_total").iloc[0, 0])
    kept = session.run("lives_kept").groupby("rule")["lives"].sum()
    moved = session.run("lives_moved").groupby("rule")["lives"].sum()
    followed = session.run("quality_followed").iloc[0]
    stage("how the records are kept")
    kept_how, figures = habits(session)
    stage("what the records leave unseen")
    selected, figures["selection"] = selection(session, progress)
    stage("checks")
    habitual = [
        Remark(check=check, statement=statement, rows=rows, remedy=remedy)
        for check, statement, rows, remedy in (*selected, *kept_how)
    ]
    remarks = [*_checks(session, progress), *_gaps(followed), *habitual]
    results = QualityReport(
        tables={str(r.table): int(r.rows) for r in tables.itertuples()},
        batches=[
            _batch({str(name): value for name, value in row.items()})
            for row in batches.to_dict("records")
        ],
        quarantine=[
            QuarantineRow(
                batch=int(r["batch"]),
                table=str(r["table"]),
                file=str(r["file"]),
                line=int(r["line"]),
                column=r["column"] if isinstance(r["column"], str) else None,
                reason=str(r["reason"]),
            )
            for r in refused.to_dict("records")
        ],
        quarantine_total=total,
        remarks=remarks,
        lives=LifeRules(
            kept={str(k): int(v) for k, v in kept.items() if str(k) == "birth_known"},
            moved={str(k): int(v) for k, v in kept.items() if str(k) == "birth_assumed"}
            | {str(k): int(v) for k, v in moved.items()},
            dropped={str(k): int(v) for k, v in kept.items() if str(k).startswith("dropped")},
        ),
    )
    return Quality(
        as_of=session.as_of.isoformat(),
        settings={**session.choices, "limit": int(limit)},
        warnings=tuple(said_of(session)),
        summary={**{key: int(value) for key, value in followed.items()}, **figures},
        results=results,
    )


def _checks(session: Session, progress: Callable[[str], None] | None) -> list[Remark]:
    """What the checks find: rows returned are rules broken, each with its statement and remedy."""
    out = []
    checks = [query for query in all_queries().values() if query.folder == "checks"]
    for query in each(progress, checks, lambda query: query.name.replace("_", " ")):
        found = session.run(query.name)
        if len(found):
            for (statement, remedy), group in found.groupby(["statement", "remedy"]):
                out.append(
                    Remark(
                        check=query.name,
                        statement=str(statement),
                        rows=len(group),
                        remedy=str(remedy).capitalize() + ".",
                    )
                )
    return out


def _gaps(followed: pd.Series) -> list[Remark]:
    """What is not recorded, and what that forbids."""
    out = []
    units = int(followed["units"])
    call_out = int(followed["call_out_units"])
    if call_out:
        out.append(
            Remark(
                check="enrolled_on",
                statement=f"{call_out:,} of {units:,} units are call-out units, known only "
                "because somebody called; they leave without a word, so lives that rest on them "
                "are bracketed",
                rows=call_out,
                remedy="Record enrolled_on for units from which every job comes to you.",
            )
        )
    for key, column, forbids in (
        ("installed_unknown", "installed_on", "the age of their first-fitted parts is unknown"),
        ("loads_unknown", "loads_per_week", "their use is a level of its own in the vents answer"),
        (
            "never_watched_units",
            "enrolled_on",
            "they have neither a contract nor a visit and count nowhere",
        ),
    ):
        if int(followed[key]):
            out.append(
                Remark(
                    check=column,
                    statement=(
                        f"{int(followed[key]):,} unit{'s' if int(followed[key]) > 1 else ''} "
                        f"without {column}: {forbids}"
                    ),
                    rows=int(followed[key]),
                    remedy=f"Fill in {column} where it is known.",
                )
            )
    return out


def _batch(row: dict[str, Any]) -> BatchRow:
    """One line of the ledger, in plain types."""
    words = ("table", "file", "loaded_at")
    return BatchRow(**{name: str(v) if name in words else int(v) for name, v in row.items()})  # type: ignore[arg-type]
