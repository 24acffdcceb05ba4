"""The demo: the invented company's records, loaded, asked and reported."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from failstats.answers.costs import Costs
from failstats.errors import FailstatsError, WarehouseError
from failstats.intake.load import load
from failstats.records import Records, open_warehouse
from failstats.report.page import ReportFiles, write_report

__all__ = ["Demo", "answer_everything", "demo", "demo_folder"]

Step = Callable[[str], AbstractContextManager[Any]]
TABLES = ("units", "jobs", "lines", "cleanings", "catalogue", "vans")
TITLE = "Fennmoor Dryer Care (an invented company)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Demo:
    """What the demo made: warehouse, report, and every answer by its command."""

    warehouse: Path
    report: ReportFiles
    answers: dict[str, Any]

    def three_answers(self) -> str:
        """The planner's, the analyst's and the manager's answer in plain words."""
        said = (
            ("What to put on the vans", "stock"),
            ("Does vent neglect shorten part life?", "vents"),
            ("Replace in pairs?", "policy"),
        )
        return "\n\n".join(
            f"{question}\n  {self.answers[command].headline()}" for question, command in said
        )


def demo_folder() -> Path:
    """Where the demo company lies: in the installed package, else in the checkout."""
    package = Path(__file__).resolve().parent
    for folder in (package / "_demo", package.parent / "demo_warehouse"):
        if (folder / "data").is_dir():
            return folder
    raise WarehouseError(
        "the demo's records must be installed with the package, but none were found.",
        where=str(package),
        do="install failstats again.",
    )


def answer_everything(
    records: Records, costs: Costs, step: Step
) -> tuple[dict[str, Any], dict[str, FailstatsError]]:
    """Every answer of a warehouse, by its command; each under its own progress step.

    Returns
    -------
    The answers, and what the records do not allow (no catalogue, no part lines): command -> why.
    """
    questions: dict[str, Callable[[Any], Any]] = {
        "quality": lambda say: records.quality(limit=20, progress=say),
        "causes": lambda say: records.causes(progress=say),
        "lives": lambda say: records.lives(progress=say),
        "pairs": lambda say: records.pairs(progress=say),
        "vents": lambda say: records.vents(progress=say),
        "stock": lambda say: records.stock(costs=costs, progress=say),
        "policy": lambda say: records.policy(costs=costs, progress=say),
        "rules": lambda say: records.rules(progress=say),
    }
    answers: dict[str, Any] = {}
    left_out: dict[str, FailstatsError] = {}
    for number, (command, ask) in enumerate(questions.items(), start=1):
        with step(f"answering {command} ({number} of {len(questions)})") as say:
            try:
                answers[command] = ask(say)
            except FailstatsError as fault:
                left_out[command] = fault
    return answers, left_out


def demo(folder: Path, *, step: Step, paper: str = "a4") -> Demo:
    """Build FOLDER/demo.duckdb from the committed records, ask everything, write the report.

    Parameters
    ----------
    folder : made if it is not there; a demo.duckdb in it is replaced.
    step : a context manager per step, as `show.progress.Progress.step`.
    """
    source = demo_folder()
    folder.mkdir(parents=True, exist_ok=True)
    warehouse = folder / "demo.duckdb"
    warehouse.unlink(missing_ok=True)
    with step("loading the demo company's records") as say:
        load(
            warehouse,
            [source / "data" / f"{name}.csv" for name in TABLES],
            mapping=source / "mapping.toml",
            progress=say,
        )
    with step("counting lives and spans"):
        records = open_warehouse(warehouse)
    with records:
        answers, left_out = answer_everything(records, records.costs(source / "costs.toml"), step)
        if left_out:
            raise next(iter(left_out.values()))
        with step("writing the report") as say:
            report = write_report(
                answers, folder, title=TITLE, currency=records.currency, paper=paper,
                progress=say,
            )  # fmt: skip
    return Demo(warehouse=warehouse, report=report, answers=answers)
