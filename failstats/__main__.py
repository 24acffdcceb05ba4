"""python -m failstats, and the console script."""

from __future__ import annotations

import os

__all__ = ["run"]


def run() -> None:
    """The commands, with one thread for the linear algebra: its matrices are small here."""
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    from failstats.cli import run as carry_out

    carry_out()


if __name__ == "__main__":
    run()
