"""A word out of the fixed list for every part and contrast, and the sentence that goes with it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from failstats.estimate.belief import detectable_hazard_ratio

__all__ = ["FEWEST_CASES", "FEWEST_FAILURES", "HIDES", "Evidence", "Verdict", "verdict"]

Verdict = Literal[
    "shortens", "no_effect_larger_than", "lengthens", "not_enough_data", "cannot_be_trusted"
]
FEWEST_FAILURES = 20  # of the part
FEWEST_CASES = 5  # of the part under this state of the vent
# With 1 inside the interval, records that would not have shown a tripling tell nothing.
HIDES = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What a verdict rests on.

    ``name`` of the part, ``when`` in words ("last cleaned over 24 months ago"), ``against`` what
    it is compared with; ``ratio``, ``ci`` and ``error`` (of the log ratio); ``calibrated``: the
    interval that allows for what the control shows; ``controls``: the verdict on each control;
    ``cases`` failures under this state, ``failures`` of the part in all; ``agree``: the second
    model says the same; ``future``: what the cleaning that had not happened yet predicts, if it
    does.
    """

    name: str
    when: str
    against: str
    ratio: float
    ci: tuple[float, float]
    error: float
    calibrated: tuple[float, float] | None
    controls: tuple[str, ...]
    cases: int
    failures: int
    is_control: bool = False
    agree: bool = True
    future: str | None = None


def verdict(found: Evidence) -> tuple[Verdict, str]:
    """Does it shorten the part's life, and can that be believed?

    Returns
    -------
    (word, sentence). The first rule that holds decides: too few failures; a part that the vent
    cannot reach differs too; the next cleaning predicts; the two models disagree; then the
    interval, and where it is above 1 whether the calibrated one is too.

    Examples
    --------
    >>> word, said = verdict(Evidence(name="coil", when="last cleaned over 24 months ago",
    ...     against="one cleaned within 12 months", ratio=2.0, ci=(1.5, 2.7), error=0.15,
    ...     calibrated=(1.3, 3.1), controls=("clean",), cases=70, failures=300))
    >>> word
    'shortens'
    """
    low, high = found.ci
    name = found.name
    figure = f"{found.ratio:.2f} times ({low:.2f} to {high:.2f})"
    behind = f"behind a vent {found.when} it fails {figure} as often as behind {found.against}"
    if found.cases < FEWEST_CASES or found.failures < FEWEST_FAILURES:
        return "not_enough_data", f"{name}: too few failures behind a vent {found.when} to tell."
    if low <= 1 <= high and detectable_hazard_ratio(found.error) > HIDES:
        return (
            "not_enough_data",
            f"{name}: not enough failures behind a vent {found.when}: even {HIDES:.0f} times as "
            f"many would have gone unnoticed (estimate {found.ratio:.2f}, {low:.2f} to "
            f"{high:.2f}).",
        )
    if not found.is_control:
        why = _distrust(found, low)
        if why:
            return (
                "cannot_be_trusted",
                f"{name}: {behind}, but this cannot be trusted because {why}.",
            )
    doubt = ""
    if found.calibrated is not None and "clean" not in found.controls:
        doubt = (
            f"; allowing for other causes, {found.calibrated[0]:.2f} to {found.calibrated[1]:.2f}"
        )
    if low > 1:
        return "shortens", f"Yes for the {name}: {behind}{doubt}."
    if high < 1:
        return "lengthens", f"{name}: {behind}: less often{doubt}."
    return (
        "no_effect_larger_than",
        f"{name}: no effect larger than {high:.2f} times was found for a vent {found.when} "
        f"(estimate {found.ratio:.2f}, {low:.2f} to {high:.2f}{doubt}).",
    )


def _distrust(found: Evidence, low: float) -> str:
    """Why the figure cannot be believed; empty where nothing speaks against it."""
    if "confounding_remains" in found.controls:
        return "a part the vent cannot reach differs too: something unrecorded is at work"
    if found.future:
        return found.future
    if not found.agree:
        return "the Cox and the Poisson model do not say the same"
    if low <= 1 or "clean" in found.controls:
        return ""
    if found.calibrated is None:
        return "no part that the vent cannot reach shows whether something unrecorded is at work"
    if found.calibrated[0] <= 1:
        return (
            "the control is too small to rule out other causes (calibrated "
            f"{found.calibrated[0]:.2f} to {found.calibrated[1]:.2f})"
        )
    return ""
