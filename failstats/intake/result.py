"""What a load did: per file how many rows came in and what became of them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pandas as pd

__all__ = ["LEDGER_KEYS", "LoadResult"]

LEDGER_KEYS = (
    "batch", "table", "file", "rows_in", "good", "quarantined", "duplicates", "corrected",
    "loaded_at",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoadResult:
    """What became of every row of a load.

    Attributes
    ----------
    batches : one dict per file with ``LEDGER_KEYS``; rows_in = good + quarantined + duplicates,
        corrected ones among the good.
    notes : what a person should know about the files (decoded, already loaded, assumed).
    reasons : why rows were quarantined -> how many.
    checked_only : nothing was written.
    """

    batches: list[dict[str, Any]]
    notes: tuple[str, ...] = ()
    reasons: dict[str, int] = field(default_factory=dict)
    checked_only: bool = False

    @property
    def quarantined(self) -> int:
        """Rows that could not be used as they are."""
        return sum(int(row["quarantined"]) for row in self.batches)

    def to_dict(self) -> dict[str, Any]:
        """The contract's keys."""
        return {"batches": [dict(row) for row in self.batches]}

    def table(self) -> pd.DataFrame:
        """One row per file."""
        return pd.DataFrame(self.batches, columns=list(LEDGER_KEYS))

    def interval(self, confidence_level: float = 0.95) -> None:
        """There is none: rows are counted, not estimated."""
        return

    def chart(self) -> None:
        """There is none."""
        return

    def __str__(self) -> str:
        total = {key: sum(int(row[key]) for row in self.batches) for key in LEDGER_KEYS[3:8]}
        verb = "would load" if self.checked_only else "loaded"
        lines = []
        if self.batches:
            first = self.batches[0]["batch"]
            count = len({row["file"] for row in self.batches})
            files = f"{count} file{'s' if count > 1 else ''}"
            lines.append(f"{verb} batch {first}: {total['rows_in']:,} rows from {files}")
            lines.append(
                f"{total['good']:,} good ({total['corrected']:,} of them corrections), "
                f"{total['duplicates']:,} already there, {total['quarantined']:,} in quarantine"
            )
        most = sorted(self.reasons.items(), key=lambda pair: (-pair[1], pair[0]))
        lines.extend(f"  {count:,} × {reason}" for reason, count in most[:3])
        if len(most) > 3:
            lines.append(f"  and {len(most) - 3} more reason{'s' if len(most) > 4 else ''}")
        if self.quarantined:
            lines.append("failstats quality lists them: correct the file, or load --requeue")
        room = max(1, 6 - len(lines))
        lines.extend(self.notes[:room])
        if len(self.notes) > room:
            lines.append("…")
        return "\n".join(lines) or "nothing was loaded"
