"""The words of the trade: parts, findings, modes, tests, actions, complaints and their synonyms.

The words themselves are data (``vocabulary.toml``); a company may add its own in a second file.
"""

from __future__ import annotations

import difflib
import tomllib
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from failstats.errors import InputError

__all__ = ["Part", "Vocabulary", "load_vocabulary"]

FUELS = ("electric", "gas", "heat_pump")
PART_KEYS = {
    "synonyms",
    "fuels",
    "on_every_unit",
    "worn_is_failure",
    "heat_part",
    "silent_modes",
    "trips",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One kind of part and what its words mean for the statistics."""

    name: str
    synonyms: tuple[str, ...] = ()
    fuels: tuple[str, ...] = FUELS
    on_every_unit: bool = False
    worn_is_failure: bool = False
    heat_part: bool = False
    silent_modes: tuple[str, ...] = ()
    trips: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Vocabulary:
    """All known words.

    Attributes
    ----------
    parts : part name -> Part.
    words : list name (``findings``, ``modes``, …) -> known word -> its synonyms.
    """

    parts: dict[str, Part]
    words: dict[str, dict[str, tuple[str, ...]]]

    def spellings(self, kind: str) -> dict[str, str]:
        """Every accepted spelling of one list, lower case, mapped to the word it stands for.

        >>> load_vocabulary().spellings("findings")["faulty"]
        'failed'
        """
        if kind == "parts":
            table = {name: part.synonyms for name, part in self.parts.items()}
        else:
            table = self.words[kind]
        return {
            spelling: word for word, synonyms in table.items() for spelling in (word, *synonyms)
        }

    def nearest(self, kind: str, spelling: str) -> str | None:
        """The known spelling closest to a misspelt one, to name it in a message; never applied."""
        found = difflib.get_close_matches(spelling.lower(), list(self.spellings(kind)), n=1)
        return found[0] if found else None


def _part(name: str, entry: dict[str, object], where: str) -> Part:
    unknown = set(entry) - PART_KEYS
    if unknown:
        raise InputError(
            f"a part has the keys {', '.join(sorted(PART_KEYS))}, but {name} has "
            f"{', '.join(sorted(unknown))}.",
            where=where,
            do="correct or remove the key.",
        )
    values = {
        key: tuple(value) if isinstance(value, list) else value for key, value in entry.items()
    }
    return Part(name=name, **values)  # type: ignore[arg-type]


def load_vocabulary(extra: Path | None = None) -> Vocabulary:
    """The shipped words, with a company's own file laid over them.

    Parameters
    ----------
    extra : a TOML file with the same tables; None for the shipped words alone.

    Raises
    ------
    InputError : the file is missing, is not TOML, or one spelling stands for two words.

    Examples
    --------
    >>> load_vocabulary().parts["thermostat"].silent_modes
    ('stuck_closed',)
    """
    shipped = resources.files("failstats").joinpath("vocabulary.toml").read_text("utf-8")
    tables: dict[str, dict[str, object]] = tomllib.loads(shipped)
    where = "vocabulary.toml"
    if extra is not None:
        where = str(extra)
        try:
            added = tomllib.loads(Path(extra).read_text("utf-8-sig"))
        except FileNotFoundError:
            raise InputError(
                f"a vocabulary file must exist, but {extra} does not.",
                where=where,
                do="correct the path in failstats.toml.",
            ) from None
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
            raise InputError(
                f"a vocabulary file must be TOML, but: {fault}.",
                where=where,
                do="correct the file.",
            ) from None
        for kind, entries in added.items():
            if kind not in tables or not isinstance(entries, dict):
                raise InputError(
                    f"a vocabulary has the tables {', '.join(tables)}, but this one has {kind}.",
                    where=where,
                    do="rename or remove the table.",
                )
            tables[kind] = {**tables[kind], **entries}
    parts = {
        name: _part(name, dict(entry), where)  # type: ignore[call-overload]
        for name, entry in tables.pop("parts").items()
    }
    words: dict[str, dict[str, tuple[str, ...]]] = {
        kind: {word: tuple(synonyms) for word, synonyms in entries.items()}  # type: ignore[arg-type]
        for kind, entries in tables.items()
    }
    vocabulary = Vocabulary(parts=parts, words=words)
    for kind in ("parts", *words):
        listed = [
            w
            for w, s in (
                {n: p.synonyms for n, p in parts.items()} if kind == "parts" else words[kind]
            ).items()
            for w in (w, *s)
        ]
        twice = sorted({w for w in listed if listed.count(w) > 1})
        if twice:
            raise InputError(
                f"one spelling must stand for one word, but in {kind} {', '.join(twice)} stands "
                "for several.",
                where=where,
                do="remove the synonym from all words but one.",
            )
    return vocabulary
