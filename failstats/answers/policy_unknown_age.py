"""What a rule by age says of a part whose age nobody knows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from failstats.answers import wording as text

__all__ = ["least_without_age", "said_of_unknown_age"]

PRACTICE = "common practice, no source"


def least_without_age(costs: Sequence[Mapping[str, Any]]) -> str | None:
    """The rule of least cost among those that need no age.

    Parameters
    ----------
    costs : action, per_job and per_job_ci (low, high) of each rule of a pair.

    Returns
    -------
    Its name; None where its interval reaches that of another such rule, or is not known.

    Notes
    -----
    All rules were weighed on the same jobs, those with parts of known age: the answer holds for
    parts of unknown age as far as they are as old as these.

    Examples
    --------
    >>> least_without_age([
    ...     {"action": "keep", "per_job": 9.0, "per_job_ci": (8.0, 10.0)},
    ...     {"action": "always", "per_job": 5.0, "per_job_ci": (4.0, 6.0)},
    ... ])
    'always'
    """
    able = [cost for cost in costs if cost["action"] != "if_older"]
    if len(able) < 2 or any(c["per_job"] is None or c["per_job_ci"] is None for c in able):
        return None
    least, *others = sorted(able, key=lambda cost: float(cost["per_job"]))
    clear = all(least["per_job_ci"][1] < other["per_job_ci"][0] for other in others)
    return str(least["action"]) if clear else None


def said_of_unknown_age(row: Mapping[str, Any]) -> str:
    """What to do about a part of unknown age where the rule is "replace if older".

    Parameters
    ----------
    row : a rule of `policy` as JSON has it, of a pair or of an age.

    Returns
    -------
    A sentence or two; empty where the rule asks for no age.

    Notes
    -----
    A part is no older than its dryer, unless a used one was fitted; beyond that the records decide
    by the cheapest rule that needs no age, or common practice does.
    """
    if row.get("recommend") != "if_older" or row.get("threshold_days") is None:
        return ""
    part = text.words(row.get("also") or row.get("when"))
    test = "test it hot" if row.get("followed") else "test it"
    begin = (
        "Age not known: fitted new, it is no older than the dryer. In a dryer older than "
        f"{text.years(row['threshold_days'])}, or of unknown age, "
    )
    found = least_without_age(row.get("costs") or []) if row.get("kind") == "pair" else None
    if found is None:
        return f"{begin}{test} and replace it if it is bad ({PRACTICE})."
    do = {
        "always": f"replace the {part} too",
        "test_hot": "test it hot and replace it if it is bad",
        "keep": "it stays in unless a test shows it bad",
    }[found]
    return (
        f"{begin}{do}: of the rules that need no age this costs least, if such parts are as old as "
        "those of known age."
    )
