"""What is on a van today, and what to load or take off to have the list on board."""

from __future__ import annotations

from dataclasses import dataclass

from failstats.answers.stock_rows import Item
from failstats.answers.stock_shelf import StockShelf
from failstats.warehouse.session import Session

__all__ = ["Board", "board_items", "on_board"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """Units on board: of current items, of replaced ones by the item that took their place, and of
    items that cannot be on any list."""

    current: dict[str, int]
    replaced: dict[str, dict[str, int]]
    others: dict[str, int]

    def strangers(self, shelf: StockShelf) -> list[Item]:
        """Lines for what cannot be on any list."""
        return [
            Item(
                item_id=item,
                part="",
                families=[],
                quantity=0,
                price=0.0,
                why=(
                    "needs a workshop: take off"
                    if item in shelf.not_field_fit
                    else "not in the catalogue: take off"
                ),
                last_cycle=0,
                jobs_per_cycle=0.0,
                change=-count,
            )
            for item, count in sorted(self.others.items())
        ]


def on_board(session: Session, van: str, shelf: StockShelf) -> Board | None:
    """The count of one van; None where it was never counted."""
    frame = session.run("stg_carried")
    frame = frame[frame["van_id"] == van]
    if frame.empty:
        return None
    known = set(shelf.item_id)
    board = Board(current={}, replaced={}, others={})
    for item, count in zip(frame["item_id"], frame["quantity"].astype(int), strict=True):
        if item in known:
            board.current[item] = count
        elif shelf.replaces.get(item) in known:
            board.replaced.setdefault(shelf.replaces[item], {})[item] = count
        elif count:
            board.others[item] = count
    return board


def board_items(board: Board | None, item: str, quantity: int) -> tuple[int | None, str]:
    """What to load (or take off, negative) of an item, and what to say of replaced ones on board.

    Examples
    --------
    >>> board_items(Board(current={"b": 1}, replaced={"b": {"a": 2}}, others={}), "b", 4)
    (1, '; 2 a on board are used up first')
    """
    if board is None:
        return None, ""
    old = board.replaced.get(item, {})
    said = "".join(f"; {count} {name} on board are used up first" for name, count in old.items())
    return quantity - board.current.get(item, 0) - sum(old.values()), said
