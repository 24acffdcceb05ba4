"""The commands that ask: one function per question, nothing computed here."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from failstats.cli_options import (
    analysis,
    ask_records,
    costs_file_of,
    costs_option,
    replicates_option,
)
from failstats.errors import InputError

__all__ = ["QUESTIONS"]


# --- questions ------------------------------------------------------------------------------------


def _readings(given: tuple[str, ...]) -> dict[str, str]:
    """PART=VALUE, as written."""
    found = {}
    for entry in given:
        part, sign, value = entry.partition("=")
        if not (part and sign and value):
            raise InputError(
                f"--reading must be written PART=VALUE, but is {entry!r}.",
                where="--reading",
                do="write --reading coil=9.9ohm, or coil=OL for an open circuit.",
            )
        if part.strip() in found:
            raise InputError(
                f"--reading must name each part once, but {part.strip()} stands twice.",
                where="--reading",
                do="keep one of the two.",
            )
        found[part.strip()] = value.strip()
    return found


@click.command()
@click.option("--complaint", metavar="C", help="Only this complaint, such as no_heat.")
@click.option(
    "--by",
    multiple=True,
    metavar="COL",
    help="Tell call-outs apart by: family, fuel, van_id, unit_age (repeatable).",
)
@click.option(
    "--reading",
    multiple=True,
    metavar="PART=VALUE",
    help="Only past calls on which this part read alike, such as coil=9.9ohm or cutout=OL "
    "(repeatable); shares among them, no diagnosis.",
)
@analysis
def causes(
    complaint: str | None,
    by: tuple[str, ...],
    reading: tuple[str, ...],
    confidence_level: float,
    **options: Any,
) -> None:
    """Share of each failed part and mode behind a complaint.

    \b
    Example:
      failstats causes --complaint no_heat --by fuel -w company.duckdb
      failstats causes --complaint no_heat --reading coil=9.9ohm -w company.duckdb
    """
    measured = _readings(reading)
    ask_records(
        options,
        "counting causes",
        lambda r, say: r.causes(
            complaint,
            by=by,
            reading=measured,
            confidence_level=confidence_level,
            progress=say,
        ),
    )


@click.command()
@click.option("--part", multiple=True, metavar="P", help="Only this part (repeatable).")
@click.option(
    "--by",
    multiple=True,
    metavar="COL",
    help="Tell lives apart by a column: family, fuel, first_or_later, followed_as, van_id, "
    "item_id, position, duct_material, termination (repeatable).",
)
@click.option(
    "--model",
    default="weibull",
    show_default=True,
    metavar="NAME",
    help="Law of life: weibull, exponential, lognormal, loglogistic, gamma or gompertz. Parts that "
    "fail unseen, and those they trip, keep the Weibull life of the two-state model.",
)
@click.option(
    "--births",
    default="known",
    show_default=True,
    metavar="HOW",
    help="known; assumed: parts found in units that joined later are as old as the unit; "
    "renewal: they follow the law of parts found at a random moment (contract units).",
)
@click.option(
    "--clock",
    default="days",
    show_default=True,
    metavar="CLOCK",
    help="days, or loads: lives measured in loads dried (units whose use is recorded).",
)
@replicates_option("intervals of each curve that take lives of one unit together")
@analysis
def lives(
    part: tuple[str, ...],
    by: tuple[str, ...],
    model: str,
    births: str,
    clock: str,
    replicates: int,
    confidence_level: float,
    **options: Any,
) -> None:
    """Life curves and fitted lives.

    \b
    Examples:
      failstats lives --part coil --by family -w company.duckdb
      failstats lives --part belt --replicates 500 -w company.duckdb
    """
    ask_records(
        options,
        "fitting lives",
        lambda r, say: r.lives(
            part,
            by=by,
            model=model,
            births=births,
            clock=clock,
            replicates=replicates,
            confidence_level=confidence_level,
            progress=say,
        ),
    )


@click.command()
@click.option(
    "--window",
    multiple=True,
    type=int,
    metavar="DAYS",
    help="Days after the repair to look at (repeatable) [default: 30, 90 and 365, as far as the "
    "records reach].",
)
@click.option(
    "--sensitivity",
    type=click.FloatRange(0, 1),
    metavar="SHARE",
    help="Share of bad partners that the test on the job shows; with --specificity, the share "
    "that failed together is put right for it [default: bounds].",
)
@click.option(
    "--specificity",
    type=click.FloatRange(0, 1),
    metavar="SHARE",
    help="Share of good partners that the test passes.",
)
@analysis
def pairs(
    window: tuple[int, ...],
    sensitivity: float | None,
    specificity: float | None,
    confidence_level: float,
    **options: Any,
) -> None:
    """Which parts fail and are replaced together, and what follows a single replacement.

    \b
    Example:
      failstats pairs --window 90 --window 365 -w company.duckdb
      failstats pairs --sensitivity 0.95 --specificity 1 -w company.duckdb
    """
    ask_records(
        options,
        "counting pairs",
        lambda r, say: r.pairs(
            window=window,
            sensitivity=sensitivity,
            specificity=specificity,
            confidence_level=confidence_level,
            progress=say,
        ),
    )


@click.command()
@click.option("--part", multiple=True, metavar="P", help="Only this part (repeatable).")
@click.option(
    "--control",
    multiple=True,
    metavar="P",
    help="A part that the vent cannot reach (repeatable) [default: door_switch].",
)
@click.option(
    "--cut",
    multiple=True,
    type=int,
    metavar="MONTHS",
    help="Months since the last full cleaning where a band ends (repeatable) [default: 12, 24].",
)
@click.option(
    "--edition",
    default="2021",
    show_default=True,
    metavar="YEAR",
    help="Edition of the residential code that lengths are held against, where the maker's limit "
    "is not recorded: 2000, 2015, 2018, 2021, 2024. The local authority governs.",
)
@replicates_option("an interval of each ratio by resampling beside the robust one")
@costs_option
@analysis
def vents(
    part: tuple[str, ...],
    control: tuple[str, ...],
    cut: tuple[int, ...],
    edition: str,
    replicates: int,
    costs_file: str | None,
    confidence_level: float,
    **options: Any,
) -> None:
    """Does vent neglect shorten part life, and can we believe it?

    Always beside the adjusted ratio: the crude one, controls, the cleaning still to come, years
    spent behind a neglected vent, a cleaning that acts 30 days later, and the same without
    symptom-driven or owner-reported cleanings.

    \b
    Examples:
      failstats vents --part coil --control door_switch --cut 6 --cut 18 -w company.duckdb
      failstats vents --part coil --replicates 500 -w company.duckdb
    """
    ask_records(
        options,
        "fitting hazard ratios",
        lambda r, say: r.vents(
            part,
            control=control,
            cut=cut,
            edition=edition,
            replicates=replicates,
            costs=r.costs(costs_file_of(costs_file)),
            confidence_level=confidence_level,
            progress=say,
        ),
    )


@click.command()
@click.option(
    "--file",
    "rules_file",
    metavar="FILE",
    help="Your own rules (TOML; failstats draft rules) [default: the shipped ones].",
)
@analysis
def rules(rules_file: str | None, confidence_level: float, **options: Any) -> None:
    """Grade rules of thumb against the records: supported, contradicted, cannot tell.

    \b
    Example:
      failstats rules --file our-rules.toml -w company.duckdb
    """
    ask_records(
        options,
        "grading the rules",
        lambda r, say: r.rules(
            Path(rules_file) if rules_file else None,
            confidence_level=confidence_level,
            progress=say,
        ),
    )


@click.command()
@analysis
def verify(confidence_level: float, **options: Any) -> None:
    """Recompute the headline figures with independent libraries from the raw rows.

    Lives, causes, pairs, vents, what stock and policy rest on: ours, theirs, the difference, and
    how two conventions differ. Above a million lives both sides look at a sample, and say so.

    \b
    Example:
      failstats verify -w company.duckdb
    """
    ask_records(
        options,
        "recomputing",
        lambda r, say: r.verify(confidence_level=confidence_level, progress=say),
    )


QUESTIONS = (causes, lives, pairs, vents, rules, verify)
