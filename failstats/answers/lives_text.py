"""The answer of `lives` in words: the table of rows, and a close look at a single part."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from failstats.answers import wording as text
from failstats.answers.lives_rows import YEAR_DAYS, BracketEnd, Life
from failstats.answers.lives_table import Say, clock_words, in_loads, name_of, per_unit, rows_lines
from failstats.answers.units_differ_rows import units_differ_lines

__all__ = ["details"]

LOOKED_AT_YEARS, LOOKED_AT_LOADS = 5, 1500.0
#: Below this a chance is said as a bound.
SMALL_CHANCE = 0.001
#: AIC weights below this are not listed, but for that of the law that is stated.
LEAST_WEIGHT = 0.005


def details(results: Sequence[Life], settings: dict[str, Any]) -> list[str]:
    """The lines under the headline."""
    say = clock_words(settings.get("clock", "days"))
    heads = [life for life in results if not life.stratum]
    lines = rows_lines(results, settings, say)
    if len(heads) == 1 and len(results) == 1:
        lines += close_look(heads[0], say)
    for head in heads:
        strata = [life for life in results if life.part == head.part and life.stratum]
        lines += _between(head, strata, say)
    lines += [line for life in results if (line := _replicated(life, say))]
    differ = units_differ_lines((life.part, life.units_differ) for life in heads)
    return [*lines, *_first_and_later(heads, say), *differ]


def _replicated(life: Life, say: Say) -> str:
    """Survival and median with units drawn anew, beside the formula's intervals."""
    again = life.replicates
    if again is None:
        return ""
    said = []
    for one in again.survival:
        if one.survival is None or one.ci is None or one.formula_ci is None:
            continue
        drawn, formula = (
            " to ".join("unknown" if end is None else f"{100 * end:.1f}" for end in ends)
            for ends in (one.ci, one.formula_ci)
        )
        said.append(
            f"after {one.years} year{'s' if one.years > 1 else ''} {100 * one.survival:.1f} % work "
            f"({drawn}; by the formula {formula})"
        )
    if again.median_days is not None:
        ends = [
            " to ".join("not reached" if end is None else say(end) for end in pair or (None, None))
            for pair in (again.median_ci, again.median_formula_ci)
        ]
        said.append(f"half fail by {say(again.median_days)} ({ends[0]}; by the formula {ends[1]})")
    if not said:
        return ""
    return f"{name_of(life)}, units drawn anew {again.replicates:,} times: {'; '.join(said)}."


# --- strata --------------------------------------------------------------------------------------


def _between(head: Life, strata: Sequence[Life], say: Say) -> list[str]:
    """What the strata say of each other: tests, shared lives, failures of one unit."""
    said = []
    for test in head.compared:
        within = "" if test.within is None else f" within each {test.within}"
        note = f"; {test.note}" if test.note else ""
        said.append(
            f"{text.words(head.part)}: log-rank test of {', '.join(test.groups)}{within}: "
            f"{_chance(test.p_value)}{note}."
        )
    leaning = [life for life in strata if life.shared is not None]
    if leaning:
        named = ", ".join(
            f"{' '.join(map(str, life.stratum.values()))} {say(_scale(life))}"
            f"{text.between(life.shared.parameters_ci.get('scale_days'), say)}"
            for life in leaning
            if life.shared is not None and _scale(life) is not None
        )
        if named:
            said.append(
                f"Scale of each as far as they agree with each other (empirical Bayes): {named}."
            )
    at = _latest_difference(head)
    if at:
        said.append(
            f"Failures per contract unit by {_round_age(at[0].age_days, text.years)} of unit age: "
            + "; ".join(
                f"{d.first} {d.difference:+.2f}{text.between(d.ci, _signed)} against {d.second}"
                for d in at
            )
            + "."
        )
    return [text.wrap(line) for line in said]


def _scale(life: Life) -> float | None:
    return None if life.shared is None else life.shared.parameters.get("scale_days")


def _signed(value: float | None) -> str:
    return "unknown" if value is None else f"{value:+.2f}"


def _latest_difference(head: Life) -> list[Any]:
    """The differences at five years, or at the last age that all groups were followed to."""
    ages = [
        {d.age_days for d in head.recurrence_difference if (d.first, d.second) == pair}
        for pair in {(d.first, d.second) for d in head.recurrence_difference}
    ]
    both = set.intersection(*ages) if ages else set()
    if not both:
        return []
    at = min(LOOKED_AT_YEARS * YEAR_DAYS, max(both))
    return [d for d in head.recurrence_difference if d.age_days == at]


def _chance(p_value: float) -> str:
    return f"p < {SMALL_CHANCE:g}" if p_value < SMALL_CHANCE else f"p = {p_value:.2g}"


def _first_and_later(heads: Sequence[Life], say: Say) -> list[str]:
    """Where later lives differ from first-fitted ones: both, and why that may be."""
    said = []
    for life in heads:
        ends = {e.assumption: e for e in life.first_and_later if e.ci is not None}
        first, later = ends.get("first_lives"), ends.get("later_lives")
        if first is None or later is None or first.ci is None:
            continue
        if first.ci[0] <= (later.scale_days or 0) <= first.ci[1]:
            continue
        said.append(
            f"{text.words(life.part)}: first-fitted {_scale_and_limits(first, say)}, later ones "
            f"{_scale_and_limits(later, say)}"
        )
    if not said:
        return []
    return [
        text.wrap(
            f"Weibull scale of first and later lives apart: {'; '.join(said)}. Later lives come "
            "from units that failed before, so the difference is confounded by unit."
        )
    ]


def _scale_and_limits(end: BracketEnd, say: Say) -> str:
    return f"{say(end.scale_days)}{text.between(end.ci, say)}"


# --- one part, closely ---------------------------------------------------------------------------


def close_look(life: Life, say: Say) -> list[str]:
    """How sure one part's life is, age by age."""
    said = [_summary(life, say), _ended(life, say)]
    lines = [text.wrap(line) for line in said if line]
    if life.bands:
        lines.append(_bands(life, say))
    said = [
        _left(life, say), _agreement(life), _swapped(life, say), _found_later(life, say),
        _repeats(life, say), _kept(life, say),
    ]  # fmt: skip
    return lines + [text.wrap(line) for line in said if line]


def _summary(life: Life, say: Say) -> str:
    if life.median_days is None:
        return ""
    beyond = ", beyond what was watched" if life.median_days > (life.followed_to_days or 0) else ""
    line = f"Half have failed by {say(life.median_days)}{text.between(life.median_ci, say)}{beyond}"
    if life.mean_days is not None:
        line += f"; mean life {say(life.mean_days)}{text.between(life.mean_ci, say)}"
    if life.survival_5y is not None:
        line += (
            f"; {text.share(life.survival_5y)}{text.between(life.survival_5y_ci, text.share)} "
            "still work at 5 years"
        )
    return line + "."


def _ended(life: Life, say: Say) -> str:
    """Of 100 parts, how many each cause has ended by five years, or as far as was followed."""
    if not life.incidence:
        return ""
    ages = sorted({point.age_days for point in life.incidence})
    furthest = LOOKED_AT_YEARS * YEAR_DAYS if say is text.years else LOOKED_AT_LOADS
    at = max([age for age in ages if age <= furthest] or ages[:1])
    named = "; ".join(
        f"{text.words(point.cause)} {text.share(point.share)}{text.between(point.ci, text.share)}"
        for point in life.incidence
        if point.age_days == at
    )
    return f"Ended by {_round_age(at, say)}, as it was in this fleet: {named}."


def _round_age(age: float, say: Say) -> str:
    """A whole number of years as such; any other age as this clock says it."""
    whole = age / YEAR_DAYS
    if say is not text.years or whole != round(whole):
        return say(age)
    return "1 year" if whole == 1 else f"{whole:.0f} years"


def _bands(life: Life, say: Say) -> str:
    loads = in_loads(say)
    per, unit = per_unit(say)
    rows = []
    for band in life.bands:
        low, high = band.rate_ci
        first, last = (band.from_days, band.to_days) if loads else (
            band.from_days / YEAR_DAYS, band.to_days / YEAR_DAYS,
        )  # fmt: skip
        rows.append(
            {
                "age (loads)" if loads else "age (years)": f"{first:,.0f} to {last:,.0f}",
                "at risk": band.at_risk,
                "failed": band.failures,
                "expected": "" if band.expected is None else f"{band.expected:.1f}",
                "seen / expected": ""
                if band.ratio is None or band.ratio_ci is None
                else f"{band.ratio:.2f} ({band.ratio_ci[0]:.2f} to {band.ratio_ci[1]:.2f})",
                f"failures per {unit}": (
                    f"{band.rate * per:.2f} ({low * per:.2f} to {high * per:.2f})"
                ),
            }
        )
    head = f"Seen and expected, by age ({life.checked_on}):"
    return f"{head}\n{text.table(rows)}"


def _left(life: Life, say: Say) -> str:
    known = [one for one in life.life_left if one.fitted_median_days is not None]
    if not known:
        return ""
    named = ", ".join(
        f"{say(one.fitted_median_days)} at {_round_age(one.age_days, say)}" for one in known
    )
    return f"Life left, as fitted (half of those that reach the age last longer): {named}."


def _agreement(life: Life) -> str:
    if not life.models:
        return ""
    named = ", ".join(
        f"{one.model} {text.share(one.weight)}"
        for one in life.models
        if one.weight >= LEAST_WEIGHT or one.model == life.model
    )
    return f"Weight of each law of life (AIC): {named}."


def _swapped(life: Life, say: Say) -> str:
    found = life.replaced
    if found is None:
        return ""
    ends = {end.assumption: end for end in found.bounds}
    worst, best = ends["all_swapped_had_failed"], ends["all_swapped_worked_on"]
    line = (
        f"{found.working:,} were replaced while working and {found.unknown:,} untested "
        f"({text.share(found.share)} of replacements)"
    )
    if worst.scale_days is None or best.scale_days is None:
        return line + "."
    return (
        f"{line}: had all of them failed, the Weibull scale would be {say(worst.scale_days)}; had "
        f"all gone on working, {say(best.scale_days)}."
    )


def _found_later(life: Life, say: Say) -> str:
    found = life.found_at_maintenance
    if found is None:
        return ""
    line = f"{found.found:,} failures were found at maintenance and are dated to that day"
    if found.scale_days is None:
        return line + "."
    return (
        f"{line}; if they lie anywhere since the last look, the Weibull scale is "
        f"{say(found.scale_days)}{text.between(found.ci, say)}."
    )


def _repeats(life: Life, say: Say) -> str:
    if not life.recurrence or life.recurrence_trend is None:
        return ""
    points = [p for p in life.recurrence if p.age_days <= LOOKED_AT_YEARS * YEAR_DAYS]
    if not points:
        return ""
    trend = life.recurrence_trend
    how = "come faster" if trend.statistic > 0 else "come slower"
    verdict = f"they {how} as units age" if trend.p_value < 0.05 else "no trend with unit age"
    return (
        f"A contract unit has had {points[-1].mean_count:.2f} failures by 5 years of its age; "
        f"{verdict} (Laplace test, {_chance(trend.p_value)})."
    )


def _kept(life: Life, say: Say) -> str:
    if not life.kept:
        return ""
    used = life.births == "assumed"
    named = [
        f"{text.words(rule)} {count:,}"
        + (" (not used)" if rule == "birth_assumed" and not used else "")
        for rule, count in life.kept.items()
    ]
    named += [f"{text.words(rule)} {count:,}" for rule, count in life.moved.items()]
    line = f"Lives by rule, call-out units included: {'; '.join(named)}."
    usable = life.kept.get("birth_known", 0) + (life.kept.get("birth_assumed", 0) if used else 0)
    if life.lives >= usable:
        return line
    kinds = [life.rests_on] if life.rests_on != "all units" else []
    kinds += ["units whose use is recorded"] if in_loads(say) else []
    born = "known or assumed" if used else "known"
    why = f" ({', '.join(kinds)})" if kinds else ""
    return f"{line} Of the {usable:,} of {born} birth the row counts {life.lives:,}{why}."
