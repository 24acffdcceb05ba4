"""All answers on one page that needs no network, and their tables as CSV files beside it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import markupsafe
import pandas as pd

from failstats import __version__
from failstats.errors import FailstatsError
from failstats.progress import Stages, each
from failstats.report.again import again, costs_used, named
from failstats.report.bundle import (
    chart_script,
    content_policy,
    drawing_library,
    page_spec,
    script_json,
    template_text,
)
from failstats.report.glossary import glossary
from failstats.report.pictures import apart, chart_spec, more_pictures, picture, without_small
from failstats.report.printing import advice_rows, environment, paper_name, van_rows
from failstats.report.tables import MIN_CELL, can_be_judged, csv_text, page_table, withhold_small
from failstats.report.what_if import NOW, page_panels, with_positions
from failstats.show.cautions import cautions
from failstats.show.interval_rows import POSITION
from failstats.show.text import clean

__all__ = ["QUESTIONS", "SECTIONS", "ReportFiles", "write_report"]

QUESTIONS = {
    "stock": "What should each van carry?",
    "causes": "What is behind each complaint?",
    "lives": "How long do parts last?",
    "vents": "Does a neglected vent shorten part life?",
    "pairs": "Which parts fail together, and what follows when one is replaced alone?",
    "policy": "Should a working part be replaced with the failed one?",
    "quality": "What do the records hold, and what was set aside?",
    "rules": "Which rules of thumb do the records bear out?",
}
SECTIONS = (
    ("planner", "For the van planner", ("stock", "causes")),
    ("analyst", "For the analyst", ("lives", "vents")),
    ("manager", "For the manager", ("pairs", "policy")),
    ("steward", "For the keeper of the records", ("quality", "rules")),
)
OF_ROWS = ("quality", "quality_remarks")  # tables of rows as they came in, of no unit's figures
OPENING = (
    ("What to put on the vans", ("stock",)),
    ("Does vent neglect shorten part life?", ("vents",)),
    ("Replace in pairs?", ("policy", "pairs")),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportFiles:
    """What was written: the page, its tables, its size, and how many rows were withheld."""

    page: Path
    tables: tuple[Path, ...]
    page_bytes: int
    rows_withheld: int

    def __str__(self) -> str:
        return (
            f"{self.page} ({self.page_bytes / 1e6:.1f} MB) and {len(self.tables)} tables as CSV "
            f"beside it; {self.rows_withheld} rows withheld."
        )


def _said(text: Any) -> str:
    """A sentence for the page: safe characters, and no line break between a number and its %."""
    return clean(text).replace(" %", "\u00a0%")


def _warnings(answer: Any) -> list[str]:
    said = []
    for warning in answer.warnings:
        text = getattr(warning, "text", None)
        said.append(_said(text if text is not None else warning[1]))
    return list(dict.fromkeys(said))


def _refused(answers: Mapping[str, Any]) -> int | None:
    """Rows set aside on loading, as the quality answer counts them."""
    quality = answers.get("quality")
    if quality is None:
        return None
    results = quality.to_dict()["results"]
    for holder in (results if isinstance(results, Mapping) else {}, quality.summary):
        if holder.get("quarantine_total") is not None:
            return int(holder["quarantine_total"])
    return None


def _span(answer: Any) -> str:
    first, last = answer.settings.get("records_from"), answer.settings.get("records_to")
    if first and last:
        return f"Records from {first} to {last}, as known on {answer.as_of}."
    return f"As known on {answer.as_of}."


def _origin(answer: Any, refused: int | None) -> str:
    batch = answer.settings.get("last_batch")
    loads = "" if batch is None else f" Loads 1 to {batch}." if batch > 1 else " Load 1."
    count = "" if refused is None else f" {refused:,} rows were set aside on loading."
    return _span(answer) + loads + count


def _queries(answer: Any) -> list[str]:
    """Names of the queries that counted for this answer."""
    return [clean(name) for name in answer.settings.get("queries") or ()]


def _frames(answer: Any) -> list[tuple[str, str, pd.DataFrame]]:
    """Every table an answer offers: its own and those named ``..._table``, as its chart's."""
    found = [(answer.command, f"Table: {answer.command}", answer.table())]
    for name in sorted(dir(type(answer))):
        if name.endswith("_table") and not name.startswith("_") and name != "rows_table":
            stem = name.removesuffix("_table")
            frame = getattr(answer, name)()
            if isinstance(frame, pd.DataFrame):
                found.append(
                    (
                        f"{answer.command}_{stem}",
                        f"Table: {answer.command}, {stem.replace('_', ' ')}",
                        frame,
                    )
                )
    return [(file, label, frame) for file, label, frame in found if len(frame.columns)]


def _details(answer: Any) -> str:
    lines = answer.details() if hasattr(answer, "details") else [str(answer)]
    return "\n".join(str(line) for line in lines if line)


def _headline(answer: Any, min_cell: int | None) -> str:
    """The answer in a sentence; for outsiders with the units it rests on, or withheld.

    Parameters
    ----------
    min_cell : units that a figure for outsiders must rest on; None inside the company.
    """
    if min_cell is None:
        return _said(answer.headline())
    units = answer.headline_units()
    if units is None:
        return _said(answer.headline())
    if units < min_cell:
        return f"Withheld: this answer is not known to rest on {min_cell} units or more."
    return _said(f"{answer.headline()} This rests on {units:,} units or more.")


@dataclass(slots=True)
class _Writer:
    """Collects what goes beside the page while its parts are made."""

    folder: Path
    public: bool
    min_cell: int
    refused: int | None
    warehouse: str | None
    files: list[Path]
    withheld: int = 0
    unjudged: int = 0

    def table(self, file: str, label: str, frame: pd.DataFrame) -> tuple[dict[str, Any], int]:
        """One table as CSV and for the page, and how many of its rows were withheld."""
        hidden = 0
        if self.public:
            frame, hidden = withhold_small(frame, min_cell=self.min_cell)
            self.withheld += hidden
        path = self.folder / f"{file}.csv"
        path.write_bytes(csv_text(frame).encode("utf-8"))
        self.files.append(path)
        said = ""
        if hidden:
            said = f"{hidden} rows rest on too few units and are left without figures."
        shown = {
            "label": label,
            "count": len(frame),
            "page": page_table(frame),
            "file": path.name,
            "withheld": said,
        }
        return shown, hidden

    def article(self, answer: Any) -> dict[str, Any]:
        """One answer as the template wants it."""
        tables, hidden, unjudged = [], 0, 0
        for file, label, frame in _frames(answer):
            if self.public and file not in OF_ROWS and not can_be_judged(frame):
                unjudged += 1
                continue
            shown, count = self.table(file, label, frame)
            hidden += count
            if shown["count"]:
                tables.append(shown)
        self.unjudged += unjudged
        spec, no_chart = chart_spec(answer)
        if unjudged and spec is not None:
            spec, no_chart = (
                None,
                (
                    "No chart: some of the rows it may be drawn from do not say on how many units "
                    "they rest."
                ),
            )
        if hidden and spec is not None:
            spec, no_chart = (
                None,
                (
                    f"No chart: {hidden} of the rows it is drawn from rest on fewer than "
                    f"{self.min_cell} units."
                ),
            )
        if self.public and spec is not None:
            spec = without_small(spec, self.min_cell)
        panels = [] if self.public else page_panels(answer)
        if spec is not None and panels:
            spec = with_positions(spec, answer)
        params = [] if spec is None else spec.get("params", [])
        panels_of = apart(spec) if spec is not None else []
        bare, title, notes = page_spec(panels_of[0]) if panels_of else (None, "", [])
        below = [
            picture(f"{answer.command}-{number}", one)
            for number, one in enumerate(panels_of[1:], start=2)
        ]
        return {
            "command": answer.command,
            "question": QUESTIONS.get(answer.command, answer.command),
            "headline": _headline(answer, self.min_cell if self.public else None),
            "spec": markupsafe.Markup(script_json(bare)) if bare is not None else "",
            "panels": panels,
            "chart_title": title,
            "at_today": NOW if any(p.get("name") == POSITION for p in params) else "",
            "chart_notes": notes,
            "description": (bare or {}).get("description", title),
            "no_chart": no_chart,
            "pictures": []
            if hidden or unjudged
            else below + more_pictures(answer, public=self.public, min_cell=self.min_cell),
            "tables": tables,
            # the command's words cannot be judged line by line; the tables above are
            "details": "" if self.public else _details(answer),
            "notes": _warnings(answer),
            "origin": _origin(answer, self.refused),
            "costs": None if self.public else costs_used(answer),
            "again": again(answer, self.warehouse),
            "queries": _queries(answer),
        }


def _sections(
    answers: Mapping[str, Any], writer: _Writer, progress: Callable[[str], None] | None
) -> list[dict[str, Any]]:
    placed = {command for _, _, commands in SECTIONS for command in commands}
    others = tuple(command for command in answers if command not in placed)
    found = []
    wanted = (*SECTIONS, ("others", "Further answers", others))
    inside_all = [c for _, _, commands in wanted for c in commands if c in answers]
    made = {
        command: writer.article(answers[command])
        for command in each(progress, inside_all, lambda c: f"tables and charts of {c}")
    }
    for anchor, reader, commands in wanted:
        inside = [made[c] for c in commands if c in answers]
        if inside:
            found.append({"anchor": anchor, "reader": reader, "answers": inside})
    return found


def _opening(
    answers: Mapping[str, Any], left_out: Mapping[str, Any], min_cell: int | None
) -> list[dict[str, Any]]:
    items: list[dict[str, Any]] = []
    for question, commands in OPENING:
        here = [command for command in commands if command in answers]
        if here:
            lines = [_headline(answers[command], min_cell) for command in here]
            items.append({"question": question, "lines": lines, "anchor": here[0]})
        elif commands[0] in left_out:
            fault = left_out[commands[0]]
            said = f"No answer: {fault.what.rstrip('.')}. To have one: {fault.do}"
            items.append({"question": question, "lines": [_said(said)], "anchor": None})
    return items


def _rows(answers: Mapping[str, Any], command: str) -> Sequence[Mapping[str, Any]] | None:
    return answers[command].to_dict()["results"] if command in answers else None


def write_report(
    answers: Mapping[str, Any],
    folder: Path,
    *,
    title: str,
    currency: str,
    warehouse: Path | str | None = None,
    public: bool = False,
    paper: str = "a4",
    min_cell: int = MIN_CELL,
    left_out: Mapping[str, FailstatsError] | None = None,
    progress: Callable[[str], None] | None = None,
) -> ReportFiles:
    """All answers on one page for everybody in the company, with every table beside it.

    Parameters
    ----------
    answers : command word -> answer; what is missing is left out of the page.
    folder : where report.html and the CSV files go; made if it is not there.
    title : heading of the page.
    currency : code of the company's one currency.
    warehouse : as it was named, for the commands that give each answer again; of an absolute path
        the name alone is written.
    public : for eyes outside the company: figures that rest on fewer than ``min_cell`` units are
        withheld from the tables, with the charts drawn from them; so are tables whose rows do not
        say on how many units they rest, the commands' own words, and the van lists.
    paper : "a4" or "letter".
    min_cell : units a public figure must rest on.
    left_out : command word -> why it has no answer; said where the page opens.
    progress : called with each step.

    Returns
    -------
    The files written.

    Raises
    ------
    InputError : another paper.

    Notes
    -----
    Only a table with a column unit_count, units or at_risk can be judged for ``public``. An answer
    in a sentence says on how many units it rests, or is withheld where that is fewer.
    """
    size = paper_name(paper)
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    refused = _refused(answers)
    if public:  # a van list is what the answer is
        answers = {command: answer for command, answer in answers.items() if command != "stock"}
    writer = _Writer(
        folder=folder, public=public, min_cell=min_cell, refused=refused, files=[],
        warehouse=None if warehouse is None else named(warehouse),
    )  # fmt: skip
    stage = Stages(progress, {"tables and charts": 1.0, "the page": 1.0})
    stage("tables and charts")
    sections = _sections(answers, writer, progress)
    stage("the page")
    some = next(iter(answers.values()), None)
    as_of = str(some.as_of) if some is not None else ""
    stock, policy = _rows(answers, "stock"), _rows(answers, "policy")
    if public and policy is not None:  # a rule of the card is a figure too
        policy = [
            row
            for row in policy
            if row["kind"] != "pair" or (row.get("unit_count") or 0) >= min_cell
        ]
    library, script = drawing_library(), chart_script()
    withheld = ""
    if public:
        withheld = (
            f"For readers outside the company: {writer.withheld} table rows that rest on fewer "
            f"than {min_cell} units are shown without figures; {writer.unjudged} tables whose rows "
            "do not say on how many units they rest, the commands' own words and the van lists "
            "are left out."
        )
    html = (
        environment()
        .get_template("report.html.j2")
        .render(
            title=title,
            records=_origin(some, refused) if some is not None else "No answer was given.",
            css=markupsafe.Markup(template_text("page.css") + template_text("sheet.css")),
            paper=size,
            policy=content_policy([library, script]),
            opening=_opening(
                answers, {} if left_out is None else left_out, min_cell if public else None
            ),
            sections=sections,
            cautions=cautions(),
            words=glossary(),
            vans=[] if public or stock is None else van_rows(stock, currency=currency),
            advice=None if policy is None else advice_rows(policy, currency=currency),
            as_of=as_of,
            withheld=withheld,
            version=__version__,
            library=markupsafe.Markup(library),
            script=markupsafe.Markup(script),
        )
    )
    page = folder / "report.html"
    page.write_text(html.lstrip(), encoding="utf-8", newline="\n")
    return ReportFiles(
        page=page,
        tables=tuple(writer.files),
        page_bytes=page.stat().st_size,
        rows_withheld=writer.withheld,
    )
