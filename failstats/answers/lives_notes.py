"""What `lives` says beside its figures: what was not applied, what fits badly, what no item is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from failstats.answers import wording as text
from failstats.answers.lives_rows import Life, ModelWeight
from failstats.answers.result import Warning_

__all__ = ["filters_said", "items_not_recorded", "poor_fit", "together"]

#: A law of life with less of the AIC weight than this is named as a poor one (our own rule).
POOR_WEIGHT = 0.05
#: Codes of notes that say the same of several parts, and are said once.
SAID_ONCE = ("not_applied", "silent_loss")


def poor_fit(part: str, model: str | None, models: Sequence[ModelWeight]) -> list[Warning_]:
    """A note where another law agrees far better with the records than the one that is stated.

    Parameters
    ----------
    models : the laws that could be fitted, the best one first.
    """
    mine = next((one for one in models if one.model == model), None)
    if mine is None or mine.weight >= POOR_WEIGHT:
        return []
    best = models[0]
    return [
        Warning_(
            code="models_disagree",
            text=f"{part}: {mine.model} agrees with these records far less well than {best.model} "
            f"(AIC weight {text.share(mine.weight)} against {text.share(best.weight)}).",
        )
    ]


def items_not_recorded(part: str, strata: Sequence[Life]) -> list[Warning_]:
    """A note where lives of unknown item stand in a row among the items."""
    nameless = [
        life for life in strata if "item_id" in life.stratum and life.stratum["item_id"] is None
    ]
    if not nameless or len(nameless) == len(strata):
        return []
    lives = sum(life.lives for life in nameless)
    return [
        Warning_(
            code="confounding_remains",
            text=f"{part}: the row 'not recorded' is no item. Its {lives:,} lives are of parts "
            "whose item nobody wrote down, such as those that came with the unit; other items, "
            "units and years stand behind them, so they are not to be held against the items.",
        )
    ]


def together(warnings: Sequence[Warning_]) -> list[Warning_]:
    """Notes with the same words of several parts as one that names the parts; order kept."""
    found: dict[tuple[str, str], list[str]] = {}
    for warning in warnings:
        part, _, said = warning.text.partition(": ")
        once = warning.code in SAID_ONCE
        key = (warning.code, said if once else warning.text)
        names = found.setdefault(key, [])
        if once and part not in names:
            names.append(part)
    return [
        Warning_(code=code, text=f"{', '.join(names)}: {said}" if names else said)
        for (code, said), names in found.items()
    ]


def filters_said(choices: dict[str, Any]) -> str:
    """The filters in force as they were given, or empty."""
    said = [f"--family {name}" for name in choices.get("families") or ()]
    said += [f"--fuel {name}" for name in choices.get("fuels") or ()]
    said += ["--contract-only"] if choices.get("contract_only") else []
    said += [f"--from {choices['from']}"] if choices.get("from") else []
    return " ".join(said)
