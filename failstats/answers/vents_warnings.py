"""What must be said beside ratios of `vents`: models that disagree, controls that do not help."""

from __future__ import annotations

import numpy as np

from failstats.answers import wording as text
from failstats.answers.result import Warning_
from failstats.answers.vents_effects import Asked
from failstats.answers.vents_parts import LENGTH, control_of
from failstats.estimate.poisson_model import AGREE_WITHIN

__all__ = ["warn_of_controls", "warn_of_models"]


def warn_of_models(asked: Asked) -> None:
    """Where the Cox and the Poisson model do not say the same."""
    for name, found in asked.fitted.items():
        off = [s for s in (*asked.bands.rising, LENGTH) if not found.second.agrees(s)]
        if off:
            farthest = max(found.second.in_errors[s] for s in off)
            apart = (
                f"they are up to {farthest:.1f} standard errors apart (allowed: {AGREE_WITHIN})"
                if np.isfinite(farthest)
                else "only one of them gives every ratio"
            )
            asked.warnings.append(
                Warning_(
                    code="models_disagree",
                    text=f"{text.words(name)}: the Cox and the Poisson model do not say the "
                    f"same; {apart}.",
                )
            )


def warn_of_controls(asked: Asked) -> None:
    """What the parts that the vent cannot reach say of everything else."""
    judges = asked.judges()
    for judge in judges:
        word = control_of(judge.main, asked.bands.rising, asked.level)
        if word == "clean":
            continue
        said = (
            "differs with the vent though it should not: something unrecorded is at work, and the "
            "calibrated intervals are the ones to read"
            if word == "confounding_remains"
            else "has too few failures to rule out that something unrecorded is at work; the "
            "calibrated intervals allow for it"
        )
        asked.warnings.append(
            Warning_(code=word, text=f"The control {text.words(judge.part)} {said}.")
        )
    if not judges:
        asked.warnings.append(
            Warning_(
                code="control_too_small",
                text=(
                    "No part that the vent cannot reach could be compared, so nothing shows "
                    "whether something unrecorded is at work."
                ),
            )
        )
    elif judges[0].part in asked.weaker:
        asked.warnings.append(
            Warning_(
                code="control_too_small",
                text=f"The only control is the {text.words(judges[0].part)}, a weak one: it turns "
                "as long as the drum, and the drum turns longer behind a blocked vent.",
            )
        )
