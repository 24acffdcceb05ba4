"""How many units are gone through one by one, and which.

Most figures are counted, and rest on every unit at any size. What cannot be counted (a hidden
state, customers who leave without a word, what a unit's parts have in common) needs the whole
history of each unit at once. Above so many units a share of them is drawn, by a hash of their ids:
the same units from a warehouse and from its partitions, whatever else is asked.
"""

from __future__ import annotations

__all__ = ["MOST_UNITS", "hash_below", "share_drawn"]

#: A choice: an answer takes minutes and less than 4 GB (tests/bench/README.md, "How cost grows").
MOST_UNITS = 100_000
HASHES = 16**8


def share_drawn(units: int, most: int) -> float | None:
    """The share of units that are drawn; None for all of them.

    >>> share_drawn(2_500, 100_000), share_drawn(400_000, 100_000), share_drawn(400_000, 0)
    (None, 0.25, None)
    """
    return most / units if 0 < most < units else None


def hash_below(share: float) -> str:
    """The md5 (hexadecimal) below which that share of all ids lies.

    >>> hash_below(0.25)
    '40000000'
    """
    return f"{int(share * HASHES):08x}"
