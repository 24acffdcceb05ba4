"""What every answer is: frozen, with the same five ways to look at it.

`.table()` a tidy frame · `.interval()` the doubt of the headline figure · `.chart()` a picture ·
`.to_dict()` the contract's JSON · `str()` six lines a manager can read.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import decimal
import math
import types
import typing
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np
import pandas as pd
import pyarrow as pa

from failstats import __version__
from failstats.answers import wording as text
from failstats.errors import InputError

__all__ = ["WARNING_CODES", "Answer", "Warning_", "json_schema", "json_value"]

WARNING_CODES = (
    "records_end_assumed",
    "numbers_of_partitions",
    "call_out_heavy",
    "silent_loss",
    "silent_failure",
    "few_failures",
    "costs_assumed",
    "control_too_small",
    "confounding_remains",
    "models_disagree",
    "low_overlap",
    "partitions_missing",
    "partitions_changed",
    "rows_left_out",
    "not_applied",
    "units_drawn",
)
#: Codes of warnings that stand before everything else: counts are too small.
INCOMPLETE = ("partitions_missing", "rows_left_out")


@dataclass(frozen=True, slots=True, kw_only=True)
class Warning_:
    """Something to know beside the figure, with a code that programs can rely on."""

    code: str
    text: str


def json_value(value: Any) -> Any:
    """The same value in JSON's terms: unknown is None, never NaN; no NumPy, no dates.

    >>> json_value({"share": float("nan"), "ci": (0.1, np.float64(0.2))})
    {'share': None, 'ci': [0.1, 0.2]}
    """
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, str | bool):
        return value
    if isinstance(value, np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating | decimal.Decimal):
        number = float(value)
        return number if math.isfinite(number) else None
    if isinstance(value, dt.date | dt.datetime):
        return value.isoformat()
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        names = [f.name for f in dataclasses.fields(value)]
        # a key that is a word of Python's own (from) is a field with an underscore (from_)
        return {name.rstrip("_"): json_value(getattr(value, name)) for name in names}
    if isinstance(value, Mapping):
        return {str(key): json_value(entry) for key, entry in value.items()}
    if isinstance(value, np.ndarray):
        return [json_value(entry) for entry in value.tolist()]
    if isinstance(value, Sequence | set | frozenset):
        return [json_value(entry) for entry in value]
    raise TypeError(f"{type(value).__name__} has no place in the JSON of an answer")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Answer:
    """One answer to one question.

    Attributes
    ----------
    as_of : ISO date, event time.
    settings : what the answer rests on: filters, options, span of the records.
    warnings : what to know beside the figures.
    summary : figures about the whole answer.
    results : the rows, one dataclass instance each.
    """

    command: ClassVar[str] = ""
    row_type: ClassVar[type | None] = None

    as_of: str
    settings: dict[str, Any]
    warnings: tuple[Warning_, ...] = ()
    summary: dict[str, Any] = field(default_factory=dict)
    results: Any = ()

    def to_dict(self) -> dict[str, Any]:
        """The contract's envelope, safe for `json.dumps`."""
        return {
            "failstats": __version__,
            "command": self.command,
            "as_of": self.as_of,
            "settings": json_value(self.settings),
            "warnings": json_value(self.warnings),
            "summary": json_value(self.summary),
            "results": json_value(self.results),
        }

    def table(self, of: str | None = None) -> pd.DataFrame:
        """The rows as a tidy frame; intervals become two columns, nested lists stay out.

        Parameters
        ----------
        of : a list inside the rows, such as "curve" of lives or "difference" of pairs: one row for
            each of its entries, after the words that tell the outer row.

        Raises
        ------
        InputError : there is no such list; the message names those there are.
        """
        if of is None:
            return self.rows_table()
        rows = json_value(self.results)
        return tidy(nested([rows] if isinstance(rows, dict) else rows, of))

    def headline_units(self) -> int | None:
        """The fewest units that a figure of the headline rests on, for readers outside.

        Returns
        -------
        None where the headline has no figure of units; 0 where it cannot be said, so that the
        headline is not for outsiders.
        """
        return 0

    def rows_table(self) -> pd.DataFrame:
        """The rows themselves, as `table()` gives them."""
        return tidy(json_value(self.results))

    def __arrow_c_stream__(self, requested_schema: object | None = None) -> object:
        """The same rows for whatever reads Arrow: `pyarrow.table(answer)`, without a copy in text.

        See the Arrow PyCapsule interface.
        """
        return pa.Table.from_pandas(self.table(), preserve_index=False).__arrow_c_stream__(
            requested_schema
        )

    def interval(self, confidence_level: float = 0.95) -> tuple[float, float] | None:
        """The doubt of the headline figure, or None where there is no single figure."""
        return None

    def chart(self) -> Any:
        """An altair chart of the answer; None where there is nothing to draw."""
        return None

    def headline(self) -> str:
        """One plain sentence with its doubt."""
        raise NotImplementedError

    def details(self) -> list[str]:
        """Lines under the headline."""
        return []

    def __str__(self) -> str:
        first = [w for w in self.warnings if w.code in INCOMPLETE]
        lines = [text.wrap(warning.text) for warning in first]
        lines += [text.wrap(self.headline())]
        lines += self.details()
        lines += [text.wrap(f"Note: {w.text}") for w in self.warnings if w not in first]
        return "\n".join(line for line in lines if line)


def tidy(rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Rows of plain values as a frame: `x_ci` becomes `x_low`, `x_high`, a stratum its columns."""
    flat = []
    for row in rows:
        entry: dict[str, Any] = {}
        for key, value in row.items():
            if key == "ci" or key.endswith("_ci"):
                stem = key[: -len("ci")]
                low, high = value if value else (None, None)
                entry[f"{stem}low"], entry[f"{stem}high"] = low, high
            elif isinstance(value, dict):
                if key == "stratum":
                    entry.update(value)
                elif all(not isinstance(v, dict | list) for v in value.values()):
                    entry.update({f"{key}_{k}": v for k, v in value.items()})
            elif isinstance(value, list):
                if all(not isinstance(v, dict | list) for v in value):
                    entry[key] = ", ".join(str(v) for v in value)
            else:
                entry[key] = value
        flat.append(entry)
    return pd.DataFrame(flat)


def nested(rows: Sequence[Mapping[str, Any]], of: str) -> list[dict[str, Any]]:
    """The entries of one list inside rows, each with the words that tell its row.

    >>> nested([{"part": "coil", "n": 3, "curve": [{"age_days": 1.0}]}], "curve")
    [{'part': 'coil', 'age_days': 1.0}]
    """
    lists = sorted(
        {
            key
            for row in rows
            for key, value in row.items()
            if isinstance(value, list) and any(isinstance(entry, dict) for entry in value)
        }
    )
    if of not in lists and not any(isinstance(row.get(of), list) for row in rows):
        raise InputError(
            f"table(of=…) must name a list inside the rows, but {of!r} is none.",
            where="there are: " + (", ".join(lists) or "none"),
            do="correct the word.",
        )
    found = []
    for row in rows:
        told = {
            key: value for key, value in row.items() if isinstance(value, str) or key == "stratum"
        }
        for entry in row.get(of) or []:
            own = entry if isinstance(entry, dict) else {of: entry}
            found.append({**{k: v for k, v in told.items() if k not in own}, **own})
    return found


# --- one schema for every command ---------------------------------------------------------------

_PLAIN: dict[Any, dict[str, Any]] = {
    str: {"type": "string"},
    bool: {"type": "boolean"},
    int: {"type": "integer"},
    float: {"type": "number"},
    type(None): {"type": "null"},
    Any: {},
}


def json_schema(kind: Any) -> dict[str, Any]:
    """The JSON schema of a result class, from its fields' types.

    >>> json_schema(tuple[float, float])["minItems"]
    2
    """
    if kind in _PLAIN:
        return _PLAIN[kind]
    origin, inside = typing.get_origin(kind), typing.get_args(kind)
    if origin in (typing.Union, types.UnionType):
        return {"anyOf": [json_schema(one) for one in inside]}
    if origin is typing.Literal:
        return {"enum": list(inside)}
    if origin is list:
        return {"type": "array", "items": json_schema(inside[0])}
    if origin is tuple and len(inside) == 2 and inside[1] is Ellipsis:
        return {"type": "array", "items": json_schema(inside[0])}
    if origin is tuple:
        items = [json_schema(one) for one in inside]
        return {
            "type": "array",
            "prefixItems": items,
            "minItems": len(items),
            "maxItems": len(items),
        }
    if origin is dict:
        return {"type": "object", "additionalProperties": json_schema(inside[1])}
    if dataclasses.is_dataclass(kind):
        hints = typing.get_type_hints(kind)
        names = [f.name for f in dataclasses.fields(kind)]
        return {
            "type": "object",
            "properties": {name.rstrip("_"): json_schema(hints[name]) for name in names},
            "required": [name.rstrip("_") for name in names],
            "additionalProperties": False,
        }
    raise TypeError(f"no JSON schema for {kind!r}")


def envelope_schema(answer: type[Answer]) -> dict[str, Any]:
    """The JSON schema of one command's whole output."""
    row = answer.row_type
    if row is None:
        results: dict[str, Any] = {}
    elif getattr(answer, "single", False):
        results = json_schema(row)
    else:
        results = {"type": "array", "items": json_schema(row)}
    warning = {
        "type": "object",
        "properties": {"code": {"enum": list(WARNING_CODES)}, "text": {"type": "string"}},
        "required": ["code", "text"],
        "additionalProperties": False,
    }
    properties = {
        "failstats": {"const": __version__},
        "command": {"const": answer.command},
        "as_of": {"type": "string", "format": "date"},
        "settings": {"type": "object"},
        "warnings": {"type": "array", "items": warning},
        "summary": {"type": "object"},
        "results": results,
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }
