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
from failstats.show.text import wrap

__all__ = ["Demo", "answer_everything", "demo", "demo_folder"]

Step = Callable[[str], AbstractContextManager[Any]]
TABLES = ("units", "jobs", "lines", "cleanings", "catalogue", "vans")
TITLE = "Fennmoor Dryer Care (an invented company)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Demo:
    """What the demo made: warehouse, costs file, report, and every answer by its command."""

    warehouse: Path
    costs: Path
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
            f"{question}\n{wrap(self.answers[command].headline(), indent='  ')}"
            for question, command in said
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
    records: Records, costs: Costs, step: Step, *, confidence_level: float = 0.95
) -> tuple[dict[str, Any], dict[str, FailstatsError]]:
    """Every answer of a warehouse, by its command; each under its own progress step.

    Parameters
    ----------
    costs : for every answer in money. step : a context manager per step.
    confidence_level : of the intervals of all answers but `quality`, which counts rows.

    Returns
    -------
    The answers, and what the records do not allow (no catalogue, no part lines): command -> why.
    """
    level: dict[str, Any] = {"confidence_level": confidence_level}
    money: dict[str, Any] = {**level, "costs": costs}
    questions: dict[str, Callable[[Any], Any]] = {
        "quality": lambda say: records.quality(limit=20, progress=say),
        "causes": lambda say: records.causes(**level, progress=say),
        "lives": lambda say: records.lives(**level, progress=say),
        "pairs": lambda say: records.pairs(**level, progress=say),
        "vents": lambda say: records.vents(**money, progress=say),
        "stock": lambda say: records.stock(**money, progress=say),
        "policy": lambda say: records.policy(**money, progress=say),
        "rules": lambda say: records.rules(**level, progress=say),
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

    The costs of the demo company lie beside it as costs.toml, to be asked with again.

    Parameters
    ----------
    folder : made if it is not there; a demo.duckdb and a costs.toml in it are replaced.
    step : a context manager per step, as `show.progress.Progress.step`.
    """
    source = demo_folder()
    folder.mkdir(parents=True, exist_ok=True)
    warehouse = folder / "demo.duckdb"
    warehouse.unlink(missing_ok=True)
    costs = folder / "costs.toml"
    costs.write_bytes((source / "costs.toml").read_bytes())
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
        answers, left_out = answer_everything(records, records.costs(costs), step)
        if left_out:
            raise next(iter(left_out.values()))
        with step("writing the report") as say:
            report = write_report(
                answers, folder, title=TITLE, currency=records.currency, warehouse=warehouse,
                paper=paper, progress=say,
            )  # fmt: skip
    return Demo(warehouse=warehouse, costs=costs, report=report, answers=answers)
