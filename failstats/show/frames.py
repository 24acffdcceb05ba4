"""Prepare a table for drawing: checked columns, few enough points, numbers JSON can hold."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from failstats.errors import InputError

__all__ = [
    "DAYS_PER_YEAR",
    "NothingToDraw",
    "inline",
    "needed",
    "spread_labels",
    "thin_steps",
    "titled",
    "top_rows",
]

DAYS_PER_YEAR = 365.25
POINTS_PER_SERIES = 400  # about one per pixel column of the widest chart
DIGITS = 5  # significant digits kept in a picture; a pixel shows three


class NothingToDraw(InputError):
    """A chart was asked for and its table has no row that can be drawn."""


def needed(frame: pd.DataFrame, columns: Iterable[str], *, chart: str) -> pd.DataFrame:
    """The table a picture is drawn from, checked before anything is drawn.

    Parameters
    ----------
    frame : the tidy table.
    columns : names that must be there.
    chart : what the picture is called, for the message.

    Returns
    -------
    A copy with the index reset; other columns are kept.

    Raises
    ------
    ValueError : a column is missing.
    NothingToDraw : the table has no rows.
    """
    missing = [name for name in columns if name not in frame.columns]
    if missing:
        raise ValueError(
            f"{chart} needs the columns {', '.join(columns)}, but {', '.join(missing)} "
            f"is missing; given: {', '.join(map(str, frame.columns)) or 'none'}."
        )
    if frame.empty:
        raise NothingToDraw(
            f"{chart} needs at least one row, and the table has none.",
            where="the table behind the chart",
            do="widen the selection (dates, families, parts), or leave the chart out.",
        )
    return frame.reset_index(drop=True).copy()


def _plain(value: Any) -> Any:
    """A value JSON can hold: numbers rounded to what a picture shows, unknown as None."""
    if value is None or value is pd.NaT:
        return None
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        number = float(value)
        return float(f"{number:.{DIGITS}g}") if math.isfinite(number) else None
    if value is pd.NA:
        return None
    return str(value)


def inline(frame: pd.DataFrame) -> alt.InlineData:
    """The rows as values inside the chart, so that no file and no row limit is involved.

    Parameters
    ----------
    frame : a table already thinned to what is drawn.

    Returns
    -------
    Altair data with numbers rounded to five significant digits; unknown and infinite are null.
    """
    names = [str(name) for name in frame.columns]
    rows = frame.itertuples(index=False, name=None)
    return alt.InlineData(values=[dict(zip(names, map(_plain, row), strict=True)) for row in rows])


def thin_steps(frame: pd.DataFrame, *, by: str, along: str) -> tuple[pd.DataFrame, str]:
    """Keep of each step curve only the points that can be told apart on a screen.

    Parameters
    ----------
    frame : rows of one or more step-after curves.
    by : column naming the curve.
    along : column of the horizontal axis.

    Returns
    -------
    The kept rows in order, and a sentence for the chart (empty when nothing was left out).

    Notes
    -----
    The horizontal span is cut into 400 slots; each slot keeps its last point, which is the height
    a step-after curve has on leaving it. The first point of every curve is kept as well.
    """
    ordered = frame.sort_values([by, along], kind="stable")
    low, high = float(ordered[along].min()), float(ordered[along].max())
    width = (high - low) / POINTS_PER_SERIES or 1.0
    slot = np.floor((ordered[along].to_numpy(float) - low) / width).astype(int)
    keys = pd.DataFrame({"by": ordered[by].to_numpy(), "slot": slot})
    keep = ~keys.duplicated(keep="last").to_numpy() | ~keys.duplicated("by").to_numpy()
    kept = ordered[keep]
    if len(kept) == len(ordered):
        return kept, ""
    return kept, (
        f"Drawn at {len(kept):,} of {len(ordered):,} points, one per pixel column; "
        "the table has them all."
    )


def top_rows(frame: pd.DataFrame, *, by: str, limit: int) -> tuple[pd.DataFrame, str]:
    """The rows with the largest values, and a sentence saying how many were left out.

    Parameters
    ----------
    frame : any table.
    by : the column to rank by, largest first.
    limit : how many rows a reader can take in.

    Returns
    -------
    The rows in falling order and the sentence (empty when all are there).
    """
    ordered = frame.sort_values(by, ascending=False, kind="stable", na_position="last")
    if len(ordered) <= limit:
        return ordered, ""
    return ordered.head(limit), (
        f"The {limit} largest of {len(ordered):,}; the table has them all."
    )


def spread_labels(heights: Iterable[float], *, gap: float, top: float = math.inf) -> list[float]:
    """Heights for labels at the end of curves, moved apart just enough not to overprint.

    Parameters
    ----------
    heights : where the curves end, on the vertical axis.
    gap : the smallest distance between two labels, in the same unit.
    top : no label stands above this.

    Returns
    -------
    One height per label, in the order given.

    >>> [round(x, 2) for x in spread_labels([0.5, 0.52, 0.9], gap=0.06)]
    [0.48, 0.54, 0.9]
    """
    wanted = [float(x) for x in heights]
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    groups: list[list[int]] = []
    centres: list[float] = []
    for index in order:
        groups.append([index])
        centres.append(wanted[index])
        while len(groups) > 1:
            reach = gap * (len(groups[-2]) + len(groups[-1])) / 2
            if centres[-1] - centres[-2] >= reach - 1e-12:
                break
            merged = groups.pop(-2) + groups.pop(-1)
            centres[-2:] = [sum(wanted[i] for i in merged) / len(merged)]
            groups.append(merged)
    placed = [0.0] * len(wanted)
    for members, centre in zip(groups, centres, strict=True):
        for rank, index in enumerate(members):
            placed[index] = centre + gap * (rank - (len(members) - 1) / 2)
    limit = top
    for index in sorted(range(len(placed)), key=lambda i: -placed[i]):
        placed[index] = min(placed[index], limit)
        limit = placed[index] - gap
    return placed


def titled(text: str, *notes: str) -> alt.TitleParams:
    """A chart's title, with what has to be known to read it underneath.

    Parameters
    ----------
    text : what is shown.
    notes : sentences for the subtitle; empty ones are dropped.
    """
    lines = [note for note in notes if note]
    return alt.TitleParams(text, subtitle=lines) if lines else alt.TitleParams(text)
