"""Counts behind a complaint: sets, readings, break sites, shares given a reading, trend."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from failstats.errors import InputError
from failstats.estimate.association import benjamini_hochberg
from failstats.estimate.intervals import jeffreys, normal
from failstats.estimate.share_trend import share_trend, uniform_p_value
from failstats.units import parse_quantity
from failstats.warehouse.session import Session

__all__ = [
    "FEWEST_ALIKE",
    "break_sites",
    "given_reading",
    "part_sets",
    "reading_class",
    "readings",
    "trend",
]

SETS_SHOWN = 8
FEWEST_ALIKE = 10  # calls that read alike; below it no share is stated
FEWEST_QUARTERS = 4
FEWEST_IN_TREND = 20  # calls with the part over all quarters
FEWEST_IN_DRIFT = 20  # readings of known age
#: Upper ends of the classes of a reading in ohm, as in `causes_given`: a closed switch reads under
#: 1, a 240 V coil 8 to 15 (common practice, no source).
CLASSES = ((1.0, "under_1_ohm"), (8.0, "1_to_8_ohm"), (15.0, "8_to_15_ohm"))


def _share(count: int, of: int, level: float) -> dict[str, Any]:
    low, high = jeffreys(count, of=of, confidence_level=level)
    return {"share": count / of, "ci": (float(low), float(high))}


def part_sets(
    frame: pd.DataFrame, totals: Mapping[str, int], order: Sequence[str], level: float
) -> list[dict[str, Any]]:
    """The most frequent sets of failed parts behind each complaint, the empty one included."""
    return [
        {
            "complaint": row.complaint,
            "parts": row.parts,
            "episodes": int(row.episodes),
            "unit_count": int(row.unit_count),
            **_share(int(row.episodes), totals[str(row.complaint)], level),
        }
        for word in order
        for row in frame[frame["complaint"] == word].head(SETS_SHOWN).itertuples()
    ]


def readings(session: Session, level: float) -> list[dict[str, Any]]:
    """What each part measures by finding, open circuit apart, and its drift with age."""
    out = []
    for row in session.run("causes_readings").to_dict("records"):
        entry: dict[str, Any] = {str(k): None if pd.isna(v) else v for k, v in row.items()}
        sxx, syy = entry.pop("drift_sxx"), entry.pop("drift_syy")
        slope, count = entry["drift_ohm_per_year"], entry["drift_readings"]
        entry["drift_ci"] = None
        if slope is None or count < FEWEST_IN_DRIFT or not sxx:
            entry["drift_ohm_per_year"] = None
        else:
            left = max(syy - slope**2 * sxx, 0.0) / (count - 2)
            low, high = normal(slope, np.sqrt(left / sxx), confidence_level=level)
            entry["drift_ci"] = (float(low), float(high))
        out.append(entry)
    return out


def reading_class(value: str, part: str) -> str:
    """The class of a reading as written down; see `causes_given`."""
    try:
        found = parse_quantity(value, kind="reading", default_unit="ohm")
    except InputError as fault:
        raise InputError(
            f"--reading {part}={value} {fault.what}.",
            where="--reading",
            do="write a resistance, such as coil=9.9ohm, or coil=OL for an open circuit.",
        ) from None
    if found is not None and found.is_open:
        return "open"
    ohm = None if found is None else found.values[0]
    if ohm is None:
        raise InputError(
            f"--reading must be a resistance, but is {part}={value}.",
            where="--reading",
            do="write coil=9.9ohm, or coil=OL for an open circuit.",
        )
    if ohm == 15.0:
        return "8_to_15_ohm"
    return next((word for end, word in CLASSES if ohm < end), "over_15_ohm")


def given_reading(
    session: Session, complaint: str | None, reading: Mapping[str, str], level: float
) -> list[dict[str, Any]]:
    """Shares of the parts found failed, given the complaint and what was measured.

    With a Jeffreys prior on each share these are posterior shares; of past calls, not a diagnosis.
    """
    spellings = session.vocabulary.spellings("parts")
    asked = {}
    for part, value in reading.items():
        if part not in spellings:
            raise InputError(
                f"--reading must name a part, but {part!r} is none.",
                where="--reading",
                do="correct the word.",
            )
        if spellings[part] in asked:
            raise InputError(
                f"--reading must name each part once, but {spellings[part]} stands twice.",
                where="--reading",
                do="keep one of the two.",
            )
        asked[spellings[part]] = reading_class(value, part)
    frame = session.run(
        "causes_given", complaint=complaint, measured=list(asked), classes=list(asked.values())
    )
    frame = frame[frame["episodes_total"] >= FEWEST_ALIKE]
    return [
        {
            "complaint": row.complaint,
            "measured": " + ".join(asked) if asked else row.measured_part,
            "reading": " + ".join(asked.values()) if asked else row.reading,
            "part": row.part,
            "episodes": int(row.episodes),
            "of": int(row.episodes_total),
            "unit_count": int(row.unit_count),
            **_share(int(row.episodes), int(row.episodes_total), level),
        }
        for row in frame.itertuples()
    ]


def break_sites(session: Session, level: float) -> list[dict[str, Any]]:
    """Where each part breaks, and whether that could be anywhere alike."""
    out = []
    for part, group in session.run("causes_break_sites").groupby("part"):
        total = int(group["failures"].sum())
        out.append(
            {
                "part": part,
                "sites": [
                    {
                        "site": row.site,
                        "failures": int(row.failures),
                        **_share(int(row.failures), total, level),
                    }
                    for row in group.itertuples()
                ],
                "uniform_p_value": uniform_p_value(group["failures"].to_numpy()),
            }
        )
    return out


def trend(session: Session, complaint: str | None, level: float) -> list[dict[str, Any]]:
    """Does a part's share of a complaint rise or fall over the quarters; q over all of them."""
    out = []
    frame = session.run("causes_quarters", complaint=complaint)
    totals = {
        word: rows.drop_duplicates("quarter").set_index("quarter")["episodes_total"].sort_index()
        for word, rows in frame.groupby("complaint")
    }
    for (word, part), group in frame.groupby(["complaint", "part"], sort=False):
        total = totals[word]
        if len(total) < FEWEST_QUARTERS or group["episodes"].sum() < FEWEST_IN_TREND:
            continue
        when = pd.Series(pd.to_datetime(total.index))
        years = (when - when.min()).dt.days.to_numpy() / 365.25
        failed = group.set_index("quarter")["episodes"].reindex(total.index, fill_value=0)
        found = share_trend(failed, of=total, time=years)
        if not np.isfinite(found.p_value):
            continue
        low, high = found.interval(level)
        out.append(
            {
                "complaint": word,
                "part": part,
                "quarters": len(total),
                "episodes": int(group["episodes"].sum()),
                "share_per_year": found.slope,
                "ci": (low, high),
                "p_value": found.p_value,
            }
        )
    for row, q in zip(out, benjamini_hochberg([row["p_value"] for row in out]), strict=True):
        row["q_value"] = float(q)
    return sorted(out, key=lambda row: (row["q_value"], row["complaint"], row["part"]))
