"""failstats: life statistics from a dryer repair company's own job records.

>>> import failstats
>>> with failstats.open_warehouse("company.duckdb") as records:  # doctest: +SKIP
...     print(records.lives("coil", by="family"))
"""

__version__ = "0.1.0"

from typing import TYPE_CHECKING, Any

from failstats.errors import (
    FailstatsError,
    FitError,
    InputError,
    LockedError,
    PlanError,
    QueryError,
    WarehouseError,
)

if TYPE_CHECKING:
    from failstats.intake.load import load
    from failstats.records import Records, open_warehouse

__all__ = [
    "FailstatsError",
    "FitError",
    "InputError",
    "LockedError",
    "PlanError",
    "QueryError",
    "Records",
    "WarehouseError",
    "__version__",
    "load",
    "open_warehouse",
]

# what pulls in the statistics is imported when first used, so that --help answers at once
_LATER = {
    "load": "failstats.intake.load",
    "Records": "failstats.records",
    "open_warehouse": "failstats.records",
}


def __getattr__(name: str) -> Any:
    if name not in _LATER:
        raise AttributeError(f"module 'failstats' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_LATER[name]), name)
