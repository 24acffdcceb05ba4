"""What must be said beside every figure: dangers of the work, and limits of the statistics.

One list, used by the README, the report and the ``policy`` output, so that no place says less
than another. None of it instructs a repair.
"""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["SAFETY_PARTS", "STATISTICS", "caution_for_pair", "cautions", "never_beyond"]

SAFETY_PARTS = ("cutout", "thermostat", "fuse")

_WORK = (
    "Past jobs do not diagnose the dryer in front of you: test it before replacing anything.",
    (
        "Disconnect the power and check that it is off before opening the cabinet: 240 V can kill, "
        "and with one leg of the supply open, parts can still be live."
    ),
    (
        "Gas dryers: shut off the gas; qualified people only; check for leaks and for carbon "
        "monoxide afterwards."
    ),
    (
        "A thermal cutout, thermostat or fuse is never bypassed, bridged or exchanged for one of "
        "another rating."
    ),
    (
        "A trip is a symptom: find the cause (vent, lint, blower, thermostat, a coil touching the "
        "case). If it trips again, the dryer should not be used until the cause is found."
    ),
    "Mind sharp sheet-metal edges, hot surfaces and the weight of the machine.",
    "Roof and ladder work is not to be planned from this report alone.",
    (
        "Lint burns. Clean at the earliest of the maker's interval, the fire service's advice "
        "(commonly once a year) and signs of a blocked vent; a cleaning interval worked out from "
        "costs clears nobody to wait longer."
    ),
    (
        "Smell of burning or smoke: stop the dryer, disconnect it if that is safe, leave and call "
        "the fire service."
    ),
    "Local code, the maker's instructions and licensed practice come first.",
)

STATISTICS = (
    "What happens together in the records need not be cause and effect; each figure carries its "
    "interval, and counts too small to trust are marked or withheld."
)


def cautions() -> tuple[str, ...]:
    """Everything that must be said wherever the figures are acted on.

    Returns
    -------
    One sentence or two per entry, the dangers first, the limits of the statistics last.
    """
    return (*_WORK, STATISTICS)


def never_beyond(parts: Sequence[str]) -> str:
    """What is said of safety parts that are left in: whatever they cost, their maker decides.

    >>> never_beyond(["cutout", "coil", "fuse", "thermostat"])
    "No cutout, fuse or thermostat is left in beyond the maker's instruction."
    """
    *others, last = dict.fromkeys(p for p in ["", *parts] if not p or p in SAFETY_PARTS)
    if not last:
        return ""
    named = " or ".join(filter(None, [", ".join(others[1:]), last]))
    return f"No {named} is left in beyond the maker's instruction."


def caution_for_pair(first: str, second: str) -> str:
    """What to say beside advice to replace a second part together with a first.

    Parameters
    ----------
    first, second : the parts, in the words of the vocabulary.

    Returns
    -------
    A sentence that fits the parts; never empty.
    """
    said = ["Disconnect and check before opening; test the dryer at hand first."]
    safety = [part for part in (first, second) if part in SAFETY_PARTS]
    if safety:
        named = " and ".join(dict.fromkeys(safety))
        said.append(
            f"Fit the {named} of the same rating only, never bypass or bridge it, and find out "
            "why it tripped or failed."
        )
    if second in SAFETY_PARTS:
        said.append(never_beyond([second]))
    if "coil" in (first, second):
        said.append("Look for the cause of the coil's failure: airflow, lint, a touch to the case.")
    if first in ("igniter", "gas_valve") or second in ("igniter", "gas_valve"):
        said.append("Gas: qualified people only, with a leak check afterwards.")
    return " ".join(said)
