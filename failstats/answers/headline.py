"""Which life stands for a part: the one the records allow, used by every answer alike.

`lives` prints it; `stock`, `policy` and `pairs` ask for it with `headline_life`.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace

import numpy as np

from failstats.answers import wording as text
from failstats.answers.lives_fits import (
    ENOUGH_ON_CONTRACT,
    FOLLOWED,
    Asked,
    Selection,
    bracket_of,
    disagree,
    risk_table,
    silent_parts,
    single_life,
)
from failstats.answers.lives_rows import BracketEnd
from failstats.answers.lives_selected import hidden_pair, loss_life, renewal_life
from failstats.answers.result import Warning_
from failstats.estimate.life_models import FittedLife, NoFit
from failstats.estimate.life_sharing import between_variance
from failstats.estimate.stretch import read_only
from failstats.warehouse.session import Session

__all__ = ["Headline", "HeadlineLife", "headline_life", "headline_of"]

FEWEST_FAMILIES = 3  # that failed at all, before anything is said of how they differ


@dataclass(frozen=True, slots=True, kw_only=True)
class Headline:
    """What a part's first row rests on."""

    selection: Selection
    found: FittedLife | NoFit | None
    label: str
    bracket: list[BracketEnd]
    curve: bool = True
    warnings: tuple[Warning_, ...] = ()


def _hidden(
    session: Session, asked: Asked, part: str, pair: tuple[str, str], said: str
) -> Headline:
    """A part that fails unseen, or the one it trips: from the two-state model, or withheld.

    Known births and contract units always: what else was asked for is named as not applied.
    """
    first, second = pair
    selection = Selection(followed=("contract",), clock=asked.clock)
    if asked.clock == "loads":
        said += (
            " The two-state model counts days from look to look, so no life in loads is stated; "
            "ask without --clock loads."
        )
        return Headline(
            selection=selection,
            found=None,
            label="withheld: no two-state model in loads",
            bracket=[],
            curve=False,
            warnings=(Warning_(code="silent_failure", text=said),),
        )
    model = hidden_pair(session, first, second)
    found = model.life(part)
    bracket = model.bracket(part, asked.level)
    label = "hidden state integrated"
    if found is None:
        said += f" The two-state model could not be fitted ({model.reason}); it is withheld."
        label = "withheld: silent failure"
    elif disagree(model.lives(part)):
        said += (
            " The two-state model depends on what the tests are taken to show, beyond its "
            "interval; see the bracket. It is withheld."
        )
        found, label = None, "withheld: assumptions disagree"
    else:
        said += f" The figure is the two-state model's, from {model.counted()}."
    warnings = [Warning_(code="silent_failure", text=said)]
    warnings += [Warning_(code="not_applied", text=f"{part}: {one}") for one in _not_applied(asked)]
    return Headline(
        selection=selection,
        found=found,
        label=label,
        bracket=bracket,
        curve=False,
        warnings=tuple(warnings),
    )


def _not_applied(asked: Asked) -> list[str]:
    """What was asked for and cannot be had of the two-state model, each in words."""
    said = []
    if asked.model != "weibull":
        said.append(
            f"the hidden state is fitted as a Weibull life; --model {asked.model} does not apply."
        )
    if asked.by:
        said.append(
            "the hidden state is fitted on all contract units together, not group by group; "
            f"--by {' --by '.join(asked.by)} does not apply."
        )
    if asked.births != "known":
        said.append(
            f"the hidden state rests on known births; --births {asked.births} does not apply."
        )
    if asked.replicates:
        said.append("no curve is drawn; --replicates does not apply.")
    return said


def _renewal(session: Session, asked: Asked, part: str) -> Headline:
    """Known births and parts of unknown age together, contract units only."""
    selection = Selection(births="known", followed=("contract",))
    bracket, _ = bracket_of(session, part, "known", asked.level)
    found = renewal_life(session, part)
    if isinstance(found, str):
        warning = Warning_(code="few_failures", text=f"{part}: births by renewal refused: {found}")
        return Headline(
            selection=selection,
            found=None,
            label="withheld: births by renewal refused",
            bracket=bracket,
            warnings=(warning,),
        )
    warnings = []
    if asked.model != "weibull":
        said = f"births by renewal take a Weibull life; --model {asked.model} does not apply."
        warnings.append(Warning_(code="not_applied", text=f"{part}: {said}"))
    return Headline(
        selection=selection,
        found=found,
        label="births by renewal",
        bracket=bracket,
        warnings=tuple(warnings),
    )


def _visible(session: Session, asked: Asked, part: str) -> Headline:
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
        return Headline(
            selection=contract,
            found=on_contract,
            label="contract units only",
            bracket=bracket,
            warnings=tuple(warnings),
        )
    integrated = loss if asked.model == "weibull" else None
    if loss is not None and integrated is None and not apart:
        return _without_loss(asked, part, fits, bracket)
    found: FittedLife | NoFit | None = integrated or fits["followed_to_the_end"]
    label = integrated.label if integrated is not None else ""
    if apart and integrated is None:
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
    return Headline(
        selection=everyone, found=found, label=label, bracket=bracket, warnings=tuple(warnings)
    )


def _without_loss(
    asked: Asked, part: str, fits: dict[str, FittedLife | NoFit], bracket: list[BracketEnd]
) -> Headline:
    """Another law of life where silent leaving would be integrated out of a Weibull one."""
    said = f"{part}: silent leaving is integrated out of a Weibull life only; the {asked.model} "
    followed: tuple[str, ...]
    if fits["contract_units_only"].failures >= ENOUGH_ON_CONTRACT:
        followed, way, label = ("contract",), "contract_units_only", "contract units only"
        said += "one rests on contract units alone."
    else:
        followed, way, label = ("contract", "call_out"), "followed_to_the_end", FOLLOWED
        said += "one takes call-out units to be there until the records end."
    return Headline(
        selection=Selection(births=asked.births, followed=followed, clock=asked.clock),
        found=fits[way],
        label=label,
        bracket=bracket,
        warnings=(Warning_(code="silent_loss", text=said),),
    )


def headline_of(
    session: Session, asked: Asked, part: str, silent: tuple[tuple[str, str], str] | None
) -> Headline:
    """What one part's first row rests on, by the way births are counted and by how it fails."""
    if silent is not None:
        return _hidden(session, asked, part, *silent)
    if asked.births == "renewal":
        return _renewal(session, asked, part)
    return _visible(session, asked, part)


# --- for the other answers -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadlineLife:
    """One part's life as `lives` states it, for the other answers.

    Attributes
    ----------
    part, family : what was asked for; family None: all together.
    found : the life; None where no single figure is honest (`label` says why, the bracket of
        `lives` what it might be); NoFit below 5 failures.
    seen : the life by the dates failures were found on. The same as ``found`` for parts that
        fail visibly. Of parts that fail unseen and of those they trip it is no life of the part,
        but it is what jobs to come will be like in this fleet: for forecasts of demand only.
    label : how it was found, as in `lives`.
    ratio : failures of the family against what ``found`` of all families expects, drawn towards
        1 as far as families agree; 1 where none is asked for or too few failed.
    """

    part: str
    family: str | None
    found: FittedLife | NoFit | None
    seen: FittedLife | NoFit | None
    label: str
    ratio: float = 1.0

    def chance(self, age: object, *, days: float) -> np.ndarray | None:
        """Chance that a part of this age is found failed within so many days.

        Parameters
        ----------
        age : shape (n,), days since birth. days : how far ahead.

        Returns
        -------
        Shape (n,); None where nothing was fitted.
        """
        if not isinstance(self.seen, FittedLife):
            return None
        now = np.asarray(age, dtype=float)
        ahead = self.seen.cumulative_hazard(now + days) - self.seen.cumulative_hazard(now)
        return -np.expm1(-ahead)


def headline_life(session: Session, part: str, family: str | None = None) -> HeadlineLife:
    """The life that `lives` states for a part, births known, in days; once for a session.

    Parameters
    ----------
    part : a part of the records.
    family : its family; its failures against those expected move the scale, the shape is the
        part's. Thin families stay near the rest.
    """
    key = f"headline life {part}"
    if key not in session.kept:
        session.kept[key] = _whole(session, part)
    whole = session.kept[key]
    assert isinstance(whole, HeadlineLife)
    if family is None:
        return whole
    ratio = _ratios(session, whole).get(family, (1.0, 0.0))
    found, seen = _moved(whole.found, *ratio), _moved(whole.seen, *ratio)
    return replace(whole, family=family, found=found, seen=seen, ratio=ratio[0])


def _whole(session: Session, part: str) -> HeadlineLife:
    asked = Asked(births="known", model="weibull", level=0.95)
    head = headline_of(session, asked, part, silent_parts(session).get(part))
    seen = head.found if head.curve else single_life(session, part, head.selection)
    if isinstance(seen, NoFit) and head.curve is False:
        seen = single_life(session, part, Selection())
    label = head.label or (head.found.label if head.found is not None else "withheld")
    return HeadlineLife(part=part, family=None, found=head.found, seen=seen, label=label)


def _ratios(session: Session, whole: HeadlineLife) -> dict[str, tuple[float, float]]:
    """Family -> its failures against those expected, and the error of the logarithm of that."""
    key = f"headline ratios {whole.part}"
    if key not in session.kept:
        session.kept[key] = _ratios_found(session, whole)
    kept = session.kept[key]
    assert isinstance(kept, dict)
    return kept


def _ratios_found(session: Session, whole: HeadlineLife) -> dict[str, tuple[float, float]]:
    life = whole.seen
    if not isinstance(life, FittedLife):
        return {}
    seen, expected = {}, {}
    for stratum, table in risk_table(session, whole.part, Selection(), ["family"]).items():
        name = str(json.loads(stratum)[0])
        gone = life.cumulative_hazard(np.maximum(table.age, table.zero_age))
        own = table.only("failed")
        seen[name] = float(own.failures)
        expected[name] = float((own.failed_total + own.left) @ gone)
        later = table.age > 0
        expected[name] -= float(table.entered[later] @ gone[later])
    failed = [name for name, count in seen.items() if count > 0 and expected[name] > 0]
    if len(failed) < FEWEST_FAMILIES:
        return {}
    # silent leaving hides failures of all families alike: only what is apart from the rest counts
    level = sum(seen.values()) / sum(expected.values())
    log_ratio = np.array([np.log(seen[name] / expected[name] / level) for name in failed])
    variance = np.array([1 / seen[name] for name in failed])
    between = between_variance(log_ratio, variances=variance)
    weight = between / (between + variance)
    drawn = weight * log_ratio
    errors = np.sqrt(weight * variance)
    return {
        name: (float(np.exp(value)), float(error))
        for name, value, error in zip(failed, drawn, errors, strict=True)
    }


def _moved(
    life: FittedLife | NoFit | None, ratio: float, error: float
) -> FittedLife | NoFit | None:
    """The life with its hazard times a ratio that is itself known with an error."""
    if not isinstance(life, FittedLife) or life.model != "weibull":
        return life
    shape = life.parameters["shape"]
    theta, covariance = np.array(life.theta), np.array(life.covariance)
    theta[1] -= np.log(ratio) / shape
    covariance[1, 1] += (error / shape) ** 2
    return replace(life, theta=read_only(theta), covariance=read_only(covariance),
                   covariance_kind="shared by families")  # fmt: skip
