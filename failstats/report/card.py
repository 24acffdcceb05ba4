"""The technician's card: what past jobs say, as somebody at the machine needs it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from failstats.answers.policy_unknown_age import said_of_unknown_age
from failstats.show.cautions import SAFETY_PARTS, caution_for_pair, never_beyond
from failstats.show.text import clean, duration_text, interval_text, share_text

__all__ = ["advice_rows"]

HOT = "Test it hot, not only cold: a cold test passes a {other} that is stuck closed."
CAUSE = (
    "Find the cause before you leave: vent, lint, blower, thermostat, a coil touching the case. A "
    "{first} that tripped is never just replaced."
)

AGE_OF_SAFETY = (
    "It is a safety part: at the maker's age or sooner, never later. One that tripped or failed is "
    "never just replaced: find the cause."
)


def _words(code: Any) -> str:
    return clean(code or "").replace("_", " ")


def _upper(said: str) -> str:
    return said[:1].upper() + said[1:]


def _do(action: str, other: str, age: float | None) -> str:
    """One rule as an order."""
    return {
        "keep": f"Leave the {other} in unless a test shows it bad.",
        "always": f"Replace the {other} too, whatever a test shows.",
        "never": f"Do not replace the {other} with it.",
        "test_hot": f"Test the {other} hot; replace it only if it fails the test.",
        "if_older": f"Replace the {other} too when it is older than {duration_text(age)}; a "
        "younger one stays in unless a test shows it bad.",
    }[action]


def _pair(row: Mapping[str, Any], currency: str) -> dict[str, str]:
    first, other = _words(row.get("when")), _words(row.get("also"))
    recommend, age = str(row.get("recommend")), row.get("threshold_days")
    if recommend in ("keep", "always", "never", "test_hot", "if_older"):
        said = [_do(recommend, other, age)]
    else:
        said = ["The records do not decide. Test, and judge on the spot."]
        trial = row.get("experiment")
        if trial:
            said = [
                "The records do not decide; a trial does, "
                f"for {trial['weeks']:,} weeks. Even job ids: "
                f"{_do(trial['even'], other, age)} Odd job ids: {_do(trial['odd'], other, age)}"
            ]
    said.append(said_of_unknown_age(row))
    unseen = bool(row.get("followed"))
    if unseen and recommend != "always":
        said.append(HOT.format(other=other))
    safety = str(row.get("when")) in SAFETY_PARTS
    doubt = []
    if row.get("saving_per_100_jobs") is not None and recommend not in ("keep", "unclear"):
        ends = row.get("saving_ci") or (None, None)
        saving = interval_text(
            row["saving_per_100_jobs"], *ends, kind="money", currency=currency, decimals=0
        )
        doubt.append(f"Saves {saving} per 100 jobs against leaving it in.")
    if row.get("regret_share_over_5_percent"):
        share = share_text(row["regret_share_over_5_percent"])
        doubt.append(f"Chance that another choice is over 5 % cheaper: {share}.")
    return {
        "when": f"{_upper(first)} failed, {other} still working",
        "advice": " ".join(filter(None, said)),
        "cause": CAUSE.format(first=first) if safety else "",
        "doubt": " ".join(doubt),
        "caution": clean(row.get("caution") or "")
        or caution_for_pair(str(row.get("when")), str(row.get("also"))),
    }


def _age(row: Mapping[str, Any]) -> dict[str, str]:
    age = duration_text(row.get("threshold_days"))
    part = _words(row.get("when"))
    return {
        "when": f"{_upper(part)} still working",
        "advice": f"Replace it when older than {age}, on a visit made for something else. The "
        f"maker's instruction comes first. {said_of_unknown_age(row)}"
        + (f" {AGE_OF_SAFETY}" if str(row.get("when")) in SAFETY_PARTS else ""),
        "doubt": "",
        "caution": clean(row.get("caution") or ""),
    }


def _cleaning(row: Mapping[str, Any]) -> dict[str, str]:
    age = row.get("threshold_days")
    if row.get("recommend") in ("never", "unclear") or age is None:
        said = "The records do not give an interval; the maker's and the fire service's hold."
    else:
        said = (
            f"Clean the full run at least every {duration_text(age)}, sooner where the maker, the "
            "fire service or signs of a blocked vent ask for it."
        )
    return {"when": "Vent", "advice": said, "doubt": "", "caution": clean(row.get("caution") or "")}


def _joined(names: Iterable[str]) -> str:
    return ", ".join(dict.fromkeys(names))


def _left_in(rows: list[Mapping[str, Any]]) -> dict[str, str]:
    """Pairs of which there is nothing else to say, in one entry."""
    partners: dict[str, list[str]] = {}
    for row in rows:
        partners.setdefault(_words(row.get("when")), []).append(_words(row.get("also")))
    if len(rows) == 1:
        (first, others), = partners.items()  # fmt: skip
        return {
            "when": f"{_upper(first)} failed, {others[0]} still working",
            "advice": _do("keep", others[0], None),
            "doubt": "",
            "caution": caution_for_pair(str(rows[0].get("when")), str(rows[0].get("also"))),
        }
    return {
        "when": "Other pairs",
        "advice": "Leave the working part in unless a test shows it bad: "
        + "; ".join(f"{first} failed ({_joined(others)})" for first, others in partners.items())
        + ".",
        "doubt": "",
        "cause": next(
            (CAUSE.format(first=first) for first in partners if first in SAFETY_PARTS), ""
        ),
        "caution": never_beyond([str(row.get("also")) for row in rows]),
    }


def _no_age(rows: list[Mapping[str, Any]]) -> dict[str, str]:
    """Parts without an age to replace them at, in one entry."""
    names = [_words(row.get("when")) for row in rows]
    said = "The records name no age to replace it at; the maker's instruction comes first"
    safety = [name for name in names if name in SAFETY_PARTS]
    if safety:
        said += f", and no {' or '.join(safety)} is run beyond it"
    return {"when": f"{_upper(_joined(names))} still working", "advice": f"{said}.", "doubt": "",
            "caution": ""}  # fmt: skip


def advice_rows(policy_rows: Iterable[Mapping[str, Any]], *, currency: str) -> list[dict[str, str]]:
    """The policy answer in sentences for the person at the machine.

    Parameters
    ----------
    policy_rows : the results of `policy` as the JSON of the contract has them.
    currency : code of the money.

    Returns
    -------
    Entries of when, advice, doubt and caution: rules about partners first, then ages, the vent
    last; what is left alone stands together.
    """
    rows = list(policy_rows)
    pairs = [row for row in rows if row.get("kind") == "pair"]
    quiet = [r for r in pairs if r.get("recommend") == "keep" and not r.get("followed")]
    out = [_pair(row, currency) for row in pairs if row not in quiet]
    if quiet:
        out.append(_left_in(quiet))
    ages = [row for row in rows if row.get("kind") == "age"]
    dated = [r for r in ages if r.get("recommend") == "if_older" and r.get("threshold_days")]
    out += [_age(row) for row in dated]
    left = [row for row in ages if row not in dated]
    if left:
        out.append(_no_age(left))
    out += [_cleaning(row) for row in rows if row.get("kind") == "cleaning"]
    return _said_once(out)


def _said_once(entries: list[dict[str, str]]) -> list[dict[str, str]]:
    """What stands in several entries word for word is kept in the first: the card is one page."""
    seen: set[str] = set()
    for entry in entries:
        cause = entry.pop("cause", "")
        for key, text in (("advice", cause), ("caution", entry["caution"])):
            if text and text not in seen:
                entry[key] = f"{entry[key]} {text}" if key == "advice" else text
            elif key == "caution":
                entry[key] = ""
            seen.add(text)
    return entries
