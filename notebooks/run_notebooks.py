"""Runs the notebooks against the demo company's warehouse; `--write` keeps what they print.

python notebooks/run_notebooks.py            compare with what is kept
python notebooks/run_notebooks.py --write    keep what they print now
python notebooks/run_notebooks.py --write 3_analyst.ipynb    this one alone
"""

from __future__ import annotations

import argparse
import os
import re
import tempfile
from contextlib import nullcontext
from pathlib import Path

import nbformat
from nbclient import NotebookClient

HERE = Path(__file__).resolve().parent
TOMORROW = re.compile(r"tomorrow\s+\(\d{4}-\d\d-\d\d\)")
LONGEST_WAIT = 300  # seconds for one cell


def run(path: Path, warehouse: Path) -> nbformat.NotebookNode:
    """One notebook, carried out beside the others with the demo's warehouse."""
    book = nbformat.read(path, as_version=4)
    kept = {name: os.environ.get(name) for name in ("FAILSTATS_WAREHOUSE", "COLUMNS")}
    os.environ.update(FAILSTATS_WAREHOUSE=str(warehouse), COLUMNS="100")
    try:
        client = NotebookClient(book, timeout=LONGEST_WAIT, kernel_name="python3",
                                resources={"metadata": {"path": str(HERE)}})  # fmt: skip
        client.execute()
    finally:
        for name, value in kept.items():
            os.environ.pop(name) if value is None else os.environ.update({name: value})
    return tidy(book)


def tidy(book: nbformat.NotebookNode) -> nbformat.NotebookNode:
    """Without times of day, kernels and what progress printed: the same on every machine."""
    book.metadata = {"language_info": {"name": "python"}}
    for at, cell in enumerate(book.cells):
        cell.id = f"cell-{at}"
        cell.metadata = {}
        if cell.cell_type == "code":
            cell.outputs = [o for o in cell.outputs if o.get("name") != "stderr"]
            for output in cell.outputs:
                output.pop("metadata", None)
                if "data" in output:
                    output["metadata"] = {}
                    kinds = ("text/plain", "image/png")
                    output["data"] = {k: v for k, v in output["data"].items() if k in kinds}
                    if "image/png" in output["data"]:
                        output["data"]["text/plain"] = "(a chart)"
    return book


def said(book: nbformat.NotebookNode) -> list[str]:
    """What each cell printed, pictures and tomorrow's date aside."""
    out = []
    for cell in book.cells:
        if cell.cell_type == "code":
            texts = [o.get("text") or o["data"]["text/plain"] for o in cell.outputs]
            out.append(TOMORROW.sub("tomorrow", "".join(texts)))
    return out


def notebooks() -> list[Path]:
    """All of them, in the order to read them."""
    return sorted(HERE.glob("*.ipynb"))


def main() -> None:
    """Run them all; with --write keep their output."""
    from failstats.demo import demo

    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--write", action="store_true")
    options.add_argument("names", nargs="*", help="of notebooks; all without")
    asked = options.parse_args()
    paths = [path for path in notebooks() if not asked.names or path.name in asked.names]
    if len(paths) < len(asked.names):
        raise SystemExit(f"notebooks are {', '.join(path.name for path in notebooks())}")
    with tempfile.TemporaryDirectory() as folder:
        made = demo(Path(folder), step=lambda _: nullcontext())
        for path in paths:
            book = run(path, made.warehouse)
            if asked.write:
                nbformat.write(book, path)
            elif said(book) != said(nbformat.read(path, as_version=4)):
                raise SystemExit(f"{path.name} prints something else now; see --write")
            print(path.name)


if __name__ == "__main__":
    main()
