"""One figure, ours and theirs: what `verify` says of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = ["NOT_COMPARED", "Checked", "checked"]

# what no independent library computes; said beside the table
NOT_COMPARED = (
    "lives of parts that fail unseen (two-state model), silent leaving, van lists and pair rules: "
    "no library has them; they are held against simulation and handbooks in the project's tests"
)
# Counts and their ratios: only rounding may differ.
EXACT = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """One figure, ours and theirs.

    Attributes
    ----------
    topic : the command whose figure it is.
    difference : relative to theirs; absolute where theirs is 0.
    within : how much it may be.
    agrees : whether it is within; None where the two differ by convention, and `why` says how.
    """

    topic: str
    figure: str
    ours: float | None
    theirs: float | None
    library: str
    difference: float | None
    within: float | None
    agrees: bool | None
    why: str


def checked(
    topic: str,
    figure: str,
    ours: float | None,
    theirs: float | None,
    library: str,
    *,
    within: float = EXACT,
    why: str = "",
    convention: bool = False,
) -> Checked:
    """Compare two numbers; what only one of the two has does not agree.

    >>> checked("lives", "share", 0.5, 0.5, "lifelines").agrees
    True
    >>> checked("lives", "share", 0.5, None, "lifelines").agrees
    False
    """
    mine, other = (
        None if value is None or not np.isfinite(value) else float(value)
        for value in (ours, theirs)
    )
    difference = None
    if mine is not None and other is not None:
        difference = abs(mine - other) / (abs(other) or 1.0)
    same = (difference is not None and difference <= within) or (mine is None and other is None)
    return Checked(
        topic=topic,
        figure=figure,
        ours=mine,
        theirs=other,
        library=library,
        difference=difference,
        within=None if convention else within,
        agrees=None if convention else same,
        why=why,
    )
