"""A file of rules of thumb: read, and checked word by word before anything is computed."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping
from importlib import resources
from pathlib import Path
from typing import Any

from failstats.answers.vents_records import DEFAULT_MONTHS, bands_of
from failstats.errors import InputError
from failstats.vocabulary import Vocabulary, load_vocabulary

__all__ = ["COLUMNS", "ESTIMATORS", "read_rules"]

# estimator -> the keys it takes beside those of every rule
ESTIMATORS = {
    "share": ("complaint", "parts"),
    "share_of_modes": ("part", "modes"),
    "reading": ("part", "from", "to"),
    "rate_ratio": ("part", "column", "group", "against"),
    "hazard": ("part", "contrast"),
    "follow_on": ("first", "second", "window_days"),
    "interval": ("part", "share"),
}
COMMON_KEYS = ("name", "statement", "estimator", "threshold", "direction")
# columns that tell lives apart: those of `lives_rows`
COLUMNS = (
    "family", "fuel", "item_id", "van_id", "duct_material", "termination", "position",
    "first_or_later", "followed_as",
)  # fmt: skip
NOTHING_FOUND = "no_fault_found"
# estimator -> where its figure can lie at all; a threshold outside would settle the rule beforehand
POSITIVE = "a number above 0", 0.0, math.inf
SHARE = "a share between 0 and 1", 0.0, 1.0
REACH = {
    "share": SHARE,
    "share_of_modes": SHARE,
    "reading": SHARE,
    "rate_ratio": POSITIVE,
    "hazard": POSITIVE,
    "follow_on": ("a difference of shares between -1 and 1", -1.0, 1.0),
    "interval": ("a number of days above 0", 0.0, math.inf),
}
CONTRASTS = (
    *(f"{name}_vs_{bands_of(DEFAULT_MONTHS).reference}" for name in bands_of(DEFAULT_MONTHS).names),
    "over_limit_vs_within",
)


def _text(path: Path | None) -> tuple[str, str]:
    """What the file holds, and how to name it."""
    if path is None:
        return resources.files("failstats").joinpath("rules.toml").read_text("utf-8"), "rules.toml"
    where = str(path)
    try:
        return Path(path).read_text("utf-8-sig"), where
    except (FileNotFoundError, IsADirectoryError):
        raise InputError(
            f"a rules file must exist, but {path} does not.",
            where="--file",
            do="write one with: failstats draft rules",
        ) from None
    except UnicodeDecodeError:
        raise InputError(
            "a rules file must be UTF-8 text.", where=where, do="save it as UTF-8."
        ) from None


def read_rules(
    path: Path | None = None, vocabulary: Vocabulary | None = None
) -> list[dict[str, Any]]:
    """The rules of a file; the shipped ones where None.

    Parameters
    ----------
    path : a rules file. vocabulary : the company's words; the shipped ones where None.

    Raises
    ------
    InputError : no such file, not TOML, a name used twice, an unknown estimator, key or word, or a
        value of the wrong kind. The message names the rule.

    Examples
    --------
    >>> read_rules()[0]["estimator"]
    'share'
    """
    content, where = _text(path)
    words = vocabulary or load_vocabulary()
    try:
        found = tomllib.loads(content)
    except tomllib.TOMLDecodeError as fault:
        raise InputError(
            f"a rules file must be TOML, but: {fault}.", where=where, do="correct the line."
        ) from None
    listed = found.get("rule", [])
    if not isinstance(listed, list) or not listed or set(found) != {"rule"}:
        raise InputError(
            "a rules file holds [[rule]] entries and nothing else.",
            where=where,
            do="begin each with [[rule]].",
        )
    seen: dict[str, int] = {}
    for number, rule in enumerate(listed, start=1):
        named = f" ({rule['name']})" if isinstance(rule, dict) and "name" in rule else ""
        place = f"{where}, rule {number}{named}"
        if not isinstance(rule, dict):
            raise _wrong("a rule", "a table of keys", rule, place)
        _keys(rule, place)
        _values(rule, words, place)
        if rule["name"] in seen:
            raise InputError(
                f"a rule's name must be used once, but {rule['name']!r} is that of rule "
                f"{seen[rule['name']]} too.",
                where=place,
                do="give it another name.",
            )
        seen[rule["name"]] = number
    return listed


def _keys(rule: dict[str, Any], where: str) -> None:
    estimator = rule.get("estimator")
    if not isinstance(estimator, str) or estimator not in ESTIMATORS:
        raise InputError(
            f"estimator must be one of {', '.join(ESTIMATORS)}, but is {estimator!r}.",
            where=where,
            do="correct it.",
        )
    needed = (*COMMON_KEYS, *ESTIMATORS[estimator])
    missing = [key for key in needed if key not in rule]
    unknown = sorted(set(rule) - set(needed) - {"origin"})
    if missing or unknown:
        said = [f"{', '.join(missing)} is missing"] if missing else []
        said += [f"{', '.join(unknown)} is unknown"] if unknown else []
        raise InputError(
            f"a rule with estimator {estimator} has the keys {', '.join(needed)} and, if known, "
            f"origin, but {'; '.join(said)}.",
            where=where,
            do="correct the keys.",
        )


def _wrong(key: str, must: str, given: object, where: str) -> InputError:
    return InputError(f"{key} must be {must}, but is {given!r}.", where=where, do="correct it.")


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _values(rule: dict[str, Any], words: Vocabulary, where: str) -> None:
    """Every value of the right kind, every word of the vocabulary; synonyms are put right."""
    spelt = words.spellings
    one_of: Mapping[str, tuple[str, Callable[[Any], bool]]] = {
        "name": ("text", lambda v: isinstance(v, str) and bool(v.strip())),
        "statement": ("text", lambda v: isinstance(v, str) and bool(v.strip())),
        "origin": ("text", lambda v: isinstance(v, str)),
        "threshold": ("a number", _is_number),
        "direction": ("above or below", lambda v: v in ("above", "below")),
        "from": ("a resistance in ohm", _is_number),
        "to": ("a resistance in ohm", _is_number),
        "share": ("a share between 0 and 1", lambda v: _is_number(v) and 0 < v < 1),
        "window_days": (
            "a whole number of days above 0",
            lambda v: isinstance(v, int) and not isinstance(v, bool) and v > 0,
        ),
        "column": (f"one of {', '.join(COLUMNS)}", lambda v: v in COLUMNS),
        "group": ("text", lambda v: isinstance(v, str)),
        "against": ("text", lambda v: isinstance(v, str)),
        "contrast": (f"one of {', '.join(CONTRASTS)}", lambda v: v in CONTRASTS),
    }
    for key, value in rule.items():
        if key in one_of and not one_of[key][1](value):
            raise _wrong(key, one_of[key][0], value, where)
    for key, kind in (("part", "parts"), ("first", "parts"), ("second", "parts"),
                      ("complaint", "complaints")):  # fmt: skip
        if key in rule:
            rule[key] = _word(rule[key], key, spelt(kind), where)
    for key, kind, beside in (("parts", "parts", {NOTHING_FOUND: NOTHING_FOUND}),
                              ("modes", "modes", {})):  # fmt: skip
        if key in rule:
            if not isinstance(rule[key], list) or not rule[key]:
                raise _wrong(key, "a list of words in brackets", rule[key], where)
            known = {**spelt(kind), **beside}
            rule[key] = [_word(value, key, known, where) for value in rule[key]]
    if "from" in rule and not rule["from"] < rule["to"]:
        raise _wrong("to", f"above from ({rule['from']})", rule["to"], where)
    for one, other in (("first", "second"), ("group", "against")):
        if one in rule and rule[one] == rule[other]:
            raise _wrong(other, f"another than {one}", rule[other], where)
    must, least, most = REACH[rule["estimator"]]
    inside = least < rule["threshold"] < most or (
        most == 1.0 and rule["threshold"] in (least, most)
    )
    if not inside:
        raise _wrong("threshold", must, rule["threshold"], where)


def _word(value: object, key: str, known: Mapping[str, str], where: str) -> str:
    if not isinstance(value, str) or value not in known:
        listed = ", ".join(dict.fromkeys(known.values()))
        raise InputError(
            f"{key} must be one of {listed}, but is {value!r}.", where=where, do="correct the word."
        )
    return known[value]
