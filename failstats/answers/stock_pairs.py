"""The pair rule in force changes what jobs need: a partner added, left in, or tested first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from failstats.errors import InputError
from failstats.warehouse.session import Session

__all__ = ["ACTIONS", "PairRule", "pair_rules", "sets_under"]

ACTIONS = ("always", "keep", "test_hot")
FEWEST_HOT_TESTS = 20  # as in `policy`


@dataclass(frozen=True, slots=True, kw_only=True)
class PairRule:
    """When the first part is replaced, what happens to the second: see `policy`.

    action : always replaced too; keep: replaced only when it has failed; test_hot: replaced when
    it has failed or, in ``bad`` of the jobs, when the hot test shows it bad.
    """

    first: str
    second: str
    action: str
    bad: float = 0.0


def pair_rules(session: Session, given: Sequence[str]) -> list[PairRule]:
    """Read FIRST+SECOND=ACTION.

    Raises
    ------
    InputError : not of that form, a part that the records do not name, too few hot tests.
    """
    known = set(session.run("lives_kept")["part"])
    spellings = session.vocabulary.spellings("parts")
    rules = []
    for entry in given:
        pair, _, action = entry.partition("=")
        first, plus, second = pair.partition("+")
        if not plus or action not in ACTIONS:
            raise InputError(
                f"--pair must be written FIRST+SECOND=ACTION, but is {entry!r}.",
                where="--pair; actions: " + ", ".join(ACTIONS),
                do="write --pair cutout+thermostat=always.",
            )
        first, second = spellings.get(first, first), spellings.get(second, second)
        strange = [part for part in (first, second) if part not in known]
        if strange or first == second:
            raise InputError(
                f"--pair must name two parts of the records, but is {entry!r}.",
                where="known: " + ", ".join(sorted(known)),
                do="correct the part.",
            )
        bad = 0.0
        if action == "test_hot":
            tests = session.run("policy_hot_tests", first=first, second=second)
            if len(tests) < FEWEST_HOT_TESTS:
                raise InputError(
                    f"--pair {entry} needs at least {FEWEST_HOT_TESTS} hot tests in the records to "
                    f"know how often they show the {second} bad, but there are {len(tests)}.",
                    where="--pair",
                    do="choose always or keep.",
                )
            bad = float(tests["bad"].mean())
        rules.append(PairRule(first=first, second=second, action=action, bad=bad))
    return rules


def sets_under(
    rules: Sequence[PairRule], needs: list[str], failed: list[str], chance: float
) -> list[str]:
    """What a job needs under the rules, where the records show what it needed without.

    Parameters
    ----------
    needs, failed : parts replaced or found failed, and found failed.
    chance : between 0 and 1, decides whether a hot test shows the partner bad.

    >>> rule = PairRule(first="cutout", second="thermostat", action="always")
    >>> sets_under([rule], ["cutout"], ["cutout"], 0.5)
    ['cutout', 'thermostat']
    """
    for rule in rules:
        if rule.first not in needs or rule.second in failed:
            continue
        without = [part for part in needs if part != rule.second]
        if rule.action == "keep":
            needs = without
        elif rule.action == "test_hot":
            needs = [*without, rule.second] if chance < rule.bad else without
        elif rule.second not in needs:
            needs = [*needs, rule.second]
    return needs
