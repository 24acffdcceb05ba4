"""How long do parts last? Life curves and fitted lives, with what the records cannot support."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from failstats.answers import wording as text
from failstats.answers.lives_fits import (
    BIRTHS,
    Asked,
    Selection,
    bracket_of,
    disagree,
    first_and_later,
    life_row,
    model_weights,
    recurrence_of,
    risk_table,
    silent_parts,
    single_life,
)
from failstats.answers.lives_rows import (
    BracketEnd,
    Comparison,
    Life,
    Lives,
)
from failstats.answers.lives_selected import (
    fitted_world_check,
    hidden_pair,
    loss_life,
    renewal_life,
)
from failstats.answers.result import Warning_
from failstats.errors import InputError
from failstats.estimate.fitted_world import Misfit
from failstats.estimate.life_families import FAMILIES
from failstats.estimate.life_models import FittedLife, NoFit, fit
from failstats.estimate.log_rank import log_rank
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
ENOUGH_ON_CONTRACT = 20  # failures; below it a fit needs a penalty, so it cannot be the headline


def parts_in(session: Session) -> list[str]:
    """The parts that the records name, in the order of the vocabulary."""
    found = set(session.run("lives_kept")["part"])
    order = [*session.vocabulary.parts, *sorted(found)]
    return [part for part in dict.fromkeys(order) if part in found]


def chosen_parts(session: Session, asked: Sequence[str]) -> list[str]:
    """The parts asked for, by any of their names; all where none was.

    Raises
    ------
    InputError : a part that the records do not name.
    """
    known = parts_in(session)
    if not asked:
        return known
    spellings = session.vocabulary.spellings("parts")
    chosen = [spellings.get(part, part) for part in asked]
    unknown = [part for part in chosen if part not in known]
    if unknown:
        raise InputError(
            f"--part must name a part of the records, but {', '.join(unknown)} is not one.",
            where="known: " + ", ".join(known),
            do="correct the word.",
        )
    return list(dict.fromkeys(chosen))


def lives(
    session: Session,
    *,
    part: Sequence[str] = (),
    by: Sequence[str] = (),
    model: str = "weibull",
    births: str = "known",
    clock: str = "days",
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
    asked = Asked(births=births, model=model, level=confidence_level, clock=clock)
    silent = silent_parts(session)
    warnings = [Warning_(code=code, text=said) for code, said in session.warnings]
    rows: list[Life] = []
    kept_all = session.run("lives_kept")
    chosen = chosen_parts(session, part)
    if clock == "loads" and not part:
        chosen = [name for name in chosen if name not in silent]
    for name in chosen:
        if progress:
            progress(name)
        kept = dict(
            zip(
                *kept_all.loc[kept_all["part"] == name, ["rule", "lives"]].to_numpy().T, strict=True
            )
        )
        rows += _part(session, asked, name, list(by), silent, kept, warnings)
    world = []
    if (births, clock, model, list(part)) == ("known", "days", "weibull", []):
        if progress:
            progress("simulating the fitted lives over the roster")
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
            text=f"The fitted lives, simulated over the roster, would not have given these records: {said}.",
        )
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Headline:
    """What a part's first row rests on."""

    selection: Selection
    found: FittedLife | NoFit | None
    label: str
    bracket: list[BracketEnd]
    curve: bool = True
    warnings: tuple[Warning_, ...] = ()


def _hidden_headline(
    session: Session, asked: Asked, part: str, pair: tuple[str, str], said: str
) -> _Headline:
    """A part that fails unseen, or the one it trips: from the two-state model, or withheld."""
    first, second = pair
    model = hidden_pair(session, first, second)
    found = model.life(part)
    selection = Selection(births=asked.births, followed=("contract",))
    bracket = model.bracket(part, asked.level)
    label = "hidden state integrated"
    if found is None:
        said += f" The two-state model could not be fitted ({model.reason}); it is withheld."
        label = "withheld: silent failure"
    elif disagree(model.lives(part)):
        said += (
            " The two-state model depends on what the tests are taken to show, beyond its interval; "
            "see the bracket. It is withheld."
        )
        found, label = None, "withheld: assumptions disagree"
    else:
        said += " The figure is the two-state model's."
    warning = Warning_(code="silent_failure", text=said)
    return _Headline(
        selection=selection,
        found=found,
        label=label,
        bracket=bracket,
        curve=False,
        warnings=(warning,),
    )


def _renewal_headline(session: Session, asked: Asked, part: str) -> _Headline:
    """Known births and parts of unknown age together, contract units only."""
    selection = Selection(births="known", followed=("contract",))
    bracket, _ = bracket_of(session, part, "known", asked.level)
    found = renewal_life(session, part)
    if isinstance(found, str):
        warning = Warning_(code="few_failures", text=f"{part}: births by renewal refused: {found}")
        return _Headline(
            selection=selection,
            found=None,
            label="withheld: births by renewal refused",
            bracket=bracket,
            warnings=(warning,),
        )
    return _Headline(selection=selection, found=found, label="births by renewal", bracket=bracket)


def _headline(session: Session, asked: Asked, part: str) -> _Headline:
    """Silent loss by default; contract units alone where the brackets disagree and give enough."""
    bracket, fits = bracket_of(session, part, asked.births, asked.level, asked.clock)
    everyone = Selection(births=asked.births, clock=asked.clock)
    contract = Selection(births=asked.births, followed=("contract",), clock=asked.clock)
    apart = disagree(fits.values())
    plain = (asked.births, asked.clock) == ("known", "days")  # what it was proven for
    loss = loss_life(session, part, asked.births) if plain else None
    if loss is not None:
        low, high = loss.interval(asked.level)["scale"]
        end = BracketEnd(
            assumption="silent_loss_integrated",
            failures=int(loss.failures),
            scale_days=loss.parameters["scale"],
            ci=(float(low), float(high)),
        )
        bracket = [end, *bracket]
    on_contract = fits["contract_units_only"]
    warnings = []
    moved = (
        f"{part}: call-out units leave without a word, and how they are treated moves the answer "
        "beyond its interval; "
    )
    if apart and on_contract.failures >= ENOUGH_ON_CONTRACT:
        warnings.append(
            Warning_(code="silent_loss", text=moved + "the figure rests on contract units alone.")
        )
        return _Headline(
            selection=contract,
            found=on_contract,
            label="contract units only",
            bracket=bracket,
            warnings=tuple(warnings),
        )
    found: FittedLife | NoFit | None = loss or fits["followed_to_the_end"]
    label = loss.label if loss is not None else ""
    if apart and loss is None:
        found, label = None, "withheld: brackets disagree"
        said = "no single figure is stated; see the bracket."
        warnings.append(Warning_(code="silent_loss", text=moved + said))
    elif apart:
        said = "the figure integrates over who has left; see the bracket."
        warnings.append(Warning_(code="silent_loss", text=moved + said))
    contract_end = next(b for b in bracket if b.assumption == "contract_units_only")
    everyone_end = next(b for b in bracket if b.assumption == "followed_to_the_end")
    share = 1 - contract_end.failures / max(everyone_end.failures, 1)
    if share > 0.5 and everyone_end.failures:
        warnings.append(
            Warning_(
                code="call_out_heavy",
                text=f"{part}: {text.share(share)} of the failures behind the figure come from "
                "call-out units, which are known only because somebody called.",
            )
        )
    return _Headline(
        selection=everyone, found=found, label=label, bracket=bracket, warnings=tuple(warnings)
    )


def _part(
    session: Session,
    asked: Asked,
    part: str,
    by: list[str],
    silent: dict[str, tuple[tuple[str, str], str]],
    kept: dict[str, int],
    warnings: list[Warning_],
) -> list[Life]:
    """The headline row of one part and the rows of its strata."""
    if asked.clock == "loads" and (part in silent or asked.births == "renewal"):
        raise InputError(
            f"lives by the loads clock need visible failures and known or assumed births, but "
            f"{part} fails unseen or is tripped, or --births is renewal.",
            where="--clock loads",
            do="leave the clock at days for this part.",
        )
    if part in silent:
        head = _hidden_headline(session, asked, part, *silent[part])
    elif asked.births == "renewal":
        head = _renewal_headline(session, asked, part)
    else:
        head = _headline(session, asked, part)
    warnings += head.warnings
    selection, found = head.selection, head.found
    tables = risk_table(session, part, selection)
    if not tables:
        return []
    table = next(iter(tables.values()))
    if isinstance(found, NoFit):
        warnings.append(
            Warning_(
                code="few_failures",
                text=f"{part}: {found.reason}; only a bound of its failure rate can be stated.",
            )
        )
    label = head.label
    if isinstance(found, FittedLife) and head.curve and found.model == "weibull":
        session.kept[f"headline {part}"] = found
    if isinstance(found, FittedLife) and asked.model != "weibull" and head.curve:
        found = fit(table, model=asked.model, cause="failed")
        label = found.label
    plain = {k: v for k, v in selection.params(part).items() if k != "bracket"}
    units = session.run("lives_units", by=[], **plain)
    strata: list[Life] = []
    compared: list[Comparison] = []
    if by and head.curve:
        strata, compared = _strata(session, asked, part, by, selection, plain)
    row = life_row(
        asked,
        part,
        {},
        table,
        found,
        unit_count=int(units["unit_count"].iloc[0]) if len(units) else 0,
        label=label,
        bracket=head.bracket,
        show_curve=head.curve,
        kept={str(k): int(v) for k, v in kept.items()},
        compared=compared,
        first_and_later=(
            first_and_later(session, part, selection, asked.level) if head.curve else []
        ),
        recurrence=recurrence_of(session, part, asked.level) if asked.clock == "days" else [],
        models=model_weights(table) if head.curve else [],
    )
    return [row, *strata]


def _strata(
    session: Session,
    asked: Asked,
    part: str,
    by: list[str],
    selection: Selection,
    plain: dict[str, Any],
) -> tuple[list[Life], list[Comparison]]:
    """One row per stratum, and the test between them."""
    tables = risk_table(session, part, selection, by)
    counts = session.run("lives_units", by=by, **plain).set_index("stratum")["unit_count"]
    rows = []
    for key, table in tables.items():
        stratum = dict(zip(by, json.loads(key), strict=True))
        found = fit(table, model=asked.model, cause="failed")
        rows.append(
            life_row(asked, part, stratum, table, found, unit_count=int(counts.get(key, 0)))
        )
    compared = []
    own = {key: table.only("failed") for key, table in tables.items()}
    if len(own) > 1 and sum(table.failures for table in own.values()) > 0:
        test = log_rank(own)
        names = [" ".join(str(v) for v in json.loads(key)) for key in own]
        compared.append(
            Comparison(
                test="log_rank", groups=names, statistic=test.statistic, p_value=test.p_value
            )
        )
    return rows, compared
