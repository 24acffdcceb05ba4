"""Say what is being done, how long it took and, after two seconds, how much is left."""

from __future__ import annotations

import shutil
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TextIO

from failstats.show.text import clean, share_text

__all__ = ["Progress", "Step"]

BAR_AFTER = 2.0  # seconds before a running step says how much is left
REDRAWN_AFTER = 0.2  # seconds between two drawings
LEAST_SHARE = 0.03  # below which what is left cannot be told from what was done
BEAT = 0.5  # seconds after which a silent step is drawn again


class Step:
    """One running step; tell it what it is at, and how far, and it says how much is left.

    Called with a text it names what is being done; ``done`` says how much of it is. It is a
    `failstats.progress.Measured` listener: work within work shares out ``span``.
    """

    def __init__(
        self, label: str, *, total: float | None, stream: TextIO, live: bool, drawn: int = 0
    ) -> None:
        self.label = label
        self.total = total
        self._stream = stream
        self._live = live
        self._begun = time.monotonic()
        self._shown = self._begun
        self._drawn = drawn
        self._doing = ""
        self._place = ""
        self._from: float | None = None  # seconds after which the first share began
        self.span = (0.0, 1.0)
        self._share = 0.0
        self._share_at: float | None = None  # seconds after which it was reached
        self._lock = threading.Lock()
        self._over = threading.Event()

    def __call__(self, doing: str) -> None:
        """Say what is being done now."""
        self._doing = clean(doing)
        self._tell()

    def done(self, amount: float, *, of: float | None = None) -> None:
        """Say that ``amount`` of the total is done; drawn on a terminal after two seconds."""
        total = self.total if of is None else of
        if total:
            low, high = self.span
            part = min(1.0, max(0.0, amount / total))
            self._share, self._share_at = low + (high - low) * part, None
        self._tell()

    def begin(self, low: float, high: float, *, place: str) -> None:
        """Work begins that leads from the share ``low`` of the whole to ``high``."""
        self.span, self._place = (low, high), place
        self._share, self._share_at = low, None

    def _beat(self) -> None:
        """Draw again and again, also while one long calculation tells nothing."""
        while not self._over.wait(BEAT):
            self._tell()

    def _tell(self) -> None:
        if self._live:
            with self._lock:
                self._tell_now()

    def _tell_now(self) -> None:
        now = time.monotonic()
        elapsed = now - self._begun
        if self._place and self._from is None:
            self._from = elapsed  # what came before, such as opening, is no part of the work
        if self._share_at is None:
            self._share_at = elapsed
        if now - self._begun < BAR_AFTER or now - self._shown < REDRAWN_AFTER:
            return
        self._shown = now
        what = f"{self.label}: {self._doing}" if self._doing else self.label
        left = 0.0
        if self._share >= LEAST_SHARE:
            whole = (self._share_at - (self._from or 0.0)) / self._share
            left = whole * (1 - self._share) - (elapsed - self._share_at)
        if left > 0:
            told = f"{share_text(self._share)}, about {_clock(left)} left"
        elif self._share >= LEAST_SHARE:  # it takes longer than was thought
            told = f"{share_text(self._share)}, a little longer than expected: {_clock(elapsed)}"
        elif self._share > 0:
            told = f"{share_text(self._share)} done, {_clock(elapsed)} so far"
        elif self._place:  # nothing is finished yet
            told = f"{self._place}, {_clock(elapsed)} so far"
        else:
            told = f"{_clock(elapsed)} so far"
        self._draw(what, told)

    def _first(self) -> None:
        """The step's name, as it begins."""
        if self._live:
            self._write(f"{self.label} …"[: shutil.get_terminal_size().columns - 1])

    def _draw(self, what: str, told: str) -> None:
        """One line; where there is no room, what is done gives way to how much is left."""
        room = shutil.get_terminal_size().columns - 1
        most = max(room - len(told) - 3, 0)
        what = what if len(what) <= most else what[: max(most - 1, 0)].rstrip() + "…"
        text = f"{what} … {told}"[:room] if not what.endswith("…") else f"{what} {told}"[:room]
        self._write(text)

    def _write(self, text: str) -> None:
        self._stream.write("\r" + text + " " * max(0, self._drawn - len(text)))
        self._stream.flush()
        self._drawn = len(text)

    def _close(self, *, failed: bool) -> None:
        if not self._live:
            return
        if self._drawn:
            self._stream.write("\r" + " " * self._drawn + "\r")
        word = "stopped after " if failed else ""
        self._stream.write(f"{self.label} … {word}{time.monotonic() - self._begun:.1f} s\n")
        self._stream.flush()


def _clock(seconds: float) -> str:
    """A time as a person waits for it: seconds, from two minutes on minutes."""
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"


class Progress:
    """Says on standard error what is being done and how long it took.

    Parameters
    ----------
    quiet : say nothing.
    stream : where to write (default standard error).

    Notes
    -----
    Only on a terminal: a step's name as it begins, what is being done and how much is left while it
    runs longer than two seconds, and a line for each finished step. Nothing when piped or quiet.
    """

    def __init__(self, *, quiet: bool = False, stream: TextIO | None = None) -> None:
        self.quiet = quiet
        self.stream = stream if stream is not None else sys.stderr
        self._waiting = 0  # cells of a line that waits for the first step

    @property
    def _live(self) -> bool:
        return not self.quiet and bool(getattr(self.stream, "isatty", lambda: False)())

    def first(self, label: str) -> Progress:
        """Say at once what begins, before anything is imported or opened; a step takes its place.

        Returns
        -------
        Itself.
        """
        if self._live:
            text = f"{clean(label)} …"[: shutil.get_terminal_size().columns - 1]
            self.stream.write(text)
            self.stream.flush()
            self._waiting = len(text)
        return self

    @contextmanager
    def step(self, label: str, *, total: float | None = None) -> Iterator[Step]:
        """Time one step: ``with progress.step("building lives"): ...``."""
        live = self._live
        waiting, self._waiting = self._waiting, 0
        running = Step(clean(label), total=total, stream=self.stream, live=live, drawn=waiting)
        running._first()
        beat = threading.Thread(target=running._beat, daemon=True)
        if live:
            beat.start()
        failed = True
        try:
            yield running
            failed = False
        finally:
            running._over.set()
            if live:
                beat.join()
            running._close(failed=failed)
