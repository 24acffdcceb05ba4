"""Lives told apart by a column: a row per stratum, leaning on each other, and tests between."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from failstats.answers.lives_ages import age_bands, left_at_ages, plot_points
from failstats.answers.lives_clusters import clustered
from failstats.answers.lives_fits import (
    CONFOUNDED,
    TWO_LIVES_SHARE,
    Asked,
    Selection,
    labelled,
    life_row,
    parameters_of,
    risk_table,
    share_with_two_lives,
)
from failstats.answers.lives_rows import Comparison, Life, ShapePull, Shared
from failstats.counts.risk_table import RiskTable
from failstats.errors import FailstatsError, FitError
from failstats.estimate.life_models import (
    FEW_FAILURES,
    FittedLife,
    NoFit,
    ShapePenalty,
    fit,
)
from failstats.estimate.life_sharing import SharedFamilies, shrink_families
from failstats.estimate.log_rank import log_rank
from failstats.warehouse.session import Session

__all__ = ["strata_rows"]

#: Where fewer than three other strata say how shapes differ: a standard deviation of 0.3 of log
#: shape about the part's own, assumed, no source.
ASSUMED_DEVIATION = 0.3
#: Strata of these columns are no draws from one urn, so none leans on the others.
NOT_ALIKE = ("first_or_later", "followed_as")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Leaning:
    """What the strata say together: each one's shared life, and where thin shapes are drawn to."""

    shared: SharedFamilies | None
    pulls: dict[str, ShapePull]


def strata_rows(
    session: Session,
    asked: Asked,
    part: str,
    by: list[str],
    selection: Selection,
    *,
    pooled: FittedLife | NoFit | None,
    rests_on: str,
) -> tuple[list[Life], list[Comparison]]:
    """One row per stratum, and the tests between them.

    Parameters
    ----------
    pooled : the life of all strata together, towards whose shape thin strata are drawn.
    rests_on : which units these lives come from.
    """
    tables = risk_table(session, part, selection, by)
    plain = {k: v for k, v in selection.params(part).items() if k != "bracket"}
    units = session.run("lives_units", by=by, **plain).set_index("stratum")
    fits: dict[str, FittedLife | NoFit] = {}
    pulls: dict[str, ShapePull] = {}
    free = {key: fit(table, model=asked.model, cause="failed") for key, table in tables.items()}
    leaning = _lean(by, free, pooled)
    for key, found in free.items():
        pull = leaning.pulls.get(key)
        if pull is not None:
            penalty = ShapePenalty(centre=pull.log_shape, variance=pull.variance)
            found = fit(tables[key], model=asked.model, cause="failed", penalty=penalty)
            if isinstance(found, FittedLife) and found.penalty is not None:
                pulls[key] = pull
        fits[key] = found
    prices = _prices(session, part) if by == ["item_id"] else {}
    several = share_with_two_lives(units) > TWO_LIVES_SHARE
    together = {
        key: found
        for key, found in fits.items()
        if isinstance(found, FittedLife) and several.get(key, False)
    }
    fits |= clustered(session, part, selection, together, by)
    lives = []
    for key, table in tables.items():
        found = fits[key]
        stratum = dict(zip(by, json.loads(key), strict=True))
        row = life_row(
            asked,
            part,
            stratum,
            table,
            found,
            unit_count=int(units["unit_count"].get(key, 0)),
            label=labelled(rests_on, found.label),
            rests_on=rests_on,
        )
        model = found.model if isinstance(found, FittedLife) else asked.model
        lives.append(
            replace(
                row,
                shared=_shared(leaning.shared, key, asked),
                shape_penalty=pulls.get(key),
                price=prices.get(stratum.get("item_id")),
                bands=age_bands(table, found, asked.level),
                plot=plot_points(table, model),
                life_left=left_at_ages(table, found, asked.level),
                checked_on=rests_on,
            )
        )
    return lives, _compare(session, part, by, selection, tables)


def _lean(
    by: Sequence[str],
    fits: Mapping[str, FittedLife | NoFit],
    pooled: FittedLife | NoFit | None,
) -> _Leaning:
    """How far strata agree, and what that says of thin ones: the others alone speak of those."""
    alike = {key: one for key, one in fits.items() if None not in json.loads(key)}
    if set(by) & set(NOT_ALIKE):
        return _Leaning(shared=None, pulls={})
    shared = _share(alike)
    pulls = {}
    for key, one in alike.items():
        if not isinstance(one, FittedLife) or one.failures > FEW_FAILURES:
            continue
        others = _share({name: other for name, other in alike.items() if name != key})
        if one.family.shape_index is None:
            continue
        if others is not None:
            penalty = others.shape_penalty()
            pulls[key] = ShapePull(
                log_shape=penalty.centre, variance=penalty.variance, origin="the other strata"
            )
        elif isinstance(pooled, FittedLife) and pooled.model == one.model:
            at = pooled.family.shape_index
            assert at is not None
            pulls[key] = ShapePull(
                log_shape=float(pooled.family.shape_sign * pooled.theta[at]),
                variance=float(ASSUMED_DEVIATION**2 + pooled.covariance[at, at]),
                origin="the part as a whole, deviation assumed",
            )
    return _Leaning(shared=shared, pulls=pulls)


def _share(fits: Mapping[str, FittedLife | NoFit]) -> SharedFamilies | None:
    try:
        return shrink_families(fits)
    except FitError:  # fewer than three fitted strata
        return None


def _shared(shared: SharedFamilies | None, key: str, asked: Asked) -> Shared | None:
    if shared is None or key not in shared.names:
        return None
    limits = shared.interval(key, confidence_level=asked.level)
    at = list(limits).index("scale") if "scale" in limits else 0
    return Shared(
        parameters=parameters_of(shared.parameters(key)),
        parameters_ci=parameters_of(
            {name: (float(low), float(high)) for name, (low, high) in limits.items()}
        ),
        own_weight=float(shared.own_weight[shared.names.index(key), at]),
    )


def _prices(session: Session, part: str) -> dict[Any, float]:
    """What each item costs, by its id: of the catalogue, else as paid."""
    rows = session.run("lives_prices", part=part)
    listed = rows["listed"].astype(float)
    paid = rows["paid_total"].astype(float) / rows["paid_lines"].astype(float)
    return dict(zip(rows["item_id"], listed.fillna(paid), strict=True))


def _compare(
    session: Session,
    part: str,
    by: list[str],
    selection: Selection,
    tables: Mapping[str, RiskTable],
) -> list[Comparison]:
    """Log-rank between strata; of one column other than family, within families too."""
    note = CONFOUNDED if "first_or_later" in by else ""
    named = {key: table for key, table in tables.items() if None not in json.loads(key)}
    own = {key: table.only("failed") for key, table in named.items()}
    out = []
    names = {key: " ".join(_said(v) for v in json.loads(key)) for key in own}
    try:
        test = log_rank(own)
        out.append(
            Comparison(
                test="log_rank",
                groups=[names[str(key)] for key in test.groups],
                statistic=test.statistic,
                p_value=test.p_value,
                note=note,
            )
        )
    except FailstatsError:  # one stratum, or none failed while two were at risk
        return []
    if len(by) == 1 and by[0] != "family":
        apart = risk_table(session, part, selection, [*by, "family"])
        apart = {key: table for key, table in apart.items() if None not in json.loads(key)}
        keys = [json.loads(key) for key in apart]
        try:
            test = log_rank(
                [table.only("failed") for table in apart.values()],
                groups=[_said(key[0]) for key in keys],
                strata=[_said(key[1]) for key in keys],
            )
        except FailstatsError:
            return out
        out.append(
            Comparison(
                test="log_rank",
                groups=[str(group) for group in test.groups],
                statistic=test.statistic,
                p_value=test.p_value,
                within="family",
                note=note,
            )
        )
    return out


def _said(value: Any) -> str:
    return "not recorded" if value is None else str(value)
