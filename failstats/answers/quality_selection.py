"""Which selection the records suffer from, and what it would do to the answers if left alone."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from failstats.answers import wording as text
from failstats.answers.headline import HeadlineLife, headline_life
from failstats.answers.lives_fits import Selection, silent_parts, single_life
from failstats.answers.lives_selected import gone_share
from failstats.answers.units_differ import units_differ
from failstats.estimate.life_models import FittedLife, NoFit
from failstats.progress import each
from failstats.warehouse.session import Session

__all__ = ["selection"]

Said = tuple[str, str, int, str]  # check, statement, rows, remedy


def selection(
    session: Session, progress: Callable[[str], None] | None = None
) -> tuple[list[Said], dict[str, Any]]:
    """What hides part of the truth in these records, in words and with its size.

    Parameters
    ----------
    session : the open warehouse.
    progress : called with each selection looked at.

    Returns
    -------
    Remarks as (check, statement, rows, remedy); and the figures behind them. What a selection
    does is shown on the visible part with most failures, and on each pair that fails unseen.
    """
    counts = {name: int(value) for name, value in session.run("quality_selection").iloc[0].items()}
    silent = silent_parts(session)
    example = _example(session, set(silent))
    figures: dict[str, Any] = {**counts, "example": example, "scale_days": {}}
    scales: dict[str, dict[str, float | None]] = figures["scale_days"]
    looked_at = [  # with seconds on the demo
        ("units that joined late", _late(session, counts, example, scales), 0.2),
        ("units that leave without a word", _call_out(session, counts, example, scales), 1.4),
        ("failures that nobody notices", _silent(session, silent, scales), 2.4),
        ("units that differ", _units(session, example, figures), 0.2),
    ]
    remarks = []
    for _, found, _ in each(progress, looked_at, lambda one: one[0], weigh=lambda one: one[2]):
        remarks += list(found)  # it is worked out as it is listed
    return remarks, figures


def _example(session: Session, silent: set[str]) -> str | None:
    """The part on which it is shown: most failures among those that fail visibly."""
    lives = session.run("quality_failures")
    visible = lives[~lives["part"].isin(silent)]
    return None if visible.empty else str(visible.iloc[0]["part"])


def _scale(life: FittedLife | NoFit | None) -> float | None:
    return life.parameters["scale"] if isinstance(life, FittedLife) else None


def _stated(found: HeadlineLife) -> str:
    scale = _scale(found.found)
    if scale is None:
        return f"`lives` states no single figure ({found.label})"
    return f"`lives` states {text.years(scale)} ({found.label})"


def _late(
    session: Session, counts: dict[str, int], part: str | None, scales: dict[str, Any]
) -> Iterator[Said]:
    late, units = counts["joined_late"], counts["contract_units"]
    if not late:
        return
    said = (
        f"{late:,} of {units:,} contract units ({text.share(late / units)}) joined after they were "
        "installed: parts they came with may be replacements that nobody recorded, so their age is "
        "unknown and they are left out"
    )
    if part is not None:
        assumed = single_life(session, part, Selection(births="assumed", followed=("contract",)))
        known = single_life(session, part, Selection(followed=("contract",)))
        one, two = _scale(assumed), _scale(known)
        if one is not None and two is not None:
            scales["births_assumed"], scales["births_known"] = {part: one}, {part: two}
            said += (
                f". Taken to be as old as their units, they would make the scale of the "
                f"{text.words(part)} {text.years(one)}; known births alone give {text.years(two)}"
            )
    yield (
        "selection_late_joiners",
        said,
        late,
        "Ask for `lives --births renewal` to use them by the law of parts found at a random "
        "moment; write down past replacements where the customer has papers.",
    )


def _call_out(
    session: Session, counts: dict[str, int], part: str | None, scales: dict[str, Any]
) -> Iterator[Said]:
    left, units = counts["leave_unseen_units"], counts["call_out_units"]
    if not left:
        return
    failures = counts["call_out_failures"]
    of_all = failures / max(failures + counts["contract_failures"], 1)
    said = (
        f"{left:,} of {units:,} call-out units never said that they left; {text.share(of_all)} of "
        "all failures come from call-out units"
    )
    gone = gone_share(session)
    if gone is not None:
        scales["share_expected_gone"] = gone
        said += f". Of the silent ones {text.share(gone)} are expected to have left"
    if part is not None:
        ends = {
            "followed_to_the_end": single_life(session, part, Selection()),
            "last_contact_plus_a_year": single_life(
                session, part, Selection(bracket="last_contact")
            ),
        }
        one, two = (_scale(life) for life in ends.values())
        if one is not None and two is not None:
            scales |= {name: {part: _scale(life)} for name, life in ends.items()}
            said += (
                f". Taken to be still there, they would make the scale of the {text.words(part)} "
                f"{text.years(one)}; taken to be gone a year after their last contact, "
                f"{text.years(two)}; {_stated(headline_life(session, part))}"
            )
    yield (
        "selection_silent_leaving",
        said,
        left,
        "Fill in left_on when a customer is known to have gone; ask once a year whether the unit "
        "is still there.",
    )


def _silent(
    session: Session, silent: dict[str, tuple[tuple[str, str], str]], scales: dict[str, Any]
) -> Iterator[Said]:
    for row in session.run("lives_silent").itertuples():
        part = str(row.part)
        if part not in silent:
            continue
        first = silent[part][0][0]
        effects = []
        for one in (part, first):
            life = headline_life(session, one)
            naive, ours = _scale(life.seen), _scale(life.found)
            scales.setdefault("by_day_found", {})[one] = naive
            scales.setdefault("two_state_model", {})[one] = ours
            if naive is None:
                continue
            model = "no figure is stated" if ours is None else f"its own life is {text.years(ours)}"
            effects.append(f"{text.words(one)} {text.years(naive)} by dates, {model}")
        said = (
            f"{row.silent_failures:,} of {row.failures:,} failures of the {text.words(part)} were "
            "silent: the records hold the day somebody found out"
        )
        if effects:
            said += f". Scale: {'; '.join(effects)}"
        yield (
            "selection_silent_failures",
            said,
            int(row.silent_failures),
            f"Read the {text.words(part)} and the {text.words(first)} from the two-state model "
            "alone (`lives`, `pairs`).",
        )
        passed = int(row.passed_hot + row.passed_cold_only)
        if row.passed_cold_only:
            yield (
                "selection_cold_tests",
                f"{row.passed_cold_only:,} of {passed:,} tests that the {text.words(part)} passed "
                f"({text.share(row.passed_cold_only / passed)}) were cold: they cannot show one "
                "that is stuck closed, and count as no proof that it worked",
                int(row.passed_cold_only),
                f"Test the {text.words(part)} hot.",
            )


def _units(session: Session, part: str | None, figures: dict[str, Any]) -> Iterator[Said]:
    found = None if part is None else units_differ(session, part, level=0.95)
    if found is None:
        return
    figures["frailty_variance"] = found.variance
    if found.variance is None or found.new_unit_survival_5y is None:
        return
    new, alike = found.new_unit_survival_5y, found.alike_survival_5y or 0.0
    yield (
        "selection_units_differ",
        f"units differ (frailty variance {found.variance:.2f}"
        f"{text.between(found.variance_ci, '{:.2f}'.format)}): replacements come mostly from units "
        f"that are hard on parts. In a new unit {text.share(1 - new)} of the first "
        f"{text.words(part or '')}s fail within 5 years; all lives of these units read as if units "
        f"were alike say {text.share(1 - alike)}",
        found.units,
        "Compare first and later lives within units (`lives`, units_differ) before blaming a "
        "replacement item.",
    )
