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
    frame = pd.concat([session.run("lives_world", part=part) for part in parts], ignore_index=True)
    keys = ["unit_id", "span", "part", "position"]
    sockets = frame[frame["kind"] == "socket"].reset_index(drop=True)
    number = sockets.reset_index().set_index(keys)["index"]
    failures = frame[frame["kind"] == "failure"]
    place = number.reindex(failures.set_index(keys).index)
    known = place.notna().to_numpy()
    unit = sockets["unit_id"].astype(str) + " " + sockets["span"].astype(str)
    return World(
        laws=tuple(parts),
        unit=np.unique(unit, return_inverse=True)[1],
        law=sockets["part"].map({part: i for i, part in enumerate(parts)}).to_numpy(np.int64),
        from_day=sockets["from_day"].to_numpy(float),
        to_day=sockets["to_day"].to_numpy(float),
        unit_age=sockets["unit_age_days"].to_numpy(float),
        part_age=sockets["part_age_days"].to_numpy(float, na_value=np.nan),
        loses=sockets["leaves_unseen"].to_numpy(bool),
        failed_socket=place[known].to_numpy(np.int64),
        failed_day=failures["failed_day"].to_numpy(float)[known],
    )
