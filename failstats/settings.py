"""failstats.toml in the working folder: options that need no repeating."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from failstats.errors import InputError

__all__ = ["FileSettings", "read_settings"]

NAME = "failstats.toml"
CHOICES = {"units": ("us", "metric"), "paper": ("a4", "letter")}


@dataclass(frozen=True, slots=True, kw_only=True)
class FileSettings:
    """What failstats.toml says; None where it says nothing."""

    warehouse: Path | None = None
    costs: Path | None = None
    vocabulary: Path | None = None
    units: str = "metric"
    paper: str = "a4"
    memory: str | None = None


def read_settings(folder: Path | None = None) -> FileSettings:
    """Read failstats.toml; an empty setting where there is no such file.

    Raises
    ------
    InputError : the file is not TOML, or a key or value is unknown.
    """
    path = (folder or Path()) / NAME
    if not path.is_file():
        return FileSettings()
    try:
        tree: dict[str, Any] = tomllib.loads(path.read_text("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        raise InputError(
            f"{NAME} must be TOML, but: {fault}.", where=NAME, do="correct the line."
        ) from None
    show = tree.pop("show", {})
    memory = tree.pop("memory", None)
    if memory is not None and not isinstance(memory, str):
        raise InputError(
            f'memory must be a size in quotes, such as "4GB", but is {memory!r}.',
            where=NAME,
            do="correct it.",
        )
    paths = {key: tree.pop(key) for key in ("warehouse", "costs", "vocabulary") if key in tree}
    unknown = [*tree, *(f"show.{key}" for key in show if key not in CHOICES)]
    if unknown:
        raise InputError(
            f"{NAME} has the keys warehouse, costs, vocabulary, memory, show.units and show.paper, "
            f"but "
            f"{', '.join(unknown)} was given.",
            where=NAME,
            do="correct or remove the key.",
        )
    for key, value in paths.items():
        if not isinstance(value, str):
            raise InputError(
                f"{key} must be a path in quotes, but is {value!r}.", where=NAME, do="correct it."
            )
    for key, value in show.items():
        if value not in CHOICES[key]:
            raise InputError(
                f"show.{key} must be one of {', '.join(CHOICES[key])}, but is {value!r}.",
                where=NAME,
                do="correct the word.",
            )
    return FileSettings(
        **{key: path.parent / value for key, value in paths.items()}, **show, memory=memory
    )
