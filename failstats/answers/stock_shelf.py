"""What can go on a van: items, what each fits, and what it costs on the day asked for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from failstats.errors import InputError
from failstats.warehouse.session import Session

__all__ = ["StockShelf", "shelf_of_catalogue"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StockShelf:
    """The items that can go on a van, in the order of the plan's columns.

    Attributes
    ----------
    item_id : the items, sorted. part, families : item -> what it is and what it fits.
    price, volume_l, pack_size : (items,). lead_time_days : (items,), nan where not stated.
    fits : (part, family) -> place of the cheapest item that can be fitted on the spot.
    replaces : item no longer bought -> the item that took its place.
    not_field_fit : items that need a workshop.
    """

    item_id: list[str]
    part: dict[str, str]
    families: dict[str, list[str]]
    price: np.ndarray
    volume_l: np.ndarray
    pack_size: np.ndarray
    lead_time_days: np.ndarray
    fits: dict[tuple[str, str], int]
    replaces: dict[str, str]
    not_field_fit: frozenset[str]

    @property
    def column(self) -> dict[str, int]:
        """Item -> its place."""
        return {item: place for place, item in enumerate(self.item_id)}

    def need(self, family: str, parts: Sequence[str]) -> dict[int, int] | None:
        """Items one job needs; None where one of its parts cannot be fitted in the field."""
        out: Counter[int] = Counter()
        for part in parts:
            item = self.fits.get((part, family), self.fits.get((part, "*")))
            if item is None:
                return None
            out[item] += 1
        return dict(out)


def shelf_of_catalogue(session: Session) -> StockShelf:
    """The catalogue as of the session's date, what was replaced resolved.

    Raises
    ------
    InputError : no catalogue, nothing that can be fitted on the spot, a price that is missing,
        items that replace each other in a circle.
    """
    frame = session.run("stock_catalogue")
    if frame.empty:
        raise InputError(
            "stocking needs a catalogue of items with prices, but none is loaded.",
            where="table catalogue",
            do="load a catalogue: failstats draft tables writes a blank one.",
        )
    _priced(frame)
    replaces = _replaces(frame)
    usable = frame["field_fit"].fillna(True).astype(bool)
    not_fit = frozenset(frame.loc[~usable, "item_id"])
    current = frame[usable & frame["replaced_by"].isna()]
    # what an old item fitted, the item that took its place fits too
    known = current.drop_duplicates("item_id").set_index("item_id")
    moved = frame[frame["item_id"].isin(replaces)][["item_id", "part", "family"]].copy()
    moved["item_id"] = moved["item_id"].map(replaces)
    moved = moved[moved["item_id"].isin(known.index)]
    for name in ("price", "volume_l", "pack_size", "lead_time_days"):
        moved[name] = moved["item_id"].map(known[name])
    current = pd.concat([current, moved]).drop_duplicates(["item_id", "part", "family"])
    current = current.sort_values(["price", "item_id"])
    if current.empty:
        raise InputError(
            "stocking needs items that can be fitted on the spot, but the catalogue has none.",
            where="catalogue columns field_fit, replaced_by",
            do="correct them.",
        )
    ids = sorted(current["item_id"].unique())
    column = {item: place for place, item in enumerate(ids)}
    first = current.drop_duplicates("item_id").set_index("item_id").loc[ids]
    return StockShelf(
        item_id=ids,
        part={item: str(first.loc[item, "part"]) for item in ids},
        families={item: sorted(g["family"]) for item, g in current.groupby("item_id")},
        price=first["price"].to_numpy(float),
        volume_l=first["volume_l"].fillna(0.0).to_numpy(float),
        pack_size=first["pack_size"].fillna(1).to_numpy(int),
        lead_time_days=first["lead_time_days"].to_numpy(float),
        fits=_fits(current, column),
        replaces=replaces,
        not_field_fit=not_fit,
    )


def _priced(frame: pd.DataFrame) -> None:
    missing = sorted(frame.loc[frame["price"].isna(), "item_id"].unique())
    if missing:
        raise InputError(
            f"every item needs a price, but {len(missing)} of {frame['item_id'].nunique()} have "
            "none.",
            where="catalogue column price: " + ", ".join(missing[:5]),
            do="fill in the prices, or take the items out of the catalogue.",
            rows=missing,
        )


def _replaces(frame: pd.DataFrame) -> dict[str, str]:
    """Old item -> the last of the chain that took its place."""
    step = {
        str(row.item_id): str(row.replaced_by)
        for row in frame.itertuples()
        if isinstance(row.replaced_by, str) and row.replaced_by
    }
    out = {}
    for item in step:
        at, seen = item, {item}
        while at in step:
            at = step[at]
            if at in seen:
                raise InputError(
                    "items must not replace each other in a circle, but "
                    f"{', '.join(sorted(seen))} do.",
                    where="catalogue column replaced_by",
                    do="correct the items.",
                )
            seen.add(at)
        out[item] = at
    return out


def _fits(current: pd.DataFrame, column: dict[str, int]) -> dict[tuple[str, str], int]:
    """(part, family) -> the cheapest item, one for all families among them."""
    fits: dict[tuple[str, str], int] = {}
    for part, group in current.groupby("part"):
        pooled = group[group["family"] == "*"]
        for family in set(group["family"]):
            mine = pd.concat([group[group["family"] == family], pooled])
            mine = mine.sort_values(["price", "item_id"])
            fits[str(part), str(family)] = column[str(mine.iloc[0]["item_id"])]
    return fits
