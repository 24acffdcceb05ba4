"""How an answer of the page is had again: its command with all that changes it, and its costs."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Any

from failstats.answers.costs import DEFAULTS, UNKNOWN_UNLESS_GIVEN
from failstats.answers.quality import LIMIT
from failstats.answers.vents import EDITION
from failstats.answers.vents_records import DEFAULT_MONTHS
from failstats.show.text import clean, money, number_text, path_text, share_text

__all__ = ["again", "costs_used", "named"]

#: Settings that an option gives, one word each; where a default is stated, it is left out.
SINGLE: tuple[tuple[str, str, Any], ...] = (
    ("from", "--from", None),
    ("as_loaded", "--as-loaded", None),
    ("complaint", "--complaint", None),
    ("model", "--model", "weibull"),
    ("births", "--births", "known"),
    ("clock", "--clock", "days"),
    ("sensitivity", "--sensitivity", None),
    ("specificity", "--specificity", None),
    ("edition", "--edition", EDITION),
    ("replicates", "--replicates", 0),
    ("cycle_days", "--cycle", None),
    ("starting", "--starting", None),
    ("budget", "--budget", None),
    ("volume_l", "--volume", None),
    ("target", "--target", None),
    ("limit", "--limit", LIMIT),
    ("file", "--file", None),
    ("costs_file", "--costs", None),
    ("confidence_level", "--confidence-level", 0.95),
)
SEVERAL = (
    ("families", "--family"),
    ("fuels", "--fuel"),
    ("by", "--by"),
    ("exclude", "--exclude"),
    ("pair", "--pair"),
)
MAPPED = (("reading", "--reading"), ("fix", "--fix"))


def named(warehouse: Path | str) -> str:
    """The warehouse as the command takes it: an address as it is, a path without the machine's."""
    return str(warehouse) if "://" in str(warehouse) else path_text(warehouse)


def again(answer: Any, warehouse: str | None = None) -> list[str]:
    """The words of the command that gives this answer again, quoted for a shell.

    Parameters
    ----------
    answer : its settings say what it was asked with.
    warehouse : as `named` says it; None leaves it to the folder's settings.
    """
    settings = answer.settings
    words = ["failstats", answer.command, "--as-of", str(answer.as_of)]
    for key, option, default in SINGLE:
        value = settings.get(key)
        if value is not None and value != default:
            words += [option, str(value)]
    for key, option in SEVERAL:
        for value in settings.get(key) or ():
            words += [option, str(value)]
    for key, option in MAPPED:
        for name, value in (settings.get(key) or {}).items():
            words += [option, f"{name}={value}"]
    months = settings.get("bands_months")
    if months and tuple(months) != DEFAULT_MONTHS:
        for month in months:
            words += ["--cut", str(month)]
    if getattr(answer, "summary", {}).get("with_stock"):
        words.append("--with-stock")
    if settings.get("contract_only"):
        words.append("--contract-only")
    if warehouse is not None:
        words += ["-w", warehouse]
    return [shlex.quote(clean(word)) for word in words]


MONEY = ("visit_cost", "return_unpaid", "labour_per_hour", "full_run")


def costs_used(answer: Any) -> dict[str, Any] | None:
    """The costs that an answer in money rests on, as a table of the page.

    Parameters
    ----------
    answer : `policy`; of others, and where it holds no costs, there is none.

    Returns
    -------
    heads, rows of texts (what, figure, where from), and where the prices of parts are from.
    """
    settings = answer.settings
    values = settings.get("costs")
    if answer.command != "policy" or not values:
        return None
    currency = settings.get("currency", "USD")
    meanings = {
        f"{table}.{key}": meaning
        for known in (DEFAULTS, UNKNOWN_UNLESS_GIVEN)
        for table, keys in known.items()
        for key, (_, meaning) in keys.items()
    }
    rows = []
    for key, value in values.items():
        name = key.rpartition(".")[2]
        if name in MONEY:
            figure = money(value, currency)
        else:
            figure = share_text(value) if name == "holding_rate" else number_text(value)
        said = meanings[key].split(":")[0]
        source = f"{key} in {settings.get('costs_file') or 'the costs given'}"
        if key in settings.get("costs_assumed", ()):
            source = f"assumed: no costs file states {key}"
        rows.append((said[:1].upper() + said[1:], figure, source))
    weighed = {
        part
        for row in answer.to_dict()["results"]
        for part in (row.get("when"), row.get("also"))
        if part is not None
    }
    for part, price in answer.summary.get("prices", {}).items():
        if part in weighed:
            rows.append(
                (f"Part: {clean(part)}".replace("_", " "), money(price, currency), "the catalogue")
            )
    return {
        "heads": ("What", "Figure", "Where from"),
        "rows": rows,
        "note": "A part costs what the cheapest item costs that can be fitted on a visit, averaged "
        "over the families of the units.",
    }
