"""Say what is being done, how long it took and, after two seconds, how much is left."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TextIO

from failstats.show.text import clean, share_text

__all__ = ["Progress", "Step"]

BAR_AFTER = 2.0  # seconds before a running step says how much is left


class Step:
    """One running step; tell it how far it is and it says how much is left."""

    def __init__(self, label: str, *, total: float | None, stream: TextIO, live: bool) -> None:
        self.label = label
        self.total = total
        self._stream = stream
        self._live = live
        self._begun = time.monotonic()
        self._shown = self._begun
        self._drawn = 0

    def done(self, amount: float) -> None:
        """Say that ``amount`` of the total is done; drawn on a terminal after two seconds."""
        now = time.monotonic()
        if not self._live or not self.total or now - self._shown < 0.2:
            return
        elapsed = now - self._begun
        share = min(1.0, max(0.0, amount / self.total))
        if elapsed < BAR_AFTER or share <= 0:
            return
        self._shown = now
        left = elapsed * (1 - share) / share
        self._draw(f"{self.label} … {share_text(share)}, about {left:.0f} s left")

    def _draw(self, text: str) -> None:
        self._stream.write("\r" + text + " " * max(0, self._drawn - len(text)))
        self._stream.flush()
        self._drawn = len(text)

    def _close(self, *, failed: bool) -> None:
        if self._drawn:
            self._stream.write("\r" + " " * self._drawn + "\r")
        word = "stopped after " if failed else ""
        self._stream.write(f"{self.label} … {word}{time.monotonic() - self._begun:.1f} s\n")
        self._stream.flush()


class Progress:
    """Says on standard error what is being done and how long it took.

    Parameters
    ----------
    quiet : say nothing.
    stream : where to write (default standard error).

    Notes
    -----
    A line per finished step is always written unless quiet; the running "about 3 s left" only on
    a terminal.
    """

    def __init__(self, *, quiet: bool = False, stream: TextIO | None = None) -> None:
        self.quiet = quiet
        self.stream = stream if stream is not None else sys.stderr

    @contextmanager
    def step(self, label: str, *, total: float | None = None) -> Iterator[Step]:
        """Time one step: ``with progress.step("building lives"): ...``."""
        live = not self.quiet and bool(getattr(self.stream, "isatty", lambda: False)())
        running = Step(clean(label), total=total, stream=self.stream, live=live)
        try:
            yield running
        except BaseException:
            if not self.quiet:
                running._close(failed=True)
            raise
        if not self.quiet:
            running._close(failed=False)
