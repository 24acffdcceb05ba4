"""A file of queries/ as an answer: its rows, and what its header says about them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import pandas as pd

from failstats.answers import wording as text
from failstats.answers.result import Answer, Warning_
from failstats.warehouse.queries import find_query

if TYPE_CHECKING:
    from failstats.records import Records

__all__ = ["QueryAnswer", "ask_query"]

ROWS_PRINTED = 40


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class QueryAnswer(Answer):
    """The rows of one query."""

    command: ClassVar[str] = "query"

    def rows_table(self) -> pd.DataFrame:
        """The rows."""
        return pd.DataFrame(list(self.results))

    def headline(self) -> str:
        """What the query answers."""
        return f"{self.summary['answers']} ({len(self.results):,} rows, {self.summary['grain']})"

    def details(self) -> list[str]:
        """The first rows, the choice made and the trap."""
        frame = self.table()
        lines = [text.table(frame.head(ROWS_PRINTED))]
        if len(frame) > ROWS_PRINTED:
            lines.append(f"… {len(frame) - ROWS_PRINTED:,} more rows; --csv or --json gives all.")
        return [
            *lines,
            text.wrap(f"Choice: {self.summary['choice']}"),
            text.wrap(f"Trap: {self.summary['trap']}"),
        ]


def ask_query(records: Records, name: str, given: dict[str, Any]) -> QueryAnswer:
    """Run one query by name.

    Raises
    ------
    QueryError : no such query, or its parameters are not those given.
    """
    header = find_query(name).header
    frame = records.query(name, **given)
    warnings = records.said()
    if records.in_partitions and find_query(name).adds == "by unit":
        numbers = [str(column) for column in frame if str(column).endswith("_number")]
        if numbers:
            warnings.append(
                Warning_(
                    code="numbers_of_partitions",
                    text=f"{', '.join(numbers)}: each partition numbers its own rows, so different "
                    "units, visits and spans share a number here; ask the warehouse itself.",
                )
            )
    rows = tuple(
        {
            str(k): None
            if v is None
            or (not isinstance(v, list | tuple | dict) and not hasattr(v, "__len__") and pd.isna(v))
            else v
            for k, v in row.items()
        }
        for row in frame.to_dict("records")
    )
    return QueryAnswer(
        as_of=records.as_of.isoformat(),
        settings={"name": name, **given},
        warnings=tuple(warnings),
        summary={key: header[key] for key in ("answers", "grain", "choice", "trap")},
        results=rows,
    )
