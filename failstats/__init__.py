"""failstats: life statistics from a dryer repair company's own job records."""

__version__ = "0.1.0"

from failstats.errors import (
    FailstatsError,
    FitError,
    InputError,
    LockedError,
    PlanError,
    QueryError,
    WarehouseError,
)
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
