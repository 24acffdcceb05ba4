"""Starting files to correct: costs, rules, a mapping, blank tables."""

from __future__ import annotations

from collections.abc import Sequence
from importlib import resources
from pathlib import Path

from failstats.answers.costs import DEFAULTS, UNKNOWN_UNLESS_GIVEN
from failstats.errors import InputError
from failstats.intake.draft import draft_map, draft_tables

__all__ = ["costs_text", "map_summary", "write_draft"]


def costs_text(currency: str = "USD") -> str:
    """A costs file with every key, its default and what it means.

    >>> "visit_cost = 95" in costs_text()
    True
    """
    lines = [
        "# What things cost. Every key is optional; what is left out is assumed, and said to be.",
        "# The figures below are those defaults: put your own, as decimals in one currency, the",
        "# warehouse's. The prices of parts are not here: they come from the catalogue.",
        f'currency = "{currency}"',
    ]
    for table, keys in DEFAULTS.items():
        lines += ["", f"[{table}]"]
        lines += [f"{key} = {default}  # {meaning}" for key, (default, meaning) in keys.items()]
        lines += [
            f"# {key} = {example}  # unknown unless given: {meaning}"
            for key, (example, meaning) in UNKNOWN_UNLESS_GIVEN.get(table, {}).items()
        ]
    return "\n".join(lines) + "\n"


def map_summary(path: Path) -> list[str]:
    """What a person has to do with a drafted mapping, in lines to show."""
    text = path.read_text("utf-8")
    guesses = sum("# guess:" in line for line in text.splitlines())
    asked = [line.removeprefix("# - ") for line in text.splitlines() if line.startswith("# - ")]
    lines = [f"{guesses} guess{'es' if guesses != 1 else ''} to check in it"]
    return lines + (["to decide:", *(f"- {what}" for what in asked)] if asked else [])


def _free(path: Path) -> Path:
    if path.exists():
        raise InputError(
            f"a draft never overwrites a file, but {path} exists.",
            where=str(path),
            do="name another place with --out, or remove it first.",
        )
    if not path.parent.is_dir():
        raise InputError(
            f"the folder of {path} must exist, but it does not.",
            where="--out",
            do="make the folder.",
        )
    return path


def write_draft(what: str, sources: Sequence[Path], out: Path | None = None) -> list[Path]:
    """Write one kind of draft and return the files written.

    Raises
    ------
    InputError : sources where none are taken, none where they are needed, or a name that is taken.
    """
    if what == "map" and not sources:
        raise InputError(
            "draft map needs the files to read, but none was named.",
            where="SOURCE",
            do="name them: failstats draft map export.csv",
        )
    if what != "map" and sources:
        raise InputError(f"draft {what} takes no sources.", where="SOURCE", do="leave them out.")
    if what == "tables":
        return draft_tables(_free(out or Path("tables")))
    path = _free(out or Path(f"{what}.toml"))
    if what == "costs":
        content = costs_text()
    elif what == "rules":
        content = resources.files("failstats").joinpath("rules.toml").read_text("utf-8")
    else:
        content = draft_map(sources)
    path.write_text(content, encoding="utf-8", newline="\n")
    return [path]
