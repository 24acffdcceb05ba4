"""Say what is being done, how long it took and, after two seconds, how much is left."""

from __future__ import annotations

import shutil
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import TextIO, TypeVar

from failstats.show.text import clean, share_text

__all__ = ["Progress", "Step", "each"]

Item = TypeVar("Item")

BAR_AFTER = 2.0  # seconds before a running step says how much is left
REDRAWN_AFTER = 0.2  # seconds between two drawings
BEAT = 0.5  # seconds after which a silent step is drawn again


def each(
    progress: Callable[[str], None] | None,
    items: Iterable[Item],
    name: Callable[[Item], str] = str,
) -> Iterator[Item]:
    """Go through ``items``, telling ``progress`` the name of each before it is worked on.

    A ``Step`` is also told the share that is done, so that it can say how much is left.

    Examples
    --------
    >>> said = []
    >>> list(each(said.append, ["coil", "fuse"], str.upper)), said
    (['coil', 'fuse'], ['COIL', 'FUSE'])
    """
    held = list(items)
    for number, item in enumerate(held):
        if isinstance(progress, Step):
            progress.done(number, of=len(held))
        if progress is not None:
            progress(name(item))
        yield item


class Step:
    """One running step; tell it what it is at, and how far, and it says how much is left.

    Called with a text it names what is being done; ``done`` says how much of it is.
    """

    def __init__(self, label: str, *, total: float | None, stream: TextIO, live: bool) -> None:
        self.label = label
        self.total = total
        self._stream = stream
        self._live = live
        self._begun = time.monotonic()
        self._shown = self._begun
        self._drawn = 0
        self._doing = ""
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
            self._share, self._share_at = min(1.0, max(0.0, amount / total)), None
        if of is None:
            self._tell()

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
        if self._share_at is None:
            self._share_at = elapsed
        if now - self._begun < BAR_AFTER or now - self._shown < REDRAWN_AFTER:
            return
        self._shown = now
        what = f"{self.label}: {self._doing}" if self._doing else self.label
        left = 0.0
        if self._share > 0:
            left = self._share_at / self._share - elapsed
        if left > 0:
            self._draw(f"{what} … {share_text(self._share)}, about {left:.0f} s left")
        else:
            self._draw(f"{what} … {elapsed:.0f} s so far")

    def _draw(self, text: str) -> None:
        room = shutil.get_terminal_size().columns - 1
        text = text if len(text) <= room else text[: room - 1] + "…"
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


class Progress:
    """Says on standard error what is being done and how long it took.

    Parameters
    ----------
    quiet : say nothing.
    stream : where to write (default standard error).

    Notes
    -----
    Only on a terminal: what is being done and how much is left while a step runs longer than two
    seconds, and a line for each finished step. Nothing when piped or quiet.
    """

    def __init__(self, *, quiet: bool = False, stream: TextIO | None = None) -> None:
        self.quiet = quiet
        self.stream = stream if stream is not None else sys.stderr

    @contextmanager
    def step(self, label: str, *, total: float | None = None) -> Iterator[Step]:
        """Time one step: ``with progress.step("building lives"): ...``."""
        live = not self.quiet and bool(getattr(self.stream, "isatty", lambda: False)())
        running = Step(clean(label), total=total, stream=self.stream, live=live)
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
