"""How the records are kept: gaps, rounding, technicians who differ, habits that drift."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from failstats.answers import wording as text
from failstats.estimate.association import benjamini_hochberg
from failstats.warehouse.session import Session

__all__ = ["habits"]

#: Shares below this are worth a remark; our own choice.
MOSTLY_FILLED = 0.9
#: Fewer rows than this say nothing about habits; our own choice.
FEWEST_ROWS = 100
#: Rounding is said when it is at least this many times as common as by chance; our own choice.
HEAPED = 2.0
#: False discoveries allowed among the tests of this page.
Q_VALUE = 0.01
#: A habit has drifted when its share moved by this much from the first to the last quarter of the
#: records; our own choice.
DRIFTED = 0.05

# what a gap in a column forbids; installed_on, enrolled_on and loads_per_week are said in `quality`
FORBIDS = {
    "duct_length": "length and neglect cannot be told apart",
    "van_id": "jobs cannot be given to a van",
    "complaint": "nothing can be said on what is behind a complaint",
    "completed": "returns for the same fault cannot be joined to one episode",
    "technician_id": "habits of technicians cannot be told from habits of parts",
    "labour": "minutes have to be assumed in the costs",
    "mode": "silent failures and trips cannot be told from others",
    "test": "a working part is not known to have been tested hot: it may have failed unseen",
    "reading": "readings cannot be compared by finding",
    "item_id": "what was fitted is unknown: items cannot be compared",
    "job_id": "a cleaning at the visit of a failure cannot be told from one made for itself",
}

# what a table of which no row was loaded forbids, and what to load
WITHOUT = {
    "lines": (
        "no part lines are loaded: no part is known to have failed, and nothing can be said on "
        "causes, lives or pairs",
        "Load a line for each part looked at on a job.",
    ),
    "cleanings": (
        "no cleanings are loaded: no vent is known to be clean or neglected, and `vents` can tell "
        "the length of the run at most",
        "Write each cleaning of the full run down from now on, and load it.",
    ),
    "catalogue": (
        "no catalogue is loaded: what can be put on a van, and its price, is unknown, and `stock` "
        "cannot be answered",
        "Fill in the blank one that failstats draft tables writes, and load it.",
    ),
}

Said = tuple[str, str, int, str]  # check, statement, rows, remedy


def habits(session: Session) -> tuple[list[Said], dict[str, Any]]:
    """What the way of keeping records forbids, or makes doubtful.

    Parameters
    ----------
    session : the open warehouse.

    Returns
    -------
    Remarks as (check, statement, rows, remedy); and the figures behind them by name:
    completeness, heaping, technicians, untested_share, drift, timeliness.
    """
    complete = session.run("quality_completeness")
    heaping = session.run("quality_heaping")
    people = session.run("quality_technicians")
    drift = session.run("quality_drift")
    late = session.run("quality_timeliness").iloc[0]
    differing = _technicians(people)
    moved = _moved(drift)
    remarks = [
        *_absent(session.run("quality_tables")),
        *_gaps(complete),
        *_heaped(heaping),
        *_different(differing),
        *_untested(people),
        *_drifted(moved),
        *_empty_months(late),
    ]
    figures = {
        "completeness": [
            {"table": r.table, "column": r.column, "rows": int(r.rows),
             "share": float(r.filled / r.rows)}
            for r in complete.itertuples() if r.rows
        ],
        "heaping": [
            {"column": r.column, "where": r.where_rounded, "rows": int(r.rows),
             "share": float(r.rounded / r.rows), "expected": float(r.share_expected)}
            for r in heaping.itertuples() if r.rows
        ],
        "technicians": differing,
        "untested_share": _shares(people),
        "drift": moved,
        "timeliness": {
            "last_visit": None if pd.isna(late.last_visit) else str(late.last_visit)[:10],
            "months": None if pd.isna(late.months) else int(late.months),
            "months_without_visits":
                None if pd.isna(late.months) else int(late.months - late.months_with_visits),
        },
    }  # fmt: skip
    return remarks, figures


def _absent(tables: pd.DataFrame) -> Iterator[Said]:
    rows = {str(row.table): int(row.rows) for row in tables.itertuples()}
    for table, (forbids, remedy) in WITHOUT.items():
        if rows["jobs"] and not rows[table]:
            yield f"absent_{table}", forbids, 0, remedy


def _gaps(complete: pd.DataFrame) -> Iterator[Said]:
    for row in complete.itertuples():
        if row.column not in FORBIDS or not row.rows:
            continue  # said already, or blank for a good reason
        if row.filled / row.rows >= MOSTLY_FILLED:
            continue
        yield (
            f"completeness_{row.column}",
            f"{text.share(1 - row.filled / row.rows)} of the {row.table} lack {row.column}: "
            f"{FORBIDS[row.column]}",
            int(row.rows - row.filled),
            f"Write {row.column} down from now on; the answers use it as it comes.",
        )


def _heaped(heaping: pd.DataFrame) -> Iterator[Said]:
    for row in heaping.itertuples():
        if row.rows < FEWEST_ROWS or row.rounded / row.rows < HEAPED * row.share_expected:
            continue
        if stats.binomtest(row.rounded, row.rows, row.share_expected).pvalue > Q_VALUE:
            continue
        yield (
            f"heaping_{row.column}",
            f"{text.share(row.rounded / row.rows)} of {row.column} are {row.where_rounded}, where "
            f"chance would give {text.share(row.share_expected)}: they were rounded, and nothing "
            "finer can be read from them",
            int(row.rounded),
            "Write down the day or the figure itself.",
        )


def _technicians(people: pd.DataFrame) -> list[dict[str, Any]]:
    """Per part: do technicians differ in what they find, allowing for chance?"""
    out: list[dict[str, Any]] = []
    for part, group in people.groupby("part"):
        enough = group[group["parts"] >= 20]
        tested = enough["parts"] - enough["untested"]
        counts = np.array([enough["failed"], tested - enough["failed"]], dtype=float)
        if len(enough) < 2 or (counts.sum(axis=1) == 0).any() or (counts.sum(axis=0) == 0).any():
            continue
        share = counts[0] / counts.sum(axis=0)
        out.append(
            {
                "part": str(part), "technicians": len(enough), "parts": int(counts.sum()),
                "lowest_share_failed": float(share.min()),
                "highest_share_failed": float(share.max()),
                "p_value": float(stats.chi2_contingency(counts, correction=False).pvalue),
            }
        )  # fmt: skip
    for row, q in zip(out, benjamini_hochberg([r["p_value"] for r in out]) if out else [],
                      strict=True):  # fmt: skip
        row["q_value"] = float(q)
    return out


def _different(rows: list[dict[str, Any]]) -> Iterator[Said]:
    for row in rows:
        if row["q_value"] < Q_VALUE:
            yield (
                "technicians_differ",
                f"technicians find the {text.words(row['part'])} failed in "
                f"{text.share(row['lowest_share_failed'])} to "
                f"{text.share(row['highest_share_failed'])} of the cases they test, more than "
                "chance allows: their territories differ, or their tests do",
                row["parts"],
                "Agree on one way to test it, and look at who serves whom.",
            )


def _shares(people: pd.DataFrame) -> list[dict[str, Any]]:
    sums = people.groupby("part")[["parts", "untested"]].sum()
    return [
        {"part": str(part), "parts": int(row.parts), "share": float(row.untested / row.parts)}
        for part, row in sums.iterrows()
    ]


def _untested(people: pd.DataFrame) -> Iterator[Said]:
    for row in _shares(people):
        if row["parts"] >= FEWEST_ROWS and row["share"] > 1 - MOSTLY_FILLED:
            yield (
                "untested",
                f"the {text.words(row['part'])} was written down untested in "
                f"{text.share(row['share'])} of {row['parts']:,} cases: whether it worked is "
                "bounded, not known",
                round(row["share"] * row["parts"]),
                "Test it, or leave the line out.",
            )


def _moved(drift: pd.DataFrame) -> list[dict[str, Any]]:
    """Habits in the first and the last quarter of the half-years, with a test for trend."""
    if len(drift) < 4:
        return []
    quarter = max(1, len(drift) // 4)
    out = []
    for name, count, of in (
        ("untested parts", "untested", "lines"),
        ("jobs in which a part had failed", "jobs_with_failure", "jobs"),
    ):
        counts, totals = drift[count].to_numpy(float), drift[of].to_numpy(float)
        if totals.sum() < FEWEST_ROWS or not 0 < counts.sum() < totals.sum():
            continue
        ends = slice(0, quarter), slice(len(drift) - quarter, None)
        first, last = (float(counts[s].sum() / max(totals[s].sum(), 1)) for s in ends)
        out.append(
            {
                "habit": name, "first_share": first, "last_share": last,
                "p_value": _trend(counts, totals), "rows": int(totals.sum()),
            }
        )  # fmt: skip
    return out


def _trend(counts: np.ndarray, totals: np.ndarray) -> float:
    """Cochran (1954) and Armitage (1955): does a share rise or fall over equally spaced periods?"""
    at = np.arange(len(counts), dtype=float)
    share = counts.sum() / totals.sum()
    off = at - (at @ totals) / totals.sum()
    spread = share * (1 - share) * float(totals @ off**2)
    return float(2 * stats.norm.sf(abs(off @ counts) / np.sqrt(spread))) if spread > 0 else 1.0


def _drifted(rows: list[dict[str, Any]]) -> Iterator[Said]:
    for row in rows:
        if row["p_value"] < Q_VALUE and abs(row["last_share"] - row["first_share"]) > DRIFTED:
            yield (
                "drift",
                f"the share of {row['habit']} went from {text.share(row['first_share'])} in the "
                f"first quarter of the records to {text.share(row['last_share'])} in the last: "
                "parts changed, or the way of writing them down did",
                row["rows"],
                "Ask what changed, and look at the later years alone with --from.",
            )


def _empty_months(late: pd.Series) -> Iterator[Said]:
    if pd.isna(late.months) or late.months == late.months_with_visits:
        return
    empty = int(late.months - late.months_with_visits)
    yield (
        "empty_months",
        f"{empty} of {int(late.months)} months between the first and the last visit hold no visit: "
        "an export may be missing",
        empty,
        "Load what is missing, or state records_from and records_to.",
    )
