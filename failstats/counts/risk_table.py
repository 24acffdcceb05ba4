"""Who is at risk: the only place in the package that counts it.

A life enters at one age and leaves at another; it is at risk at age t when entry < t <= exit.
A table of counts by age is all that curves and fitted lives need.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np

from failstats.counts.columns import (
    SAME_AGE,
    ages_of,
    cause_codes,
    distinct_ages,
    frozen,
    numbers_of,
    row_text,
)
from failstats.errors import InputError

__all__ = ["RiskTable"]

#: Rounding allowed when weights are fractions: sums of up to 1e8 terms lose about this much.
WEIGHT_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class RiskTable:
    """How many lives began, failed and left at each age: all a life curve needs to know.

    Parameters
    ----------
    age : shape (n,), ascending and distinct, in ``unit``.
    entered : shape (n,), lives that come under observation at that age (0 = from birth).
    failed : for each cause, shape (n,), lives that ended so at that age.
    left : shape (n,), lives last seen working at that age.
    unit : the unit of age.
    dropped : lives left out because they entered and left at the same age above 0.
    zero_age : the age, in ``unit``, that parametric fits give to failures in cell 0.

    Raises
    ------
    InputError
        When ages are not ascending, counts are negative, lives fail that never entered, or
        lives enter that never end.

    Notes
    -----
    At risk just before t is the sum of entered - failed - left over ages below t; a life is
    at risk at t when entry < t <= exit. At age 0 the lives that entered at age 0 are at risk.

    Examples
    --------
    >>> lives = RiskTable.from_lives([0, 0, 2], [3, 5, 5], ["wear", "", "wear"])
    >>> lives.age.tolist(), lives.at_risk.tolist()
    ([0, 2, 3, 5], [2, 2, 3, 2])
    >>> lives.failures, lives.exposure
    (2, 11)
    """

    age: np.ndarray
    entered: np.ndarray
    failed: Mapping[str, np.ndarray]
    left: np.ndarray
    unit: str = "days"
    dropped: int = 0
    zero_age: float = 0.5
    # Totals that many curves ask for again, added up once; nothing above can change.
    _totals: dict[str, np.ndarray] = field(default_factory=dict, init=False, repr=False)

    def __post_init__(self) -> None:
        age = numbers_of(self.age, "age")
        n = age.shape[0] if age.ndim == 1 else -1
        if n < 0:
            raise InputError(
                f"age must be one column, but it has {age.ndim} dimensions.",
                do="give one age per row.",
            )
        if n and not np.isfinite(age).all():
            raise InputError("age must be finite.", where=row_text(np.where(~np.isfinite(age))[0]))
        if n and age[0] < 0:
            raise InputError(f"age must be 0 or more, but the first is {age[0]}.")
        if n > 1 and not (np.diff(age) > 0).all():
            rows = np.where(np.diff(age) <= 0)[0] + 1
            raise InputError(
                "age must be ascending and distinct.",
                where=row_text(rows),
                do="sort, or build the table with RiskTable.from_cells, which adds equal ages up.",
            )
        columns = {"entered": self.entered, "left": self.left}
        columns |= {f"failed ({cause})": counts for cause, counts in self.failed.items()}
        clean: dict[str, np.ndarray] = {}
        for name, counts in columns.items():
            values = np.asarray(counts)
            if values.shape != (n,):
                raise InputError(
                    f"{name} must have one count per age ({n}), but has shape {values.shape}."
                )
            values = numbers_of(values, name)
            wrong = ~((values >= 0) & np.isfinite(values))
            if wrong.any():
                raise InputError(f"{name} must be 0 or more.", where=row_text(np.where(wrong)[0]))
            clean[name] = frozen(values)
        set_ = object.__setattr__
        set_(self, "age", frozen(age))
        set_(self, "entered", clean["entered"])
        set_(self, "left", clean["left"])
        failed = {str(c): clean[f"failed ({c})"] for c in self.failed}
        set_(self, "failed", MappingProxyType(failed))
        self._check_zero_age()
        self._check_balance()

    def __reduce__(self) -> tuple[Any, ...]:
        values = (self.age, self.entered, dict(self.failed), self.left)
        return RiskTable, (*values, self.unit, self.dropped, self.zero_age)

    def _check_zero_age(self) -> None:
        if not (np.isfinite(self.zero_age) and self.zero_age > 0):
            raise InputError(f"zero_age must be above 0, but is {self.zero_age}.")
        later = self.age[self.age > 0]
        at_zero = self.failed_total[:1][self.age[:1] == 0].sum()
        if at_zero and later.size and self.zero_age > later[0]:
            raise InputError(
                f"lives that failed at age 0 are taken to have failed at zero_age, but "
                f"{self.zero_age:g} {self.unit} lies beyond the next age, {later[0]:g}.",
                do=f"give zero_age in {self.unit}: half a day, say.",
            )

    def _check_balance(self) -> None:
        running = self.still_working
        slack = WEIGHT_ROUNDING * max(1.0, float(np.sum(self.entered)))
        short = self.at_risk - self.failed_total - self.left
        if (short < -slack).any():
            rows = np.where(short < -slack)[0]
            raise InputError(
                "no more lives can fail or leave at an age than are at risk there.",
                where=f"age {self.age[rows[0]]}: {self.at_risk[rows[0]]} at risk, "
                f"{self.failed_total[rows[0]] + self.left[rows[0]]} end",
                do="count a life as entered at its entry age and at risk only after it.",
            )
        if running.size and abs(running[-1]) > slack:
            raise InputError(
                f"every life that enters must fail or leave, but {running[-1]} of "
                f"{np.sum(self.entered)} never end.",
                do="count lives still working on the last day followed under left.",
            )

    # -- building -----------------------------------------------------------------------------

    @classmethod
    def from_lives(
        cls,
        entry: Any,
        exit: Any,
        cause: Any,
        weights: Any = None,
        *,
        unit: str = "days",
        zero_age: float = 0.5,
    ) -> RiskTable:
        """Count lives given one by one.

        Parameters
        ----------
        entry : shape (m,) or a single number, age at which the life comes under observation.
        exit : shape (m,), age at which it fails or is last seen working.
        cause : shape (m,), the cause of the failure; "" or None for a life that did not fail.
            True and False are read as "failed" and not failed.
        weights : shape (m,), how many lives each row stands for; 1 when absent.
        unit, zero_age : as in the class.

        Raises
        ------
        InputError
            When entry lies after exit, or an age is negative or missing (with row numbers).
        """
        exits = ages_of(exit, "exit")
        entries = ages_of(entry, "entry")
        fractions = "f" in (entries.dtype.kind, exits.dtype.kind)
        if entries.ndim == 0:
            entries = np.full(exits.shape, entries[()])
        names, code = cause_codes(cause)
        if not entries.shape == exits.shape == code.shape:
            raise InputError(
                f"entry, exit and cause must be equally long, but have {entries.shape}, "
                f"{exits.shape} and {code.shape}."
            )
        wrong = np.where(entries > (exits * (1 + SAME_AGE) if fractions else exits))[0]
        if wrong.size:
            raise InputError(
                f"entry must not lie after exit, but {wrong.size} of {exits.size} lives do.",
                where=f"{row_text(wrong)} (first: {entries[wrong[0]]} > {exits[wrong[0]]})",
                do="correct the dates of these lives, or leave them out.",
                rows=wrong.tolist(),
            )
        count = None if weights is None else numbers_of(weights, "weights")
        if count is not None and (
            count.shape != exits.shape or not ((count >= 0) & np.isfinite(count)).all()
        ):
            raise InputError("weights must be 0 or more, one for each life.")
        if fractions:
            found, place = distinct_ages(np.concatenate([entries, exits]).astype(float))
            entries, exits = np.split(found[place], [entries.size])
        keep = ~((entries == exits) & (exits > 0))
        dropped = int(exits.size - np.count_nonzero(keep))
        if dropped:
            entries, exits, code = entries[keep], exits[keep], code[keep]
            count = None if count is None else count[keep]
        age, place = distinct_ages(np.concatenate([entries, exits]))
        at_entry, at_exit = place[: entries.size], place[entries.size :]
        whole = count is None or count.dtype.kind in "iub"

        def tally(where: np.ndarray, chosen: np.ndarray | None = None) -> np.ndarray:
            which = where if chosen is None else where[chosen]
            load = None if count is None else (count if chosen is None else count[chosen])
            summed = np.bincount(which, weights=load, minlength=age.size)
            return np.rint(summed).astype(np.int64) if whole else summed

        failed = {name: tally(at_exit, code == k) for k, name in enumerate(names)}
        left = tally(at_exit, code < 0)
        return cls(age, tally(at_entry), failed, left, unit, dropped, zero_age)

    @classmethod
    def from_cells(cls, frame: Any, *, unit: str = "days", zero_age: float = 0.5) -> RiskTable:
        """Take counts as a query delivers them: age, entered, left and failed_<cause> columns.

        Equal ages are added up, so cells of several strata may be given at once. A column
        called just ``failed`` is the cause "failed".
        """
        names = list(getattr(frame, "column_names", None) or frame.columns)
        missing = [name for name in ("age", "entered", "left") if name not in names]
        causes = {
            name: name.removeprefix("failed_")
            for name in names
            if name.startswith("failed_") or name == "failed"
        }
        if missing or not causes:
            raise InputError(
                "cells need the columns age, entered, left and at least one failed_<cause>, "
                f"but {', '.join(missing) or 'failed_<cause>'} is missing.",
                where=f"columns: {', '.join(map(str, names))}",
            )
        age, place = distinct_ages(ages_of(frame["age"].to_numpy(), "age"))

        def summed(name: str) -> np.ndarray:
            values = np.asarray(frame[name].to_numpy())
            total = np.zeros(age.size, dtype=float if values.dtype.kind == "f" else np.int64)
            np.add.at(total, place, values)
            return total

        failed = {cause: summed(name) for name, cause in causes.items()}
        return cls(age, summed("entered"), failed, summed("left"), unit, 0, zero_age)

    # -- who is at risk -----------------------------------------------------------------------

    @property
    def causes(self) -> tuple[str, ...]:
        """The names of the causes, in the order given."""
        return tuple(self.failed)

    def _total(self, name: str, add_up: Callable[[], np.ndarray]) -> np.ndarray:
        if name not in self._totals:
            total = add_up()
            total.flags.writeable = False
            self._totals[name] = total
        return self._totals[name]

    @property
    def failed_total(self) -> np.ndarray:
        """Shape (n,): failures of any cause at each age."""

        def add_up() -> np.ndarray:
            total = np.zeros(self.age.shape, dtype=np.int64)
            for counts in self.failed.values():
                total = total + counts
            return total

        return self._total("failed", add_up)

    @property
    def still_working(self) -> np.ndarray:
        """Shape (n,): lives under observation just after each age."""
        return self._total(
            "working", lambda: np.cumsum(self.entered - self.failed_total - self.left)
        )

    @property
    def at_risk(self) -> np.ndarray:
        """Shape (n,): lives at risk at each age of the table, entry < age <= exit."""

        def add_up() -> np.ndarray:
            running = self.still_working
            before = np.concatenate([np.zeros(1, running.dtype), running[:-1]])
            if self.age.size and self.age[0] == 0:
                before[0] = self.entered[0]
            return before

        return self._total("at_risk", add_up)

    def at_risk_at(self, ages: Any) -> np.ndarray:
        """Lives at risk at any ages: entry < age <= exit; at age 0 those that entered at 0."""
        asked = np.asarray(ages)
        if asked.dtype.kind == self.age.dtype.kind == "i" and self.age.size <= asked.size:
            top = int(max(self.age[-1:].max(initial=0), asked.max(initial=0)))
            if top <= 4 * asked.size and asked.min(initial=0) >= 0:  # whole ages need no search
                net = np.zeros(top + 2)
                net[self.age + 1] = self.entered - self.failed_total - self.left
                running = np.cumsum(net)[asked]
                newborn = self.entered[0] if self.age.size and self.age[0] == 0 else 0
                return np.where(asked == 0, newborn, running)
        running = np.concatenate([np.zeros(1), self.still_working])
        whole = self.age.dtype.kind == "i" and asked.dtype.kind in "iu"
        since = asked if whole else asked * (1 - SAME_AGE)
        found = running[np.searchsorted(self.age, since, side="left")]
        newborn = self.entered[0] if self.age.size and self.age[0] == 0 else 0
        return np.where(asked == 0, newborn, found)

    @property
    def lives(self) -> Any:
        """How many lives the table counts."""
        return self.entered.sum().item()

    @property
    def failures(self) -> Any:
        """How many of them failed, of any cause."""
        return self.failed_total.sum().item()

    @property
    def exposure(self) -> Any:
        """Time lived under observation, in life-units (days): exits minus entries."""
        ends = self.failed_total + self.left
        return (np.dot(self.age, ends) - np.dot(self.age, self.entered)).item()

    # -- taking tables apart and together -----------------------------------------------------

    def only(self, cause: str | Sequence[str]) -> RiskTable:
        """Keep one cause (or several); lives that ended otherwise count as left."""
        wanted = [cause] if isinstance(cause, str) else list(cause)
        unknown = [name for name in wanted if name not in self.failed]
        if unknown:
            raise InputError(
                f"cause must be one of {', '.join(self.failed) or '(none)'}, "
                f"but {', '.join(unknown)} was given."
            )
        left = self.left
        for name, counts in self.failed.items():
            if name not in wanted:
                left = left + counts
        failed = {name: self.failed[name] for name in wanted}
        return self._with(failed=failed, left=left)

    def merge_causes(self, into: str = "failed", causes: Iterable[str] | None = None) -> RiskTable:
        """Count several causes as one, named ``into``; all of them when none are named."""
        chosen = list(dict.fromkeys(self.failed if causes is None else causes))
        rest = {name: n for name, n in self.failed.items() if name not in chosen}
        merged = np.zeros(self.age.shape, dtype=np.int64)
        for name in chosen:
            if name not in self.failed:
                raise InputError(f"cause must be one of {', '.join(self.failed)}, not {name}.")
            merged = merged + self.failed[name]
        if into in rest:
            merged = merged + rest.pop(into)
        return self._with(failed={into: merged, **rest})

    def rescaled(self, factor: float, unit: str) -> RiskTable:
        """The same lives in another unit of age: every age times ``factor``."""
        if not factor > 0:
            raise InputError(f"factor must be above 0, but {factor} was given.")
        return RiskTable(
            self.age * float(factor),
            self.entered,
            self.failed,
            self.left,
            unit,
            self.dropped,
            self.zero_age * float(factor),
        )

    def __add__(self, other: RiskTable) -> RiskTable:
        if not isinstance(other, RiskTable):
            return NotImplemented
        if self.unit != other.unit or self.zero_age != other.zero_age:
            raise InputError(
                "tables must share one unit of age and one zero_age, but have "
                f"{self.unit}, {self.zero_age:g} and {other.unit}, {other.zero_age:g}."
            )
        age, place = distinct_ages(np.concatenate([self.age, other.age]))
        mine, theirs = np.split(place, [self.age.size])

        def joined(one: np.ndarray | None, two: np.ndarray | None) -> np.ndarray:
            kinds = [values.dtype for values in (one, two) if values is not None]
            total = np.zeros(age.size, dtype=np.result_type(*kinds))
            if one is not None:
                total[mine] += one
            if two is not None:
                total[theirs] += two
            return total

        causes = dict.fromkeys([*self.failed, *other.failed])
        failed = {name: joined(self.failed.get(name), other.failed.get(name)) for name in causes}
        return RiskTable(
            age,
            joined(self.entered, other.entered),
            failed,
            joined(self.left, other.left),
            self.unit,
            self.dropped + other.dropped,
            self.zero_age,
        )

    def __radd__(self, other: Any) -> RiskTable:
        return self if other == 0 else NotImplemented  # so that sum() works

    def _with(self, *, failed: Mapping[str, np.ndarray], left: Any = None) -> RiskTable:
        """The same lives, their ends named otherwise: nothing that was checked can have changed."""
        made = object.__new__(RiskTable)
        totals = {"working": self.still_working, "at_risk": self.at_risk}
        values = (
            *(self.age, self.entered),
            MappingProxyType({str(c): _kept(n) for c, n in failed.items()}),
            *(self.left if left is None else _kept(left), self.unit, self.dropped, self.zero_age),
        )
        for name, value in zip(RiskTable.__slots__, (*values, totals), strict=True):
            object.__setattr__(made, name, value)
        return made

    def __str__(self) -> str:
        causes = ", ".join(f"{name} {n.sum():,}" for name, n in self.failed.items())
        span = f"{self.age[0]} to {self.age[-1]} {self.unit}" if self.age.size else "no ages"
        return (
            f"{self.lives:,} lives, {self.failures:,} failed ({causes or 'no cause'})\n"
            f"ages {span}, {self.exposure:,} {self.unit} at risk\n"
            f"{self.dropped:,} dropped: entered and left at one age"
        )


def _kept(counts: np.ndarray) -> np.ndarray:
    return counts if not counts.flags.writeable else frozen(counts)
