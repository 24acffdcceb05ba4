"""What several answers of one session need, with the queries it came from."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

__all__ = ["Kept", "note_queries"]


class Kept(dict[str, Any]):
    """Fits that several answers need; whoever takes one is told which queries it came from."""

    def __init__(self, session_asked: Callable[[], list[str]]) -> None:
        super().__init__()
        self._asked = session_asked
        self._origin: dict[str, list[str]] = {}

    def __setitem__(self, key: str, value: Any) -> None:
        self._origin[key] = list(self._asked())
        super().__setitem__(key, value)

    def __getitem__(self, key: str) -> Any:
        note_queries(self._asked(), self._origin.get(key, ()))
        return super().__getitem__(key)

    def get(self, key: str, default: Any = None) -> Any:
        """As of any mapping."""
        return self[key] if key in self else default  # noqa: SIM401


def note_queries(asked: list[str], names: Iterable[str]) -> None:
    """Add names to those an answer rests on, each once, in order."""
    asked.extend(name for name in dict.fromkeys(names) if name not in asked)
