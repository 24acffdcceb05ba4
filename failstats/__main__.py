"""python -m failstats."""

from failstats.cli import run

run()
