"""How often to clean the vent: what money alone says, and what is advised."""

from __future__ import annotations

from typing import Any

import numpy as np

from failstats.answers import wording as text
from failstats.answers.costs import Costs
from failstats.answers.policy_laws import SEED, YEAR_DAYS
from failstats.answers.policy_rows import ActionCost, Advice
from failstats.answers.vents import REFERENCE, VentEffect, Vents
from failstats.estimate.cleaning import cleaning_interval
from failstats.estimate.intervals import normal_quantile
from failstats.show.cautions import cautions

__all__ = ["cleaning_advice"]

BANDS = ("12_to_24", "over_24")
STARTS_DAYS = (0.0, 365.0, 730.0)
DRAWS = 400


def cleaning_advice(found: Vents, costs: Costs, prices: dict[str, float]) -> Advice | None:
    """The cleaning row: capped at yearly or the maker's interval, because fire is not priced.

    Parameters
    ----------
    found : the vents answer. costs, prices : money.

    Returns
    -------
    None where no part is shown to fail sooner behind a neglected vent.
    """
    by_part: dict[str, dict[str, VentEffect]] = {}
    for row in found.results:
        if row.role == "outcome" and row.hazard_ratio is not None and row.part in prices:
            by_part.setdefault(row.part, {})[row.contrast.removesuffix(f"_vs_{REFERENCE}")] = row
    used = {
        part: rows
        for part, rows in by_part.items()
        if set(BANDS) <= set(rows) and rows["over_24"].verdict == "shortens"
    }
    if not used:
        return None
    rates = found.summary["reference_rate_per_day"]
    money: dict[str, Any] = {
        "starts_days": STARTS_DAYS,
        "rate_per_day": [rates[part] for part in used],
        "failure_cost": [prices[part] + costs["visit.visit_cost"] for part in used],
        "cleaning_cost": costs["cleaning.full_run"],
    }
    ratios = [[1.0, *(rows[band].hazard_ratio or 1.0 for band in BANDS)] for rows in used.values()]
    best = cleaning_interval(ratios, **money)
    drawn = [cleaning_interval(m, **money) for m in _multipliers(found, list(used.values()))]
    yearly = np.array([one.advice_cost_per_day for one in drawn]) * YEAR_DAYS
    alone_yearly = np.array([one.cost_per_day for one in drawn]) * YEAR_DAYS
    pays = float(np.mean([one.money_days is not None for one in drawn]))
    level = float(found.settings.get("confidence_level", 0.95))
    ends = [(1 - level) / 2, 1 - (1 - level) / 2]
    named = ", ".join(text.words(part) for part in used)
    if best.money_days is None:
        alone = "in money alone a cleaning does not pay for itself by the parts it spares"
    else:
        alone = (
            f"in money alone, by the parts it spares ({named}), every "
            f"{text.years(best.money_days)} would do"
        )
    if 0 < pays < 1:
        alone += f"; in {text.share(pays)} of the draws some interval pays in money"
    return Advice(
        kind="cleaning",
        when="vent",
        also=None,
        recommend="always",
        threshold_days=best.advice_days,
        money_optimum_days=best.money_days,
        costs=[
            ActionCost(
                action=f"every_{best.advice_days:.0f}_days",
                per_unit_year=best.advice_cost_per_day * YEAR_DAYS,
                ci=_pair(np.quantile(yearly, ends)),
            ),
            ActionCost(
                action="never" if best.money_days is None else f"every_{best.money_days:.0f}_days",
                per_unit_year=best.cost_per_day * YEAR_DAYS,
                ci=_pair(np.quantile(alone_yearly, ends)),
            ),
        ],
        saving_per_100_jobs=None,
        saving_ci=None,
        expected_regret=None,
        regret_share_over_5_percent=None,
        runner_up=None,
        flips_if=[],
        experiment=None,
        advice_text=f"Clean the vent over its full run every {best.advice_days:.0f} days at the "
        "latest, or at the maker's interval if that is shorter: lint burns, and fire safety is not "
        f"priced here ({alone}).",
        caution=next(line for line in cautions() if line.startswith("Lint")),
        least=None,
    )


def _pair(values: np.ndarray) -> tuple[float | None, float | None]:
    """Nothing is said of the doubt of a cost that the ratios do not touch."""
    low, high = float(values[0]), float(values[1])
    return (None, None) if low == high else (low, high)


def _multipliers(found: Vents, used: list[dict[str, VentEffect]]) -> list[list[list[float]]]:
    """Draws of the hazard ratios, by their intervals; a band's draws move together in a part."""
    rng = np.random.default_rng(SEED)
    z = normal_quantile(float(found.settings.get("confidence_level", 0.95)))
    luck = rng.standard_normal((DRAWS, len(used), len(BANDS)))
    out = []
    for one in luck:
        table = []
        for rows, normal in zip(used, one, strict=True):
            line = [1.0]
            for band, deviation in zip(BANDS, normal, strict=True):
                low, high = rows[band].ci
                error = np.log(high / low) / (2 * z) if low and high else 0.0
                line.append(
                    float(rows[band].hazard_ratio or 1.0) * float(np.exp(error * deviation))
                )
            table.append(line)
        out.append(table)
    return out
