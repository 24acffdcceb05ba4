"""The answer of `lives`: its tables, its pictures, its words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from failstats.answers import wording as text
from failstats.answers.lives_notes import filters_said
from failstats.answers.lives_rows import Life
from failstats.answers.lives_table import clock_words, name_of
from failstats.answers.lives_text import details
from failstats.answers.result import Answer
from failstats.errors import InputError
from failstats.estimate.life_families import FAMILIES
from failstats.show import charts

__all__ = ["CHARTS", "Lives"]

#: Pictures that `Lives.chart` draws.
CHARTS = ("curve", "hazard", "plot", "causes", "repeats")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lives(Answer):
    """Life statistics of the parts asked for; the headline row of each part comes first."""

    command: ClassVar[str] = "lives"
    row_type: ClassVar[type | None] = Life

    def to_dict(self) -> dict[str, Any]:
        """The contract's envelope; on the loads clock every `_days` is named `_loads`."""
        envelope = Answer.to_dict(self)
        if self.settings.get("clock") == "loads":
            envelope["results"] = _in_loads(envelope["results"])
        return envelope

    def _say(self, age: float | None) -> str:
        """An age in the clock of this answer."""
        return clock_words(self.settings.get("clock", "days"))(age)

    def rows_table(self) -> pd.DataFrame:
        """One row per part and stratum, without the curves."""
        rows = []
        for life in self.results:
            parameters, limits = life.parameters or {}, life.parameters_ci or {}
            row: dict[str, Any] = {"part": life.part, **life.stratum}
            row |= {"lives": life.lives, "failures": life.failures, "unit_count": life.unit_count}
            row |= {"model": life.model, "label": life.label}
            for name, value in parameters.items():
                row[name], (row[f"{name}_low"], row[f"{name}_high"]) = value, limits[name]
            row |= {"b10_days": life.b10_days, "median_days": life.median_days}
            row |= {"followed_to_days": life.followed_to_days}
            row |= {"survival_5y": life.survival_5y}
            if life.rate_ci is not None:
                row |= {"rate": life.rate, "rate_low": life.rate_ci[0]}
                row |= {"rate_high": life.rate_ci[1]}
            rows.append(row)
        frame = pd.DataFrame(rows)
        if self.settings.get("clock") == "loads":
            frame.columns = [c.replace("_days", "_loads") for c in frame.columns]
        return frame

    def interval(self, confidence_level: float = 0.95) -> tuple[float, float] | None:
        """Interval of the first row's scale in days, at the level asked for when it ran."""
        first = self.results[0] if self.results else None
        if first is None or not first.parameters_ci:
            return None
        return first.parameters_ci.get("scale_days") or None

    def curve_table(self) -> pd.DataFrame:
        """The steps of every curve: series, age_days, at_risk, failed, survival, low, high."""
        columns = ("age_days", "at_risk", "failed", "survival")
        return self._points("curve", columns)

    def incidence_table(self) -> pd.DataFrame:
        """Share ended by each cause: series, cause, age_days, at_risk, share, low, high."""
        return self._points("incidence", ("cause", "age_days", "at_risk", "share"))

    def bands_table(self) -> pd.DataFrame:
        """Failures by age band, seen and expected, with the rate: low and high are the rate's."""
        names = ("from_days", "to_days", "at_risk", "person_days", "failures", "expected", "ratio")
        return self._points("bands", (*names, "rate"), interval="rate_ci")

    def _points(self, field: str, columns: tuple[str, ...], interval: str = "ci") -> pd.DataFrame:
        """The entries of one list of every row, its interval as two columns."""
        rows = [
            {"series": name_of(life)}
            | {name: getattr(point, name) for name in columns}
            | dict(zip(("low", "high"), getattr(point, interval), strict=True))
            for life in self.results
            for point in getattr(life, field)
        ]
        return pd.DataFrame(rows, columns=["series", *columns, "low", "high"])

    def fitted_table(self) -> pd.DataFrame:
        """The fitted lives by age: series, age_days, survival, rate (failures per day),
        unit_count."""
        frames = []
        for life in self.results:
            if life.model is None or not life.parameters or not life.curve:
                continue
            family = FAMILIES[life.model]
            values = {name.replace("_days", ""): v for name, v in life.parameters.items()}
            theta = np.array(
                [
                    np.log(values[name]) if positive else values[name]
                    for name, positive in zip(family.parameter_names, family.positive, strict=True)
                ]
            )
            last = life.curve[-1].age_days
            if not last > 0:
                continue
            # even ages, and as many early ones as a log axis needs
            ages = np.unique(np.append(np.linspace(0, last, 101), np.geomspace(1, last, 41)))
            survival, rate = np.ones(ages.size), np.full(ages.size, np.nan)
            survival[1:] = np.exp(-family.cumulative(theta, ages[1:]).value)
            rate[1:] = np.exp(family.log_hazard(theta, ages[1:]).value)
            frames.append(
                pd.DataFrame(
                    {
                        "series": name_of(life),
                        "age_days": ages,
                        "survival": survival,
                        "rate": rate,
                        "unit_count": life.unit_count,
                    }
                )
            )
        columns = ["series", "age_days", "survival", "rate", "unit_count"]
        return pd.concat(frames) if frames else pd.DataFrame(columns=columns)

    def chart(self, kind: str = "curve") -> Any:
        """A picture of the lives; None where there is no life at all.

        Parameters
        ----------
        kind : "curve" (share still working, with band, fitted line and lives at risk; where none
            may be drawn of one part, what ended it, as "causes"), "hazard" (failures by age),
            "plot" (the fitted family as a straight line), "causes" (share
            ended by each cause, of one part, its strata together), "repeats" (failures per unit).

        Raises
        ------
        InputError : another kind, the causes of several parts, or nothing of this kind to draw.
        """
        if kind not in CHARTS:
            raise InputError(
                f"kind must be one of {', '.join(CHARTS)}, but {kind} was given.",
                where="chart",
                do="correct the word.",
            )
        clock = self.settings.get("clock", "days")
        if not self.results:
            return None
        drawn = getattr(self, f"_{kind}_chart")(clock)
        if drawn is not None:
            return drawn
        whole = list(dict.fromkeys(life.part for life in self.results))
        if kind == "curve" and len(whole) == 1 and any(life.incidence for life in self.results):
            return self._causes_chart(clock)
        why = (
            "failures again and again are counted by the unit's age in days"
            if (kind, clock) == ("repeats", "loads")
            else "none may be drawn of parts that fail unseen or are tripped, nor of those of "
            "which too few failed"
        )
        raise InputError(
            f"the picture {kind!r} of {', '.join(map(text.words, whole))} cannot be drawn: {why}.",
            where="chart",
            do='see the notes of the answer, or draw .chart("causes") of one part.',
        )

    def _apart(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Where strata are shown, the part as a whole would only cover them."""
        whole = [name_of(life) for life in self.results if not life.stratum]
        strata = frame[~frame["series"].isin(whole)]
        return strata if len(strata) else frame

    def _curve_chart(self, clock: str) -> Any:
        frame = self.curve_table()
        if frame.empty:
            return None
        return charts.life_curve(
            frame, title="How long parts last", fitted=self.fitted_table(), clock=clock
        )

    def _hazard_chart(self, clock: str) -> Any:
        frame = self.bands_table()
        if frame.empty:
            return None
        return charts.failure_rates(self._apart(frame), fitted=self.fitted_table(), clock=clock)

    def _plot_chart(self, clock: str) -> Any:
        rows = [
            {
                "series": name_of(life),
                "model": life.model,
                **{
                    name: getattr(point, name)
                    for name in ("age_days", "share_failed", "across", "up")
                },
            }
            for life in self.results
            for point in life.plot
        ]
        if not rows:
            return None
        frame = self._apart(pd.DataFrame(rows))
        return charts.straight_line(
            frame[frame["model"] == frame["model"].iloc[0]],
            fitted=self.fitted_table(),
            clock=clock,
        )

    def _causes_chart(self, clock: str) -> Any:
        frame = self.incidence_table()
        if frame.empty:
            return None
        whole = {name_of(life) for life in self.results if not life.stratum}
        if len(whole) != 1:
            raise InputError(
                "the causes of several parts in one picture cannot be told apart, but this answer "
                f"is of {len(whole)} parts.",
                where="chart",
                do='ask for one: records.lives(part="coil").chart("causes").',
            )
        frame = frame[frame["series"].isin(whole)].copy()
        part = text.words(next(iter(whole)))
        frame["series"] = frame["cause"].map(text.words)
        # where no curve may be drawn, days are those of finding, in the state this fleet is in
        seen = "" if any(life.curve for life in self.results) else " (as found in this fleet)"
        title = f"What ends a {part}, by age{seen}"
        return charts.incidence_curve(frame, title=title, clock=clock)

    def _repeats_chart(self, clock: str) -> Any:
        frame = self._points("recurrence", ("age_days", "at_risk", "mean_count"))
        if frame.empty or clock != "days":
            return None
        return charts.repeats_curve(frame)

    def _stated(self) -> tuple[list[Life], list[Life]]:
        """Lives of all units of a part with an age by which one in ten failed; and of these, those
        that were watched as long."""
        stated = [life for life in self.results if not life.stratum and life.b10_days is not None]
        return stated, [life for life in stated if life.b10_days <= (life.followed_to_days or 0)]

    def headline_units(self) -> int | None:
        """Of the part with fewest among those named."""
        return min((life.unit_count for life in self._stated()[1]), default=None)

    def headline(self) -> str:
        """The lives of the first parts in words."""
        stated, within = self._stated()
        if not self.results:
            filters = filters_said(self.settings)
            lines = f"that {filters} leave" if filters else "of these records"
            first = (
                f"No life can be stated: no part line {lines} begins or ends a life that was "
                "watched."
            )
        elif not stated:
            first = "No life can be stated as a single number."
        elif not within:
            first = "Fewer than one in ten fail in the time that parts were watched."
        else:
            named = ", ".join(
                f"{text.words(life.part)} {self._say(life.b10_days)}"
                f"{text.between(life.b10_ci, self._say)}"
                for life in within
            )
            first = f"One in ten has failed by this age: {named}."
            watched = max(life.followed_to_days or 0 for life in within)
            if all((life.median_days or 0) > (life.followed_to_days or 0) for life in within):
                first += f" Half fail later than the {self._say(watched)} that parts were watched."
        refused = [
            text.words(life.part)
            for life in self.results
            if not life.stratum and life.parameters is None
        ]
        if refused:
            first += f" Not stated as one number: {', '.join(refused)} (see the notes)."
        return first

    def details(self) -> list[str]:
        """A table of the rows; of a single part, a close look."""
        return details(self.results, self.settings)


def _in_loads(value: Any) -> Any:
    if isinstance(value, list):
        return [_in_loads(entry) for entry in value]
    if isinstance(value, dict):
        return {
            (key[: -len("days")] + "loads" if key.endswith("_days") else key): _in_loads(entry)
            for key, entry in value.items()
        }
    return value
