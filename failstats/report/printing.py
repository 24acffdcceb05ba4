"""Sheets to print: what each van carries, and what a technician keeps in mind, a page each."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import jinja2
import markupsafe

from failstats.errors import InputError
from failstats.report.bundle import template_text
from failstats.report.card import advice_rows
from failstats.show.text import clean, interval_text, money

__all__ = ["PAPERS", "advice_rows", "card_html", "environment", "van_list_html", "van_rows"]

PAPERS = {"a4": "A4", "letter": "letter"}
SHEET_POINTS = 630.0  # height left for lines on the shorter paper (letter), below the heading
LINE_POINTS = 2.8  # padding and rule of a line
LINE_HEIGHT = 1.25  # of the type
WOULD_HAVE = "would have finished "  # said once, in the heading of the column


def environment() -> jinja2.Environment:
    """The templates, with everything escaped unless it was made safe on purpose."""
    return jinja2.Environment(
        loader=jinja2.FunctionLoader(template_text),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
    )


def paper_name(paper: str) -> str:
    """The paper as CSS names it; refuses other words."""
    if paper not in PAPERS:
        raise InputError(
            f"paper must be one of {', '.join(PAPERS)}, but is {paper!r}.",
            where="the paper setting",
            do="choose one of them.",
        )
    return PAPERS[paper]


def _signed(change: Any) -> str:
    return "" if change is None else "same" if change == 0 else f"{change:+d}"


def _type_size(lines: int) -> float:
    """Points of type with which this many lines stay on one sheet; never under six."""
    room = (SHEET_POINTS / max(lines, 1) - LINE_POINTS) / LINE_HEIGHT
    return round(min(10.0, max(6.0, room)), 1)


def van_rows(stock_rows: Iterable[Mapping[str, Any]], *, currency: str) -> list[dict[str, Any]]:
    """The stock answer as lines of a list somebody loads a van from.

    Parameters
    ----------
    stock_rows : the results of `stock` as the JSON of the contract has them.
    currency : code of the money.
    """
    vans = []
    for row in stock_rows:
        ends = row.get("completion_ci") or (None, None)
        done = interval_text(row.get("completion"), *ends, kind="share")
        said = [
            f"{done} of the jobs finished on the first visit",
            f"{money(row.get('spend'), currency, decimals=0)} of stock",
        ]
        if row.get("jobs_expected") is not None and row.get("cycle_days") is not None:
            said.append(
                f"about {row['jobs_expected']:.0f} jobs in {row['cycle_days']:.0f} days between "
                "restocks"
            )
        lines = [
            {
                "quantity": int(item["quantity"]),
                "item_id": clean(item["item_id"]),
                "part": clean(item.get("part", "")).replace("_", " "),
                "families": ", ".join(map(clean, item.get("families") or [])).replace("*", "all"),
                "change": _signed(item.get("change")),
                "price": "" if item.get("price") is None else money(item["price"], currency),
                "why": clean(item.get("why") or "").removeprefix(WOULD_HAVE),
            }
            for item in row.get("items") or []
        ]
        name = clean(row.get("van", ""))
        name = name if name.lower().startswith("van") else f"Van {name}"
        vans.append(
            {
                "name": name[:1].upper() + name[1:],
                "summary": "; ".join(said) + ".",
                "lines": lines,
                "counted": any(line["change"] for line in lines),
                "beside": _beside(row, currency),
                "size": _type_size(len(lines)),
            }
        )
    return vans


def _beside(row: Mapping[str, Any], currency: str) -> list[str]:
    """What more money would buy, and what to leave off first."""
    said = []
    more = row.get("next_50")
    if more:
        said.append(
            f"The next {money(50, currency, decimals=0)} would buy {_counted(more['items'])}: "
            f"{100 * more['completion']:.1f} points more of the jobs finished."
        )
    for step in (row.get("drop_first") or [])[:1]:
        said.append(
            f"Leave off first: {_counted(step['items'])}, {-100 * step['completion']:.1f} points "
            "fewer."
        )
    return said


def _counted(items: Sequence[str]) -> str:
    return ", ".join(f"{items.count(name)} {clean(name)}" for name in dict.fromkeys(items))


def _styles() -> markupsafe.Markup:
    return markupsafe.Markup(template_text("page.css") + template_text("sheet.css"))


def van_list_html(
    stock_rows: Iterable[Mapping[str, Any]],
    paper: str = "a4",
    *,
    currency: str = "USD",
    as_of: str = "",
) -> str:
    """A page per van: what to load, with a box to tick.

    Parameters
    ----------
    stock_rows : the results of `stock` as the JSON of the contract has them.
    paper : "a4" or "letter".
    currency, as_of : code of the money; the date the records run to.

    Returns
    -------
    A self-contained HTML page.

    Raises
    ------
    InputError : another paper.
    """
    vans = van_rows(stock_rows, currency=currency)
    return _sheets("Van stock lists", paper, as_of, vans=vans, advice=None, cautions=())


def card_html(
    policy_rows: Iterable[Mapping[str, Any]],
    cautions: Sequence[str],
    paper: str = "a4",
    *,
    currency: str = "USD",
    as_of: str = "",
) -> str:
    """One page for the technician: what past jobs say about replacing parts, and the cautions.

    Parameters
    ----------
    policy_rows : the results of `policy` as the JSON of the contract has them.
    cautions : sentences to print on every card.
    paper : "a4" or "letter".
    currency, as_of : code of the money; the date the records run to.

    Returns
    -------
    A self-contained HTML page.

    Raises
    ------
    InputError : another paper.
    """
    advice = advice_rows(policy_rows, currency=currency)
    return _sheets(
        "Technician card", paper, as_of, vans=[], advice=advice, cautions=tuple(cautions)
    )


def _sheets(title: str, paper: str, as_of: str, **content: Any) -> str:
    page = environment().get_template("sheet_page.html.j2")
    return page.render(title=title, css=_styles(), paper=paper_name(paper), as_of=as_of, **content)
