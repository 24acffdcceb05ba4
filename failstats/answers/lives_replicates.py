"""How sure a life curve is when whole units, or buildings, are drawn anew."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from failstats.answers.lives_fits import Asked, Selection, number, pair
from failstats.answers.lives_rows import Life, ReplicatedSurvival, Replicates
from failstats.counts.bootstrap import replicate_counts
from failstats.counts.risk_table import RiskTable
from failstats.estimate.curves import kaplan_meier
from failstats.estimate.replicates import replicated_curve
from failstats.warehouse.session import Session

__all__ = ["with_replicates"]

YEARS = (1, 2, 5, 10)
YEAR_DAYS = 365.25


def with_replicates(
    session: Session,
    asked: Asked,
    lives: Sequence[Life],
    selection: Selection,
    by: Sequence[str],
    tables: dict[str, RiskTable],
) -> list[Life]:
    """Rows of one part with percentile intervals of survival and median beside the formulas'.

    Parameters
    ----------
    lives : the rows, one per stratum by the columns `by`. selection : of their lives.
    tables : the counts of every stratum (a JSON list of its values), of which each has its curve.
    """
    counts = replicate_counts(
        session,
        by=by,
        clock=selection.clock,
        replicates=asked.replicates,
        **selection.params(lives[0].part),
    )
    level = asked.level
    days = YEAR_DAYS if selection.clock == "days" else float("inf")
    ages = np.array([year * days for year in YEARS if np.isfinite(year * days)])
    found = []
    for stratum, table in tables.items():
        if stratum not in counts.strata or not table.only("failed").failures:
            continue
        curve = kaplan_meier(table, cause="failed")
        many = replicated_curve(counts.tables(stratum), ages=ages)
        low, high = curve.interval_at(ages, confidence_level=level)
        formula = curve.quantile_interval(0.5, confidence_level=level)
        again = Replicates(
            replicates=counts.replicates,
            survival=[
                ReplicatedSurvival(
                    years=year,
                    age_days=float(age),
                    survival=number(float(curve.survival_at(age))),
                    ci=pair(ends),
                    formula_ci=pair((float(low[i]), float(high[i]))),
                    known_in=int(many.known[i]),
                )
                for i, (year, age, ends) in enumerate(
                    zip(YEARS, ages, many.survival_interval(level), strict=False)
                )
            ],
            median_days=number(curve.median()),
            median_ci=pair(many.median_interval(level)),
            median_formula_ci=pair((formula.low, formula.high)),
        )
        found.append((dict(zip(by, json.loads(stratum), strict=True)), again))
    return [
        replace(life, replicates=next((one for own, one in found if own == life.stratum), None))
        for life in lives
    ]
