"""Where the notebooks find the demo company's warehouse, wherever `failstats demo` was run."""

from __future__ import annotations

import os
from pathlib import Path

__all__ = ["warehouse"]

MADE = Path("failstats-demo") / "demo.duckdb"


def warehouse(here: Path | None = None) -> Path:
    """FAILSTATS_WAREHOUSE, else failstats-demo/demo.duckdb in this folder, else one folder up.

    Parameters
    ----------
    here : the folder to begin in; where the notebook runs if None.

    Raises
    ------
    FileNotFoundError : there is none; it says what to run.
    """
    if os.environ.get("FAILSTATS_WAREHOUSE"):
        return Path(os.environ["FAILSTATS_WAREHOUSE"])
    begin = (here or Path()).resolve()
    for folder in (begin, begin.parent):
        if (folder / MADE).is_file():
            return Path(os.path.relpath(folder / MADE, begin)) if here is None else folder / MADE
    raise FileNotFoundError(
        f"the demo company's warehouse must be there, but {MADE} is neither in this folder nor one "
        "up. Run: failstats demo (or set FAILSTATS_WAREHOUSE to a warehouse of yours)."
    )
