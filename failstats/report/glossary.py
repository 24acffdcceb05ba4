"""The words of the guide, for the end of the page."""

from __future__ import annotations

import functools
import re
from importlib import resources

__all__ = ["glossary"]

ENTRY = re.compile(r"^- \*\*(?P<word>.+?)\*\*(?P<more>.*?): (?P<meaning>.+)$", re.MULTILINE)


@functools.cache
def glossary() -> tuple[tuple[str, str], ...]:
    """What the words of the answers mean, as (word, meaning), in the order of the alphabet.

    >>> dict(glossary())["unit"]
    'one clothes dryer.'
    """
    page = resources.files("failstats") / "guide" / "glossary.md"
    found = ENTRY.finditer(page.read_text(encoding="utf-8"))
    return tuple(
        (re.sub(r"\*+", "", entry["word"] + entry["more"]), re.sub(r"\*+", "", entry["meaning"]))
        for entry in found
    )
