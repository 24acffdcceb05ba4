"""What `vents` counts: failures and cleanings by the state of the vent, and what a state is."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from failstats.answers.vents_models import UNKNOWN
from failstats.errors import InputError
from failstats.warehouse.session import Session

__all__ = [
    "AHEAD_DAYS",
    "DEFAULT_MONTHS",
    "REACTION_DAYS",
    "Bands",
    "bands_of",
    "cleanings_watched",
    "failures_by_band",
    "neglect_as",
]

DEFAULT_MONTHS = (12, 24)
# Future exposure: the next cleaning within a year, after 30 days in which it may be a reaction.
REACTION_DAYS = 30
AHEAD_DAYS = 365 + REACTION_DAYS


@dataclass(frozen=True, slots=True, kw_only=True)
class Bands:
    """States of neglect: ``reference`` (the clean one), then ``rising``, then unknown.

    >>> bands_of((12, 24)).rising
    ('12_to_24', 'over_24')
    """

    months: tuple[int, ...]
    reference: str
    rising: tuple[str, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """All but the reference."""
        return (*self.rising, UNKNOWN)

    @property
    def worst(self) -> str:
        """The longest neglect."""
        return self.rising[-1]

    def days(self) -> list[int]:
        """Cut points in days, a month being a twelfth of 365."""
        return [int(np.floor(month * 365 / 12 + 0.5)) for month in self.months]


def bands_of(months: Sequence[int]) -> Bands:
    """The bands between cut points in months.

    Raises
    ------
    InputError : the cut points are not rising whole months from 1 to 120.
    """
    cuts = tuple(months)
    if not cuts or any(m < 1 or m > 120 for m in cuts) or list(cuts) != sorted(set(cuts)):
        raise InputError(
            "--cut must name rising months since the last cleaning, from 1 to 120, but is "
            f"{', '.join(map(str, cuts)) or 'empty'}.",
            where="--cut",
            do="give, for instance, --cut 12 --cut 24.",
        )
    middle = [f"{a}_to_{b}" for a, b in itertools.pairwise(cuts)]
    return Bands(months=cuts, reference=f"under_{cuts[0]}", rising=(*middle, f"over_{cuts[-1]}"))


def neglect_as(session: Session, **variables: Any) -> AbstractContextManager[None]:
    """The neglect clock seen otherwise: neglect_months, neglect_lag_days and so on."""
    return session.seen_otherwise(("fact_neglect", "fact_exposure"), **variables)


def failures_by_band(session: Session) -> pd.DataFrame:
    """part, followed_as, band, failures of lives with known birth."""
    return session.run("vents_failures")


def cleanings_watched(session: Session) -> int:
    """Cleanings of the full run on units while they were watched."""
    return int(session.run("vents_cleanings")["cleanings"].sum())
