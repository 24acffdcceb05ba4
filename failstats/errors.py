"""What can go wrong, in words a repair shop can act on.

The tree::

    FailstatsError
    ├── InputError        words, files or data that need attention (exit status 2)
    ├── WarehouseError    the warehouse file cannot be used as asked
    │   └── LockedError   another process is writing to it
    ├── QueryError        a query file is unknown, malformed or lacks a parameter
    ├── FitError          the records cannot support the estimate
    └── PlanError         no stock list can meet what was asked

Every message has three parts: what must hold and what was given; ``where``; ``do``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

__all__ = [
    "FailstatsError",
    "FitError",
    "InputError",
    "LockedError",
    "PlanError",
    "QueryError",
    "WarehouseError",
]


class FailstatsError(Exception):
    """Something a person has to look at, said in three parts.

    Parameters
    ----------
    what : what must hold and what was given.
    where : the file, row, column or option concerned; at most five examples.
    do : what to do about it.
    rows : the offending rows, if any, for a caller that wants them.
    """

    def __init__(
        self, what: str, *, where: str = "", do: str = "", rows: Sequence[Any] | None = None
    ) -> None:
        self.what = what
        self.where = where
        self.do = do
        self.rows = list(rows) if rows is not None else []
        super().__init__(what)

    def __str__(self) -> str:
        parts = [self.what]
        if self.where:
            parts.append(f"where: {self.where}")
        if self.do:
            parts.append(f"do: {self.do}")
        return "\n".join(parts)


class InputError(FailstatsError):
    """The user's words, files or data need attention."""


class WarehouseError(FailstatsError):
    """The warehouse file cannot be used as asked."""


class LockedError(WarehouseError):
    """Another process is writing to the warehouse."""


class QueryError(FailstatsError):
    """A query file is unknown, malformed or was called without a parameter it needs."""


class FitError(FailstatsError):
    """The records cannot support the estimate that was asked for."""


class PlanError(FailstatsError):
    """No stock list can meet what was asked."""
