"""The roster and its failures, as arrays: what a simulated company is set beside."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from failstats.errors import InputError
from failstats.warehouse.session import Session

__all__ = ["World", "world_rows"]

COLUMNS = (
    "unit", "law", "from_day", "to_day", "unit_age", "part_age", "loses", "failed_socket",
    "failed_day",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class World:
    """Sockets watched, and the failures seen in them.

    laws : names of the laws of life.
    unit, law : shape (s,), unit and law of each socket.
    from_day, to_day : shape (s,), days since the start of the records.
    unit_age : shape (s,), unit age when watching began.
    part_age : shape (s,), age of the part in place then; not a number where unknown.
    loses : shape (s,), whether its unit may leave unseen.
    failed_socket, failed_day : shape (e,), the failures.
    """

    laws: tuple[str, ...]
    unit: np.ndarray
    law: np.ndarray
    from_day: np.ndarray
    to_day: np.ndarray
    unit_age: np.ndarray
    part_age: np.ndarray
    loses: np.ndarray
    failed_socket: np.ndarray
    failed_day: np.ndarray

    def __post_init__(self) -> None:
        sizes = {
            np.asarray(getattr(self, name)).shape
            for name in ("unit", "law", "from_day", "to_day", "unit_age", "part_age", "loses")
        }
        if len(sizes) != 1 or len(next(iter(sizes))) != 1:
            raise InputError("the columns of the sockets must be equally long.")
        if (np.asarray(self.to_day) < np.asarray(self.from_day)).any():
            raise InputError("watching must not end before it begins.")
        for name in COLUMNS:
            held = np.array(getattr(self, name))
            held.flags.writeable = False
            object.__setattr__(self, name, held)


def world_rows(session: Session, parts: Sequence[str]) -> World:
    """The watched sockets of some parts and the failures seen in them.

    Parameters
    ----------
    parts : each follows a law of its own name.
    """
    known = pd.Index([], dtype=object)  # every unit and span so far
    found: list[dict[str, np.ndarray]] = []
    sockets_before = 0
    for number, part in enumerate(parts):
        frame = session.run("lives_world", part=part)
        label = (frame["unit_id"] + " " + frame["span"].astype(str)).to_numpy(object)
        is_socket = (frame["kind"] == "socket").to_numpy()
        known = known.append(pd.Index(pd.unique(label[is_socket])).difference(known, sort=False))
        unit = known.get_indexer(label)
        position = frame["position"].to_numpy(np.int64)
        place = unit * (int(position.max(initial=0)) + 1) + position
        at = pd.Index(place[is_socket]).get_indexer(place[~is_socket])
        at[unit[~is_socket] < 0] = -1
        sockets, failures = frame[is_socket], frame[~is_socket]
        found.append(
            {
                "unit": unit[is_socket],
                "law": np.full(len(sockets), number, dtype=np.int64),
                "from_day": sockets["from_day"].to_numpy(float),
                "to_day": sockets["to_day"].to_numpy(float),
                "unit_age": sockets["unit_age_days"].to_numpy(float),
                "part_age": sockets["part_age_days"].to_numpy(float, na_value=np.nan),
                "loses": sockets["leaves_unseen"].to_numpy(bool),
                "failed_socket": at[at >= 0] + sockets_before,
                "failed_day": failures["failed_day"].to_numpy(float)[at >= 0],
            }
        )
        sockets_before += len(sockets)
    columns = {name: np.concatenate([one[name] for one in found]) for name in COLUMNS}
    rank = np.empty(len(known), dtype=np.int64)
    rank[np.argsort(known.to_numpy(object), kind="stable")] = np.arange(len(known))
    columns["unit"] = rank[columns["unit"]]
    return World(laws=tuple(parts), **columns)
