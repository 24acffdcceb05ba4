"""Which action to recommend when the costs themselves are uncertain, and when to say "unclear".

Regret is what the recommended action costs beyond the truly cheapest one. It is measured over draws
of the parameters: two actions that cost nearly the same in every draw leave little to regret,
however often they change places.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from failstats.errors import InputError

__all__ = ["LARGE_REGRET", "Decision", "decide"]

EXPECTED_REGRET_LIMIT = 0.02  # share of the action's cost
LARGE_REGRET = 0.05  # share of the action's cost in a draw
LARGE_REGRET_LIMIT = 0.1  # share of draws


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Decision:
    """What to do, and how sure that is.

    Attributes
    ----------
    recommend : the action with the least expected cost, or ``unclear``.
    least : the action with the least expected cost, said even when unclear.
    unclear : whether the doubt is too large to recommend anything.
    expected_cost : (actions,) mean over the draws.
    expected_regret : money lost on average by choosing ``least``.
    expected_regret_share : the same, as a share of the expected cost of ``least``.
    regret_share_over_5_percent : share of draws in which the regret exceeds 5 % of the cost of
        ``least`` in that draw.
    runner_up : the action with the second least expected cost; None with a single action.
    """

    recommend: str
    least: str
    unclear: bool
    expected_cost: NDArray[np.float64]
    expected_regret: float
    expected_regret_share: float
    regret_share_over_5_percent: float
    runner_up: str | None


def decide(costs: ArrayLike, *, names: Sequence[str]) -> Decision:
    """Recommend the cheapest action, or say that the records cannot tell.

    Parameters
    ----------
    costs : (draws, actions) cost of each action under each draw of the parameters, 0 or more.
    names : of the actions, in the order of the columns.

    Returns
    -------
    A :class:`Decision`: ``unclear`` when the expected regret exceeds 2 % of the action's cost, or
    when more than a tenth of the draws regret more than 5 %. Equal expected costs: the first.

    Examples
    --------
    >>> twins = decide([[10.0, 10.01], [12.0, 11.99]], names=["keep", "always"])
    >>> twins.recommend, twins.runner_up
    ('keep', 'always')
    >>> decide([[10.0, 14.0], [14.0, 10.0]], names=["keep", "always"]).recommend
    'unclear'
    """
    table = np.array(costs, dtype=np.float64)
    if table.ndim != 2 or 0 in table.shape or table.shape[1] != len(names):
        raise InputError(
            f"costs must be a table of draws by {len(names)} actions, but has shape {table.shape}.",
            do="give one column per name.",
        )
    if len(set(names)) != len(names) or "unclear" in names:
        raise InputError(
            "names must differ from each other and from 'unclear'.", do="rename the actions."
        )
    bad = ~(np.isfinite(table) & (table >= 0))
    if bad.any():
        rows = np.flatnonzero(bad.any(axis=1))
        raise InputError(
            f"costs must be numbers of at least 0, but {int(bad.sum())} of {table.size} are not.",
            where=f"draws {', '.join(map(str, rows[:5]))}",
            do="drop the draws whose fit failed, and say how many.",
            rows=rows.tolist(),
        )
    mean = table.mean(axis=0)
    order = np.argsort(mean, kind="stable")
    least = int(order[0])
    ours = table[:, least]
    regret = ours - table.min(axis=1)
    expected = float(regret.mean())
    share = expected / float(mean[least]) if mean[least] > 0 else 0.0
    large = float(np.mean(regret > LARGE_REGRET * ours))
    unclear = share > EXPECTED_REGRET_LIMIT or large > LARGE_REGRET_LIMIT
    mean.setflags(write=False)
    return Decision(
        recommend="unclear" if unclear else names[least],
        least=names[least],
        unclear=bool(unclear),
        expected_cost=mean,
        expected_regret=expected,
        expected_regret_share=share,
        regret_share_over_5_percent=large,
        runner_up=names[int(order[1])] if len(names) > 1 else None,
    )
