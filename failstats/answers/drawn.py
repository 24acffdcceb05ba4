"""What an answer says at its head: of the records, and of units that were drawn from all."""

from __future__ import annotations

from failstats.answers.result import Warning_
from failstats.warehouse.session import Session

__all__ = ["drawn", "said_of"]


def said_of(session: Session) -> list[Warning_]:
    """What every answer of this session carries."""
    return [Warning_(code=code, text=said) for code, said in session.warnings]


def drawn(session: Session) -> list[Warning_]:
    """Where not all units are gone through one by one: how many, and which figures rest on them."""
    some = session.some_units()
    if some is session:
        return []
    return [
        Warning_(
            code="units_drawn",
            text="Lives, curves and what is replaced or fails together are counted over all "
            f"{session.units():,} units. What needs the history of each unit (silent leaving and "
            "silent failures, whether units differ, what follows a repair, the vent) rests on "
            f"{some.units():,} of them, drawn by a hash of their ids, and its intervals are as "
            "wide as so many units make them; --most-units takes more.",
        )
    ]
