"""The house rules: layout, one-way imports, small modules, nothing that does not belong."""

from __future__ import annotations

import ast
import re
import subprocess
from pathlib import Path

import pytest

import failstats

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "failstats"
MODULES = sorted(
    p for p in PACKAGE.rglob("*.py") if "_demo" not in p.parts and "_queries" not in p.parts
)
TOP = {
    "README.md", "DEVELOPERS.md", "pyproject.toml", "failstats", "queries", "notebooks", "tests", "demo_warehouse",
    "LICENSE", "CHANGELOG.md", "CITATION.cff",
}  # fmt: skip
LONGEST = 450

# package -> what it may import from the rest of the house
MAY = {
    "errors": set(),
    "progress": set(),
    "units": {"errors"},
    "vocabulary": {"errors"},
    "settings": {"errors"},
    "warehouse": {"errors", "progress", "units", "vocabulary"},
    "intake": {"errors", "progress", "units", "vocabulary", "warehouse"},
    "counts": {"errors", "progress", "vocabulary", "warehouse"},
    "estimate": {"errors", "counts"},
    "show": {"errors", "units"},
    "answers": {"errors", "progress", "units", "vocabulary", "warehouse", "counts", "estimate", "show"},
    "records": {"errors", "progress", "vocabulary", "warehouse", "counts", "answers"},
    "report": {"errors", "progress", "show", "answers"},
    "drafts": {"errors", "intake", "answers"},
    "demo": {"errors", "intake", "answers", "records", "report", "show"},
    "cli_options": {"errors", "settings", "warehouse", "answers", "records", "report", "show"},
    "cli_questions": {"errors", "settings", "answers", "records", "show", "cli_options"},
    "cli_plans": {"errors", "settings", "answers", "records", "report", "show", "demo", "warehouse", "cli_options"},
    "cli_keeping": {"warehouse", "counts", "show", "cli_options"},
    "cli": {"errors", "settings", "vocabulary", "warehouse", "intake", "show", "demo", "drafts", "cli_keeping", "cli_options", "cli_questions", "cli_plans"},
    "__init__": {"errors", "intake", "records"},
    "__main__": {"cli"},
}  # fmt: skip


def area(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def type_checking_only(tree: ast.Module) -> set[ast.AST]:
    """Imports under `if TYPE_CHECKING:` run at no time."""
    found: set[ast.AST] = set()
    for node in ast.walk(tree):
        if (
            isinstance(node, ast.If)
            and isinstance(node.test, ast.Name)
            and node.test.id == "TYPE_CHECKING"
        ):
            found |= set(ast.walk(node))
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_run_one_way(path: Path) -> None:
    tree = ast.parse(path.read_text("utf-8"))
    skipped = type_checking_only(tree)
    mine = area(path)
    for node in ast.walk(tree):
        if node in skipped or not isinstance(node, ast.ImportFrom | ast.Import):
            continue
        names = (
            [node.module or ""]
            if isinstance(node, ast.ImportFrom)
            else [a.name for a in node.names]
        )
        for name in names:
            parts = name.split(".")
            if parts[0] != "failstats":
                continue
            if len(parts) == 1:
                imported = (
                    {a.name for a in node.names} if isinstance(node, ast.ImportFrom) else set()
                )
                assert imported <= {"__version__", *MAY}, (
                    f"{path.name} imports {imported} from failstats"
                )
                continue
            assert parts[1] == mine or parts[1] in MAY[mine], f"{mine} must not import {name}"


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_modules_are_small_and_documented(path: Path) -> None:
    text = path.read_text("utf-8")
    assert len(text.splitlines()) <= LONGEST
    assert ast.get_docstring(ast.parse(text)), "a module says what it is for"


def test_estimators_know_no_sql_and_no_chart() -> None:
    for path in (PACKAGE / "estimate").glob("*.py"):
        text = path.read_text("utf-8")
        assert not re.search(r"^\s*(import|from) (duckdb|altair)", text, re.M), path.name


def test_public_names_are_there_and_sorted() -> None:
    assert failstats.__all__ == sorted(failstats.__all__)
    for name in failstats.__all__:
        assert getattr(failstats, name) is not None


def tracked() -> list[str]:
    listing = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if listing.returncode:
        pytest.skip("not a git checkout")
    return listing.stdout.splitlines()


def test_top_level_is_as_laid_out() -> None:
    top = {name.split("/")[0] for name in tracked()}
    extra = {
        n
        for n in top
        if not n.startswith(".") and not re.fullmatch(r"requirements[a-z.-]*\.(txt|lock)", n)
    } - TOP
    assert not extra


def test_no_machine_paths_and_no_index_addresses() -> None:
    here = "tests/test_house.py"
    path = re.compile(r"(?<![\w.])/(?:work|farm|root|home)/\w")
    address = re.compile(r"--(?:extra-)?index-url|https?://(?:[\w.-]*pypi|files\.pythonhosted)")
    for name in tracked():
        file = ROOT / name
        if (
            name == here
            or file.suffix in {".png", ".gz", ".parquet", ".xlsx"}
            or not file.is_file()
        ):
            continue
        text = file.read_text("utf-8", errors="replace")
        assert not path.search(text), f"a machine's path in {name}"
        assert not address.search(text), f"an index address in {name}"


def test_every_command_has_its_module_and_queries_their_folder() -> None:
    for command in (
        "causes",
        "lives",
        "pairs",
        "vents",
        "stock",
        "policy",
        "rules",
        "quality",
        "verify",
    ):
        assert (PACKAGE / "answers" / f"{command}.py").is_file()
    for command in ("causes", "lives", "pairs", "vents", "stock", "policy", "rules", "quality"):
        assert list((ROOT / "queries" / command).glob("*.sql"))


def test_user_text_is_never_joined_into_sql() -> None:
    """Formatted SQL only with names out of the schema or the query files, in the modules named."""
    allowed = {
        "warehouse/session.py", "warehouse/store.py", "warehouse/schema.py",
        "counts/partition_files.py", "counts/partition_checks.py",  # paths, by Folder.literal
    }  # fmt: skip
    for path in MODULES:
        name = str(path.relative_to(PACKAGE))
        if name in allowed or name.startswith("intake/"):
            continue
        assert not re.search(r"execute\(\s*f[\"']", path.read_text("utf-8")), name
