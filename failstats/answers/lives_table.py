"""The rows of `lives` as a table in words, with what does not fit into its columns below it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from failstats.answers import wording as text
from failstats.answers.lives_rows import YEAR_DAYS, Life

__all__ = ["Say", "clock_words", "in_loads", "name_of", "per_unit", "rows_lines"]

Say = Callable[[float | None], str]


def name_of(life: Life) -> str:
    """The part and its stratum."""
    values = ("not recorded" if value is None else str(value) for value in life.stratum.values())
    return " ".join([text.words(life.part), *values])


def clock_words(clock: str) -> Say:
    """How an age is said on this clock."""
    if clock == "loads":
        return lambda age: "unknown" if age is None else f"{age:,.0f} loads"
    return text.years


def in_loads(say: Say) -> bool:
    """Whether ages are said in loads."""
    return say is not text.years


def per_unit(say: Say) -> tuple[float, str]:
    """What rates are said per, in days or loads, and its name."""
    return (1000.0, "1,000 loads") if in_loads(say) else (100 * YEAR_DAYS, "100 and year")


def rows_lines(results: Sequence[Life], settings: dict[str, Any], say: Say) -> list[str]:
    """The table and the lines that belong to its rows."""
    by_law = any(life.parameters and "scale_days" not in life.parameters for life in results)
    said = [_parameters(results, say)] if by_law else []
    said += [_weights(results, settings), _b10(results, say) if not by_law else "",
             _bounds(results, settings, say)]  # fmt: skip
    table = text.table([_row(life, results, settings, say, by_law=by_law) for life in results])
    return [table, *(text.wrap(line) for line in said if line)]


def _row(
    life: Life, results: Sequence[Life], settings: dict[str, Any], say: Say, *, by_law: bool
) -> dict[str, Any]:
    """One row; where a law of life has no scale, one in ten stands for it."""
    row: dict[str, Any] = {"part": name_of(life)}
    if any(one.price is not None for one in results):
        row["price"] = "" if life.price is None else f"{life.price:,.2f}"
    row |= {"lives": life.lives, "failures": life.failures}
    if settings.get("model", "weibull") != "weibull":
        row["model"] = life.model or ""
    if not by_law:
        shape, scale = ((life.parameters or {}).get(name) for name in ("shape", "scale_days"))
        row["shape"] = "" if shape is None else f"{shape:.2f}"
        row["scale"] = "" if scale is None else say(scale)
        ci = (life.parameters_ci or {}).get("scale_days")
        row[text.level_head(settings)] = _limits(ci, say)
    row["B10"] = "" if life.b10_days is None else say(life.b10_days)
    if by_law:
        row[text.level_head(settings)] = _limits(life.b10_ci, say)
    return row | {"fitted": life.label}


def _limits(ci: Any, say: Say) -> str:
    return "" if ci is None else text.between(ci, say, brackets=False)


def _parameters(results: Sequence[Life], say: Say) -> str:
    """The parameters of every fitted life, one law after the other."""
    per, unit = per_unit(say)
    units = {
        "mu": f"mu: logarithm of {'loads' if in_loads(say) else 'days'}",
        "rate": f"rate: failures per {unit}, at birth where it grows",
        "slope": f"slope: growth of the rate per {'1,000 loads' if in_loads(say) else 'year'}",
    }
    times = {"rate": per, "slope": per if in_loads(say) else YEAR_DAYS}
    laws: dict[str, list[str]] = {}
    told: dict[str, list[str]] = {}
    for life in results:
        if not life.model or not life.parameters:
            continue
        values = []
        for name, value in life.parameters.items():
            ci = (life.parameters_ci or {}).get(name)
            if name == "scale_days":
                values.append(f"scale {say(value)}{text.between(ci, say)}")
                continue
            factor = times.get(name, 1.0)

            def scaled(end: float | None, factor: float = factor) -> str:
                return text.figure(None if end is None else end * factor)

            values.append(f"{name} {scaled(value)}{text.between(ci, scaled)}")
        laws.setdefault(life.model, []).append(f"{name_of(life)} {', '.join(values)}")
        told[life.model] = [units[name] for name in life.parameters if name in units]
    said = []
    for model, lives in laws.items():
        explained = f" ({'; '.join(told[model])})" if told[model] else ""
        said.append(f"Fitted, {model}{explained}: {'; '.join(lives)}.")
    return " ".join(said)


def _weights(results: Sequence[Life], settings: dict[str, Any]) -> str:
    """How well the law asked for agrees, where no close look says so."""
    model = settings.get("model", "weibull")
    if model == "weibull" or len(results) == 1:
        return ""
    named = [
        f"{name_of(life)} {text.share(one.weight)}"
        for life in results
        for one in life.models
        if one.model == model == life.model
    ]
    return f"AIC weight of {model} among the laws of life: {', '.join(named)}." if named else ""


def _b10(results: Sequence[Life], say: Say) -> str:
    """B10 of each stratum with its interval; that of a part stands in the headline."""
    named = [
        f"{name_of(life)} {say(life.b10_days)}{text.between(life.b10_ci, say)}"
        for life in results
        if life.stratum and life.b10_days is not None
    ]
    return f"B10, the age by which one in ten has failed: {', '.join(named)}." if named else ""


def _bounds(results: Sequence[Life], settings: dict[str, Any], say: Say) -> str:
    """What can be said of parts too few of which failed."""
    per, unit = per_unit(say)
    named = [
        f"{name_of(life)} {text.figure(life.rate * per)} "
        f"({text.figure(life.rate_ci[0] * per)} to {text.figure(life.rate_ci[1] * per)})"
        for life in results
        if life.rate is not None and life.rate_ci is not None
    ]
    if not named:
        return ""
    level = text.level_head(settings)
    return (
        f"Failures per {unit} where no life could be fitted (exact Poisson, {level}): "
        f"{'; '.join(named)}."
    )
