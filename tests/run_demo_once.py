"""Builds the demo company with all its answers once, for every process of a test run.

python tests/run_demo_once.py FOLDER    writes FOLDER/demo/… and, when all is done, FOLDER/made
"""

from __future__ import annotations

import os
import pickle
import re
import sys
from contextlib import nullcontext
from pathlib import Path

from failstats.demo import Demo, demo

MADE = "made"


class Listener:
    """Hears what is being done and how far it is, as a step on a terminal does."""

    def __init__(self) -> None:
        self.span = (0.0, 1.0)
        self.said: list[tuple[float, str]] = []

    def __call__(self, doing: str) -> None:
        self.said.append((self.span[0], doing))

    def begin(self, low: float, high: float, *, place: str) -> None:
        assert re.fullmatch(r"[1-9]\d* of [1-9]\d*", place)
        self.span = (low, high)

    def shares(self) -> list[float]:
        """What was said to be done, as it went on."""
        return [share for share, _ in self.said]


Heard = dict[str, list[tuple[float, str]]]


def build(folder: Path) -> tuple[Demo, Heard]:
    """The demo in ``folder``, and what each of its steps said: (share done, text)."""
    heard: dict[str, Listener] = {}

    def step(label: str) -> nullcontext[Listener]:
        heard[label] = Listener()
        return nullcontext(heard[label])

    made = demo(folder, step=step)
    return made, {label: one.said for label, one in heard.items()}


def main() -> None:
    """Build, and let others see it only when it is whole."""
    folder = Path(sys.argv[1])
    found = build(folder / "demo")
    (folder / "part").write_bytes(pickle.dumps(found))
    os.replace(folder / "part", folder / MADE)


if __name__ == "__main__":
    main()
