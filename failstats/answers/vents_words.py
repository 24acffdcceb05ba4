"""What `vents` says: states of the vent in words, what the ratio means, what was checked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from failstats.answers import wording as text
from failstats.show.text import money

if TYPE_CHECKING:
    from failstats.answers.vents_rows import NumberPiece, VentEffect

__all__ = [
    "LENGTH_WORDS",
    "WAY_WORDS",
    "band_words",
    "details",
    "reference_words",
    "state_words",
]

# Of such a ratio nothing is said to follow.
UNTOLD = ("cannot_be_trusted", "not_enough_data")
LENGTH_WORDS = {"within": "run within the limit", "over_limit": "run over the limit"}
WAY_WORDS = {
    "use_recorded_only": "only units whose use is recorded",
    "cleaning_acts_30_days_later": "a cleaning acts 30 days later",
    "without_symptom_driven_cleanings": "without cleanings for slow drying or overheating",
    "without_owner_reported_cleanings": "without cleanings that owners reported",
    "call_out_units_to_the_end": "call-out units too, followed to the end",
    "call_out_units_to_last_contact": "call-out units too, to last contact and a year",
}


def band_words(band: str) -> str:
    """A band of neglect in months.

    >>> band_words("12_to_24"), band_words("over_24"), band_words("under_12")
    ('12 to 24 months ago', 'over 24 months ago', 'under 12 months ago')
    """
    return "not known" if band == "unknown" else f"{band.replace('_', ' ')} months ago"


def state_words(contrast: str) -> str:
    """The state of the vent in a contrast.

    >>> state_words("over_24_vs_under_12"), state_words("over_limit_vs_within")
    ('over 24 months ago', 'run over the limit')
    """
    state = contrast.split("_vs_")[0]
    return LENGTH_WORDS.get(state) or band_words(state)


def reference_words(settings: Mapping[str, Any]) -> str:
    """What every ratio is against.

    >>> reference_words({"bands_months": [12, 24]})
    'a vent cleaned within 12 months'
    """
    return f"a vent cleaned within {settings.get('bands_months', [12])[0]} months"


def _ratio(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.2f}"


def _pieces(pieces: Sequence[NumberPiece] | None, say: Any) -> str:
    """An interval of a number needed, said honestly where it runs through infinity."""
    if not pieces:
        return ""

    def one(piece: NumberPiece) -> str:
        if piece.kind == "harm":
            return f"past any number, to {say(piece.low)} for each failure caused"
        return f"{say(piece.low)} to {'any number' if piece.high is None else say(piece.high)}"

    return f" ({'; '.join(one(p) for p in pieces)})"


def _meaning(row: VentEffect, currency: str) -> list[str]:
    name, state = text.words(row.part), state_words(row.contrast)
    lines = []
    if row.time_ratio is not None and row.verdict not in UNTOLD:
        lines.append(
            f"A {name} behind a vent last cleaned {state}, were it so for life, lasts "
            f"{row.time_ratio:.2f} times as long{text.between(row.time_ratio_ci, _ratio)}."
        )
    if row.attributable_share is not None and row.verdict == "shortens":
        lines.append(
            f"If the ratio is cause and effect, {text.share(row.attributable_share)} of all "
            f"failures of the {name} are owed to it{text.between(row.attributable_ci, text.share)}."
        )
    if row.cleanings_per_failure_avoided is not None and row.verdict == "shortens":
        price = ""
        if row.money_per_failure_avoided is not None:

            def say(value: float) -> str:
                return money(value, currency, decimals=0)

            limits = _pieces(row.money_interval, say)
            price = f", {say(row.money_per_failure_avoided)}{limits} in cleanings"
        lines.append(
            f"One failure of the {name} is avoided by {row.cleanings_per_failure_avoided:.0f} "
            "yearly cleanings of such vents"
            f"{_pieces(row.cleanings_interval, lambda v: f'{v:.0f}')}{price}. "
            "Lint burns: cleaning is not priced by parts alone."
        )
    return lines


def _checked(row: VentEffect, summary: Mapping[str, Any], within: float) -> list[str]:
    name = text.words(row.part)
    off = summary.get("models_apart", {}).get(row.part, {}).get(row.contrast)
    apart = "" if off is None else f", {off:.1f} standard errors away (allowed: {within})"
    crude = f"{_ratio(row.crude_hazard_ratio)}{text.between(row.crude_ci, _ratio)}"
    lines = [
        f"The Poisson model says {_ratio(row.second_model.hazard_ratio)}{apart}; without "
        f"adjustment (crude) it is {crude}."
    ]
    if row.calibrated_ci is not None:
        lines.append(
            "Allowing for what the control shows, the interval is "
            f"{text.between(row.calibrated_ci, _ratio, brackets=False)}."
        )
    again = row.replicates
    if again is not None:
        lines.append(
            f"Units drawn anew {again.replicates:,} times: "
            f"{text.between(again.ci, _ratio, brackets=False)}; by the formula, lives of one unit "
            f"taken together: {text.between(row.ci, _ratio, brackets=False)}."
        )
    beside = row.within_unit
    if beside is not None and beside.hazard_ratio is not None:
        lines.append(
            f"Against the control in the same unit on the same day: {_ratio(beside.hazard_ratio)}"
            f"{text.between(beside.ci, _ratio)}, {beside.failures} failures."
        )
    future = summary.get("future_exposure", {}).get(row.part)
    if future:
        lines.append(
            "The cleaning that had not happened yet must not predict: over a year away against "
            f"within the year {_ratio(future['hazard_ratio'])}{text.between(future['ci'], _ratio)}."
        )
    if row.e_value is not None:
        lines.append(
            f"Something unrecorded would have to raise both neglect and failures "
            f"{row.e_value:.1f} times to explain the ratio away "
            f"({_ratio(row.e_value_limit)} for its limit)."
        )
    if row.detectable_hazard_ratio is not None:
        lines.append(
            f"Smallest ratio these records would show four times in five: "
            f"{_ratio(row.detectable_hazard_ratio)}."
        )
    if row.proportional_p is not None:
        changes = row.proportional_p < 0.05
        lines.append(
            f"Whether the ratio changes as the {name} gets older: p {row.proportional_p:.2g}"
            f"{': it is an average over the ages watched' if changes else ', no sign of it'}."
        )
    total = summary.get("attributable", {}).get(row.part)
    if total and row.verdict not in UNTOLD:
        lines.append(
            f"All neglect together: {text.share(total['share'])} of the failures of the {name}"
            f"{text.between(total['ci'], text.share)}."
        )
    gathered = summary.get("cumulative_neglect", {}).get(row.part)
    if gathered:
        lines.append(
            "Counted as years of its life behind a neglected vent so far, each year: "
            f"{_ratio(gathered['hazard_ratio_per_year'])} times"
            f"{text.between(gathered['ci'], _ratio)}."
        )
    return lines


def _sensitivity(row: VentEffect, summary: Mapping[str, Any], settings: Mapping[str, Any]) -> str:
    rows = [
        {
            "otherwise": WAY_WORDS[one.way],
            "failures": one.failures,
            "hazard ratio": _ratio(one.hazard_ratio),
            text.level_head(settings): text.between(one.ci, _ratio, brackets=False),
        }
        for one in summary.get("sensitivity", [])
        if one.part == row.part
    ]
    return text.table(rows) if rows else ""


def _length(summary: Mapping[str, Any]) -> str:
    runs = summary.get("runs", {})
    if not runs.get("known"):
        return "Length: no run is recorded with its elbows, so nothing is said of long runs."
    count = runs["known"]
    return text.wrap(
        f"Length: {runs['over_limit']:,} of {count:,} runs whose length is known are over the "
        f"limit ({runs['by_makers_limit']:,} judged by the maker's, the others by the "
        f"{runs['edition']} residential code, {text.quantity(runs['code_limit_m'], 'm')} "
        f"less elbows). "
        f"{runs['caution']}"
    )


def _verdict(row: VentEffect) -> str:
    """The verdict in words; a size that is ruled out with its number."""
    words = text.words(row.verdict)
    if row.verdict == "no_effect_larger_than" and row.ci[1] is not None:
        return f"{words} {row.ci[1]:.2f}"
    return words


def details(
    rows: Sequence[VentEffect],
    summary: Mapping[str, Any],
    settings: Mapping[str, Any],
    leading: VentEffect | None,
) -> list[str]:
    """The table, the verdict on every part, what the leading ratio means and what was checked."""
    weak = summary.get("weaker_controls", [])
    table = [
        {
            "part": text.words(r.part)
            + (
                "" if r.role == "outcome" else " (weak control)" if r.part in weak else " (control)"
            ),
            "last cleaned": state_words(r.contrast),
            "failures": r.failures_exposed,
            "hazard ratio": _ratio(r.hazard_ratio),
            text.level_head(settings): text.between(r.ci, _ratio, brackets=False),
            "crude": _ratio(r.crude_hazard_ratio),
            "verdict": _verdict(r),
        }
        for r in rows
    ]
    worst = f"{summary.get('longest_neglect', 'over_24')}_vs_"
    said = [
        f"- {r.verdict_text}"
        for r in rows
        if r.role == "outcome" and (r.contrast.startswith(worst) or r is leading)
    ]
    lines = [text.table(table), *(text.wrap(line) for line in said)]
    if leading is not None:
        lines += [
            text.wrap(f"- {line}")
            for line in (
                *_meaning(leading, str(settings.get("currency", "USD"))),
                *_checked(leading, summary, settings["models_agree_within_errors"]),
            )
        ]
        lines.append(_sensitivity(leading, summary, settings))
    lines.append(_length(summary))
    return lines
