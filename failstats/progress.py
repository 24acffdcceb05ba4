"""Where a long calculation is: names of steps for whoever listens, and the share that is done.

Whoever works is handed a function of one text, or None. It may be a `Measured` one, such as the
step of a command on a terminal: that is also told how far the work is, so that it can say how
much is left.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Protocol, TypeVar, runtime_checkable

__all__ = ["Measured", "Say", "Stages", "each"]

Item = TypeVar("Item")
Say = Callable[[str], None] | None


@runtime_checkable
class Measured(Protocol):
    """Who wants to know how far the work is, beside what is being done.

    span : the shares of the whole between which the present work runs.
    """

    span: tuple[float, float]

    def __call__(self, doing: str) -> None:
        """Say what is being done now."""

    def begin(self, low: float, high: float, *, place: str) -> None:
        """Work begins that leads from the share ``low`` to ``high``; ``place`` is "2 of 9"."""


def each(
    progress: Say,
    items: Iterable[Item],
    name: Callable[[Item], str] = str,
    *,
    weigh: Callable[[Item], float] | None = None,
) -> Iterator[Item]:
    """Go through ``items``, telling ``progress`` the name of each before it is worked on.

    Parameters
    ----------
    progress : who listens, or None.
    name : of an item, as a person reads it.
    weigh : the time of an item, in any unit; all take alike where None.

    Notes
    -----
    A `Measured` listener is told the share that is done. The steps of an item may themselves be
    gone through by `each` or `Stages`: they then share out the item's part of the whole.

    Examples
    --------
    >>> said = []
    >>> list(each(said.append, ["coil", "fuse"], str.upper)), said
    (['coil', 'fuse'], ['COIL', 'FUSE'])
    """
    held = list(items)
    if progress is None:
        yield from held
        return
    stage = Stages(
        progress, {at: 1.0 if weigh is None else weigh(one) for at, one in enumerate(held)}
    )
    for at, item in enumerate(held):
        stage.reach(at, name(item))
        yield item


class Stages:
    """The steps of a calculation that are unlike each other, with their usual times.

    Parameters
    ----------
    progress : who listens, or None.
    times : step -> the time it usually takes, in any unit.

    Notes
    -----
    Call it with the name of the step that begins; steps may be left out.

    Examples
    --------
    >>> said = []
    >>> stage = Stages(said.append, {"counting": 1, "fitting": 9})
    >>> stage("fitting")
    >>> said
    ['fitting']
    """

    def __init__(self, progress: Say, times: Mapping[str, float] | Mapping[int, float]) -> None:
        self._progress = progress
        self._of = len(times)
        total = sum(times.values()) or 1.0
        self._spans: dict[object, tuple[int, float, float]] = {}
        before = 0.0
        for number, (key, time) in enumerate(times.items(), start=1):
            self._spans[key] = (number, before / total, (before + time) / total)
            before += time
        self._whole = progress.span if isinstance(progress, Measured) else (0.0, 1.0)

    def __call__(self, step: str) -> None:
        """The step of that name begins."""
        self.reach(step, step)

    def reach(self, key: object, name: str) -> None:
        """The step of that key begins, and is said by ``name``."""
        number, first, last = self._spans[key]
        if isinstance(self._progress, Measured):
            low, high = self._whole
            wide = high - low
            self._progress.begin(
                low + wide * first, low + wide * last, place=f"{number} of {self._of}"
            )
        if self._progress is not None:
            self._progress(name)
