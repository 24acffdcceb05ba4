"""How long do parts last? Life curves and fitted lives, with what the records cannot support."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from failstats.answers import wording as text
from failstats.answers.drawn import drawn, said_of
from failstats.answers.headline import Headline, headline_of
from failstats.answers.lives_ages import (
    age_bands,
    between_looks,
    left_at_ages,
    plot_points,
    replaced_bounds,
)
from failstats.answers.lives_answer import Lives
from failstats.answers.lives_fits import (
    BIRTHS,
    Asked,
    Selection,
    checked_on,
    first_and_later,
    labelled,
    life_row,
    model_weights,
    risk_table,
    silent_parts,
    single_life,
)
from failstats.answers.lives_notes import filters_said, items_not_recorded, poor_fit, together
from failstats.answers.lives_recurrence import (
    mean_counts,
    recurrences,
    recurrences_apart,
    trend_with_age,
)
from failstats.answers.lives_replicates import with_replicates
from failstats.answers.lives_rows import Life
from failstats.answers.lives_selected import fitted_world_check
from failstats.answers.lives_strata import strata_rows
from failstats.answers.result import Warning_
from failstats.answers.units_differ import units_differ
from failstats.errors import InputError
from failstats.estimate.fitted_world import Misfit
from failstats.estimate.life_families import FAMILIES
from failstats.estimate.life_models import FittedLife, NoFit
from failstats.progress import Stages, each
from failstats.warehouse.session import Session

__all__ = [
    "STRATA",
    "Life",
    "Lives",
    "Selection",
    "chosen_parts",
    "lives",
    "risk_table",
    "single_life",
]

STRATA = (
    "family",
    "fuel",
    "first_or_later",
    "followed_as",
    "van_id",
    "item_id",
    "position",
    "duct_material",
    "termination",
)


def parts_in(session: Session) -> list[str]:
    """The parts that the records name, in the order of the vocabulary."""
    found = set(session.run("lives_kept")["part"])
    order = [*session.vocabulary.parts, *sorted(found)]
    return [part for part in dict.fromkeys(order) if part in found]


def chosen_parts(session: Session, asked: Sequence[str], *, option: str = "--part") -> list[str]:
    """The parts asked for by an option, by any of their names; all where none was.

    Raises
    ------
    InputError : a part that the records do not name, or no life is left at all.
    """
    known = parts_in(session)
    if not asked:
        return known
    if not known:
        filters = filters_said(session.choices)
        left = f"after {filters} no unit is left" if filters else "the records have no unit"
        raise InputError(
            f"{option} must name a part that was watched, but {left} with a life that was.",
            where=filters or option,
            do="give fewer filters." if filters else "see failstats quality for what is there.",
        )
    spellings = session.vocabulary.spellings("parts")
    chosen = [spellings.get(part, part) for part in asked]
    unknown = [part for part in chosen if part not in known]
    if unknown:
        raise InputError(
            f"{option} must name a part of the records, but {', '.join(unknown)} is not one.",
            where="known: " + ", ".join(known),
            do="correct the word.",
        )
    return list(dict.fromkeys(chosen))


COUNTING, FITTING, SIMULATING = (
    "counting lives", "a curve and a law for each part",
    "simulating the fitted lives over the roster",
)  # fmt: skip
TIMES = {COUNTING: 0.3, FITTING: 6.0, SIMULATING: 0.9}  # seconds on the demo


def lives(
    session: Session,
    *,
    part: Sequence[str] = (),
    by: Sequence[str] = (),
    model: str = "weibull",
    births: str = "known",
    clock: str = "days",
    replicates: int = 0,
    confidence_level: float = 0.95,
    progress: Callable[[str], None] | None = None,
) -> Lives:
    """How long do parts last, and how sure is that?

    Parameters
    ----------
    part : parts to look at; all of the records where empty.
    by : columns to tell lives apart by (`STRATA`).
    model : family of life laws for the headline.
    births : "known" (default); "assumed": parts found in units that joined later are taken to
        be as old as the unit; "renewal": they follow the law of parts found at a random moment
        (contract units only).
    clock : what lives are measured in: "days", or "loads" dried (units whose use is recorded).
    replicates : draw units (or buildings) anew so often, for intervals of each curve that take
        lives of one unit together (500 is enough); 0 leaves it.
    progress : called with the name of each part.

    Returns
    -------
    Lives : for each part its headline row, then one row per stratum.

    Raises
    ------
    InputError : an unknown part, column, model or way of birth.
    """
    for option, value, known in (
        ("--model", model, tuple(FAMILIES)),
        ("--births", births, (*BIRTHS, "renewal")),
        ("--clock", clock, ("days", "loads")),
        *(("--by", column, STRATA) for column in by),
    ):
        if value not in known:
            raise InputError(
                f"{option} must be one of {', '.join(known)}, but is {value!r}.",
                where=option,
                do="correct the word.",
            )
    if replicates < 0 or replicates == 1:
        raise InputError(
            f"--replicates must be 0 or at least 2, but is {replicates}.",
            where="--replicates",
            do="give 500 for 95 % intervals.",
        )
    asked = Asked(
        births=births,
        model=model,
        level=confidence_level,
        clock=clock,
        replicates=replicates,
        by=tuple(by),
    )
    whole = (births, clock, model, list(part)) == ("known", "days", "weibull", [])
    stage = Stages(progress, TIMES if whole else {COUNTING: 1.0, FITTING: 9.0})
    stage(COUNTING)
    silent = silent_parts(session)
    warnings = [*said_of(session), *drawn(session)]
    rows: list[Life] = []
    counted = {kind: session.run(f"lives_{kind}") for kind in ("kept", "moved")}
    chosen = chosen_parts(session, part)
    unmeasured = [name for name in chosen if name in silent and part]
    if clock == "loads" and (unmeasured or births == "renewal"):
        what = f"{', '.join(unmeasured)} fails unseen or is tripped"
        raise InputError(
            "lives by the loads clock need visible failures and known or assumed births, but "
            f"{what if unmeasured else '--births is renewal'}.",
            where="--clock loads",
            do=f"leave the clock at days{' for this part' if unmeasured else ''}.",
        )
    stage(FITTING)
    for name in each(progress, chosen, text.words):
        rules = {
            kind: dict(frame.loc[frame["part"] == name, ["rule", "lives"]].itertuples(index=False))
            for kind, frame in counted.items()
        }
        rows += _part(session, asked, name, silent, rules, warnings)
    warnings = together(warnings)
    world = []
    if whole:
        stage(SIMULATING)
        fits = {
            name: session.kept[f"headline {name}"]
            for name in chosen
            if f"headline {name}" in session.kept
        }
        world = fitted_world_check(session, fits)
        warnings += _misfits(world)
    settings = {
        **session.choices,
        "parts": [life.part for life in rows if not life.stratum],
        "by": list(by),
        "model": model,
        "births": births,
        "clock": clock,
        **({"replicates": replicates} if replicates else {}),
        "confidence_level": confidence_level,
    }
    summary = {
        "parts": len({life.part for life in rows}),
        "lives": sum(life.lives for life in rows if not life.stratum),
        "failures": sum(life.failures for life in rows if not life.stratum),
        "fitted_world": [
            {"figure": m.figure, "records": m.observed, "fitted": m.expected, "fits": m.fits}
            for m in world
        ],
        "refused": [life.part for life in rows if not life.stratum and life.parameters is None],
    }
    return Lives(
        as_of=session.as_of.isoformat(),
        settings=settings,
        warnings=tuple(warnings),
        summary=summary,
        results=tuple(rows),
    )


def _misfits(world: list[Misfit]) -> list[Warning_]:
    """One warning that names what the fitted lives would not have given."""
    far = [m for m in world if not m.fits]
    if not far:
        return []
    said = "; ".join(
        f"{m.figure}: {text.figure(m.observed)} in the records, {text.figure(m.expected)} expected"
        for m in far
    )
    return [
        Warning_(
            code="models_disagree",
            text="The fitted lives, simulated over the roster, would not have given these "
            f"records: {said}.",
        )
    ]


def _part(
    session: Session,
    asked: Asked,
    part: str,
    silent: dict[str, tuple[tuple[str, str], str]],
    rules: dict[str, dict[str, int]],
    warnings: list[Warning_],
) -> list[Life]:
    """The headline row of one part and the rows of its strata."""
    by = list(asked.by)
    head = headline_of(session, asked, part, silent.get(part))
    warnings += head.warnings
    selection, found = head.selection, head.found
    tables = risk_table(session, part, selection)
    if not tables:
        return []
    table = next(iter(tables.values()))
    label = head.label
    if isinstance(found, FittedLife) and head.curve and found.model == "weibull":
        session.kept[f"headline {part}"] = found
    checks = checked_on(session, part, selection, table, head.label)
    if _other_law(asked, head):
        found = single_life(session, part, selection, model=asked.model)
        label = labelled(head.label, found.label)
    if isinstance(found, NoFit):
        warnings.append(
            Warning_(
                code="few_failures",
                text=f"{part}: {found.reason}; only a bound of its failure rate can be stated.",
            )
        )
    plain = {k: v for k, v in selection.params(part).items() if k != "bracket"}
    units = session.run("lives_units", by=[], **plain)
    strata: list[Life] = []
    own = selection
    more: dict[str, Any] = {}
    repeats = recurrences(session, part, by) if asked.clock == "days" else None
    if by and head.curve:
        own = selection if "followed_as" in by else checks.selection
        alone = own.followed == ("contract",)
        strata, more["compared"] = strata_rows(
            session,
            asked,
            part,
            by,
            own,
            pooled=found,
            rests_on=checks.said if own == checks.selection or alone else "all units",
        )
        warnings += items_not_recorded(part, strata)
        more["recurrence_difference"] = recurrences_apart(repeats, asked.level)
    if head.curve:
        models = model_weights(checks.table)
        if isinstance(found, FittedLife):
            warnings += poor_fit(part, found.model, models)
        more |= {
            "first_and_later": first_and_later(session, part, checks.selection, asked.level),
            "models": models,
            "bands": age_bands(checks.table, found, asked.level),
            "plot": plot_points(checks.table, found.model) if found is not None else [],
            "life_left": left_at_ages(checks.table, found, asked.level),
            "replaced": replaced_bounds(session, part, asked, checks.selection, checks.table),
            "found_at_maintenance": between_looks(session, part, asked, checks.selection),
            "checked_on": checks.said,
        }
    row = life_row(
        asked if head.curve else replace(asked, births="known"),
        part,
        {},
        table,
        found,
        unit_count=int(units["unit_count"].iloc[0]) if len(units) else 0,
        label=label,
        bracket=head.bracket,
        show_curve=head.curve,
        rests_on="contract units only" if selection.followed == ("contract",) else "all units",
        recurrence=mean_counts(repeats, asked.level),
        recurrence_trend=trend_with_age(repeats),
        kept=rules["kept"],
        moved=rules["moved"],
        **more,
    )
    if head.curve and (asked.births, asked.clock) == ("known", "days"):
        row = replace(row, units_differ=units_differ(session, part, level=asked.level))
    if asked.replicates and head.curve:
        [row] = with_replicates(session, asked, [row], selection, [], {"[]": table})
        if strata:
            apart = risk_table(session, part, own, by)
            strata = with_replicates(session, asked, strata, own, by, apart)
    return [row, *strata]


def _other_law(asked: Asked, head: Headline) -> bool:
    """Whether the life is to be fitted again under another law than the Weibull of the headline."""
    return (
        asked.model != "weibull"
        and asked.births != "renewal"
        and head.curve
        and isinstance(head.found, FittedLife)
    )
