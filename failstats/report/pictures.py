"""The pictures of an answer for the page: its chart, and those named ``..._chart`` beside it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import markupsafe

from failstats.errors import FailstatsError
from failstats.report.bundle import page_spec, script_json
from failstats.show.text import clean

__all__ = ["apart", "chart_spec", "more_pictures", "picture", "without_small"]


def _rows_in(spec: Any) -> Iterator[int]:
    """How many rows each data set inside a chart has, wherever it stands."""
    if isinstance(spec, Mapping):
        for key, value in spec.items():
            if key == "datasets":
                yield from (len(rows) for rows in value.values())
            elif key == "values" and isinstance(value, list) and "mark" not in spec:
                yield len(value)
            else:
                yield from _rows_in(value)
    elif isinstance(spec, list):
        for value in spec:
            yield from _rows_in(value)


def without_small(spec: Any, min_cell: int) -> Any:
    """The same chart without the points that say they rest on too few lives."""
    if isinstance(spec, Mapping):
        return {key: without_small(value, min_cell) for key, value in spec.items()}
    if isinstance(spec, list):
        return [
            without_small(value, min_cell)
            for value in spec
            if not (
                isinstance(value, Mapping)
                and isinstance(value.get("at_risk"), int | float)
                and value["at_risk"] < min_cell
            )
        ]
    return spec


def chart_spec(answer: Any, method: str = "chart") -> tuple[dict[str, Any] | None, str]:
    """The chart's spec, or a sentence saying why there is none."""
    try:
        chart = getattr(answer, method)()
    except FailstatsError as refusal:
        return None, f"No chart: {clean(refusal.what)}"
    if chart is None:
        return None, "No chart: there is nothing here that could be drawn."
    spec = chart.to_dict()
    if not any(_rows_in(spec)):
        return None, "No chart: its table is empty."
    return spec, ""


def apart(spec: dict[str, Any]) -> list[dict[str, Any]]:
    """The panels of a stack as charts of their own, so that each keeps its words and its sheet.

    What was not stacked comes back alone.
    """
    meta = spec.get("usermeta") or {}
    if "panels" not in meta:
        return [spec]
    shared: dict[str, Any] = {
        key: spec[key] for key in ("datasets", "config", "$schema") if key in spec
    }
    return [
        {**shared, **panel, "usermeta": width}
        for panel, width in zip(spec["vconcat"], meta["panels"], strict=True)
    ]


def picture(name: str, spec: dict[str, Any], line: str = "") -> dict[str, Any]:
    """A chart as the template wants it; ``line`` is its reading in a sentence."""
    bare, title, notes = page_spec(spec)
    return {
        "name": name,
        "spec": markupsafe.Markup(script_json(bare)),
        "title": title,
        "notes": notes,
        "line": clean(line).replace(" %", "\u00a0%"),
        "description": bare.get("description", title),
    }


def more_pictures(answer: Any, *, public: bool, min_cell: int) -> list[dict[str, Any]]:
    """Every further chart of an answer as the template wants it, with its reading in a line.

    Notes
    -----
    A method ``name_chart`` draws; ``name_line`` says in a sentence what it shows, and
    ``name_table`` is what it is drawn from.
    """
    found = []
    for method in sorted(dir(type(answer))):
        if not method.endswith("_chart") or method.startswith("_"):
            continue
        spec, _ = chart_spec(answer, method)
        if spec is None:
            continue
        if public:
            spec = without_small(spec, min_cell)
        stem = method.removesuffix("_chart")
        found.append(
            picture(f"{answer.command}-{stem}", spec, str(getattr(answer, f"{stem}_line")()))
        )
    return found
