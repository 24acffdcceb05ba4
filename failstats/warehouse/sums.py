"""Adding up what separate sets of units give, in a fixed order, few of them held at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, TypeVar

__all__ = ["in_pairs", "plus"]

Value = TypeVar("Value")


def plus(one: Any, other: Any) -> Any:
    """What two separate sets of units give together.

    Parameters
    ----------
    one, other : of one make. None: nothing of this kind is there. Numbers and arrays are added,
        tuples place by place, dicts key by key (a key may be missing on one side); anything else
        says itself how, by a method `plus`.

    >>> plus({"a": 1, "b": (2, 3.0)}, {"b": (1, 1.0), "c": None})
    {'a': 1, 'b': (3, 4.0), 'c': None}
    """
    if one is None or other is None:
        return other if one is None else one
    if hasattr(one, "plus"):
        return one.plus(other)
    if isinstance(one, dict):
        return {
            key: plus(one.get(key), other.get(key))
            for key in [*one, *(k for k in other if k not in one)]
        }
    if isinstance(one, tuple):
        return tuple(plus(a, b) for a, b in zip(one, other, strict=True))
    return one + other


def in_pairs(items: Iterable[Value], add: Callable[[Value, Value], Value]) -> Value:
    """All items added up, neighbours first: the same order of adding wherever it is done.

    Parameters
    ----------
    items : one at least; they are taken one by one, so few of them are held at once.
    add : the sum of two neighbours.

    >>> in_pairs("abcde", lambda one, other: f"({one}{other})")
    '(((ab)(cd))e)'
    """
    waiting: list[tuple[int, Value]] = []
    for item in items:
        size, value = 1, item
        while waiting and waiting[-1][0] == size:
            value = add(waiting.pop()[1], value)
            size *= 2
        waiting.append((size, value))
    while len(waiting) > 1:
        _, last = waiting.pop()
        size, before = waiting.pop()
        waiting.append((size, add(before, last)))
    return waiting[0][1]
