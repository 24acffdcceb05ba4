"""A private folder for what a load writes down on its way; those of killed loads are cleared."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

try:
    import fcntl
except ImportError:  # no such locks here: folders of killed loads are left to the system
    fcntl = None  # type: ignore[assignment]

__all__ = ["clear_left_over", "private_folder"]

PREFIX = "failstats_work_"
HELD = "held_while_in_use"  # a file in the folder, locked as long as its process lives


@contextlib.contextmanager
def private_folder() -> Iterator[Path]:
    """A temporary folder that only this user can read; gone afterwards.

    What killed processes left behind is cleared first.
    """
    clear_left_over()
    with tempfile.TemporaryDirectory(prefix=PREFIX) as folder, _held(Path(folder)):
        yield Path(folder)


@contextlib.contextmanager
def _held(folder: Path) -> Iterator[None]:
    handle = os.open(folder / HELD, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600)
    try:
        if fcntl is not None:
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def clear_left_over() -> int:
    """Remove the folders of processes that were killed: staged records must not lie about.

    Returns
    -------
    How many were removed. A folder in use, of another user, or not made here is left alone.
    """
    if fcntl is None:
        return 0
    removed = 0
    for folder in Path(tempfile.gettempdir()).glob(f"{PREFIX}*"):
        try:
            known = folder.lstat()
            if not folder.is_dir() or folder.is_symlink() or known.st_uid != os.getuid():
                continue
            handle = os.open(folder / HELD, os.O_RDWR | os.O_NOFOLLOW)
        except OSError:
            continue
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            continue  # its process lives
        else:
            shutil.rmtree(folder, ignore_errors=True)
            removed += not folder.exists()
        finally:
            os.close(handle)
    return removed
