"""Are the headline figures what independent libraries find from the raw rows?"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, ClassVar

from failstats.answers import wording as text
from failstats.answers.causes import Causes, causes
from failstats.answers.costs import read_costs
from failstats.answers.drawn import said_of
from failstats.answers.pairs import Pairs, pairs
from failstats.answers.result import Answer
from failstats.answers.vents import Vents, vents
from failstats.answers.verify_calls import causes_again, pairs_again
from failstats.answers.verify_figures import NOT_COMPARED, Checked
from failstats.answers.verify_lives import lives_again
from failstats.answers.verify_plans import policy_again, stock_again
from failstats.answers.verify_rows import EVERY, RawRecords, raw_records, sampled
from failstats.answers.verify_vents import vents_again
from failstats.errors import FitError
from failstats.progress import Stages, each
from failstats.warehouse.drawing import share_drawn
from failstats.warehouse.session import Session

__all__ = ["Checked", "Verified", "verify"]

MOST_LIVES = 1_000_000
Known = tuple[Causes | None, Pairs | None, Vents | None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verified(Answer):
    """All figures looked at."""

    command: ClassVar[str] = "verify"
    row_type: ClassVar[type | None] = Checked

    def headline(self) -> str:
        """How many figures agree."""
        counted = self.summary
        said = (
            f"{counted['agree']} of {counted['figures']} figures agree with independent libraries "
            "on the same raw rows"
        )
        if counted["by_convention"]:
            said += f"; {counted['by_convention']} more differ by convention, and say how"
        share = counted["sampled_share"]
        if share is not None:
            said += (
                f". Both sides looked at {share:.1%} of the units, so these are not the figures of "
                "the other commands"
            )
        return said + "."

    def details(self) -> list[str]:
        """A table of figures by question, and what no library computes."""
        lines = []
        why = list(dict.fromkeys(row.why for row in self.results if row.why))
        for topic in dict.fromkeys(row.topic for row in self.results):
            rows = [_shown(row, why) for row in self.results if row.topic == topic]
            lines += [topic.capitalize(), text.table(rows)]
        lines += [text.wrap(f"({k}) {said}.") for k, said in enumerate(why, start=1)]
        lines.append(text.wrap(f"Not compared: {self.summary['not_compared']}."))
        return lines


def _shown(row: Checked, why: list[str]) -> dict[str, Any]:
    note = f" ({why.index(row.why) + 1})" if row.why else ""
    agrees = {True: "yes", False: "NO", None: "by convention"}[row.agrees]
    return {
        "figure": text.words(row.figure),
        "ours": "" if row.ours is None else f"{row.ours:.6g}",
        "theirs": "" if row.theirs is None else f"{row.theirs:.6g}",
        "library": row.library,
        "difference": "" if row.difference is None else f"{row.difference:.1e}",
        "agrees": agrees + note,
    }


READING, COMPARING = "reading the raw rows", "each question"
TIMES = {  # seconds on the demo
    "lives": 4.0, "causes": 0.4, "pairs": 12.0, "vents": 22.0, "stock": 0.2, "policy": 6.0
}  # fmt: skip


def verify(
    session: Session,
    *,
    found_causes: Causes | None = None,
    found_pairs: Pairs | None = None,
    found_vents: Vents | None = None,
    confidence_level: float = 0.95,
    progress: Callable[[str], None] | None = None,
) -> Verified:
    """Recompute the headline figures from the raw rows, with other people's libraries.

    Parameters
    ----------
    found_causes, found_pairs, found_vents : answers of this session at this level, if there are
        any already.
    confidence_level : of the intervals compared.
    progress : called with each question.

    Returns
    -------
    Verified : by question, ours, theirs, the difference (relative to theirs), and why where the
        two differ by convention. Lives, calls and states of the vent on their side are built row
        by row in plain Python (`verify_plain`), from the raw tables and not from our facts.

    Notes
    -----
    Above a million lives, or more units than are gone through one by one, units are sampled by a
    hash of their ids until no more are left; then both sides are of the sample.
    """
    stage = Stages(progress, {READING: 3.0, COMPARING: 60.0})
    stage(READING)
    count = int(_lives(session))
    share = share_drawn(session.units(), session.most_units)
    if count > MOST_LIVES:
        share = min(share or 1.0, MOST_LIVES / count)
    if share is None:
        known: Known = (found_causes, found_pairs, found_vents)
        return _verified(session, session, EVERY, None, known, confidence_level, progress, stage)
    chosen, below = sampled(session, share)
    with chosen:
        known = (None, None, None)
        return _verified(session, chosen, below, share, known, confidence_level, progress, stage)


def _lives(session: Session) -> int:
    session.build("fact_numbered_lives")
    return int(session.scalar("select count(*) from fact_numbered_lives"))


def _verified(
    asked: Session,
    session: Session,
    below: str,
    share: float | None,
    known: Known,
    level: float,
    progress: Callable[[str], None] | None,
    stage: Callable[[str], None],
) -> Verified:
    raw = raw_records(session, below)
    rows: list[Checked] = []
    stage(COMPARING)
    questions = _questions(session, raw, known, level, progress)
    for _, made in each(
        progress, questions, lambda asked: asked[0], weigh=lambda asked: TIMES[asked[0]]
    ):
        # what neither side could compute is no agreement
        rows += [row for row in made() if row.ours is not None or row.theirs is not None]
    meant = [row for row in rows if row.agrees is not None]
    return Verified(
        as_of=asked.as_of.isoformat(),
        settings={**asked.choices, "most_lives": MOST_LIVES, "confidence_level": level},
        warnings=tuple(said_of(asked)),
        summary={
            "figures": len(meant),
            "agree": sum(bool(row.agrees) for row in meant),
            "by_convention": len(rows) - len(meant),
            "sampled_share": share,
            "units": len(raw.units),
            "not_compared": NOT_COMPARED,
        },
        results=tuple(rows),
    )


def _questions(
    session: Session,
    raw: RawRecords,
    known: Known,
    level: float,
    progress: Callable[[str], None] | None,
) -> Iterator[tuple[str, Callable[[], list[Checked]]]]:
    found_causes, found_pairs, found_vents = known
    costs = read_costs()
    yield "lives", lambda: lives_again(session, raw, level)
    yield (
        "causes",
        lambda: causes_again(found_causes or causes(session, confidence_level=level), raw),
    )
    yield (
        "pairs",
        lambda: pairs_again(
            found_pairs or pairs(session, confidence_level=level, progress=progress),
            raw,
            session.vocabulary.parts,
        ),
    )
    yield "vents", lambda: _vents(session, found_vents, raw, level, progress)
    yield "stock", lambda: stock_again(session, raw, costs)
    yield "policy", lambda: policy_again(session, costs, progress)


def _vents(
    session: Session,
    found: Vents | None,
    raw: RawRecords,
    level: float,
    progress: Callable[[str], None] | None,
) -> list[Checked]:
    stage = Stages(progress, {"vents": 8.0, "vents, by other libraries": 14.0})
    try:
        stage("vents")
        ours = found or vents(session, confidence_level=level, progress=progress)
        stage("vents, by other libraries")
        return vents_again(session, ours, raw, progress)
    except FitError:  # nothing to compare: then there is no figure of ours either
        return []
