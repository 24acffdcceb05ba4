"""failstats: life statistics from a dryer repair company's own job records."""

__version__ = "0.1.0"
