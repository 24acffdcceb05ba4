"""The benchmark page shows what the benchmark files hold."""

import sys
from pathlib import Path

import pytest

BENCH = Path(__file__).parent / "bench"


@pytest.fixture
def tables(monkeypatch):
    monkeypatch.syspath_prepend(str(BENCH))
    import tables as module

    yield module
    sys.modules.pop("tables", None)


def test_every_figure_of_the_page_is_that_of_its_file(tables):
    page = (BENCH / "README.md").read_text("utf-8")
    assert page.count(".csv`") >= 4, "no table names its file any more"
    assert tables.rendered(page) == page


def test_a_changed_figure_and_an_unknown_line_are_noticed(tables):
    page = "| `curves.csv` | 10^7 lives |\n|---|---|\n| scan | 1 s |\n"
    assert tables.rendered(page) != page
    with pytest.raises(KeyError, match="no 'scam'"):
        tables.rendered(page.replace("scan", "scam"))


def test_the_growth_table_is_that_of_its_file(monkeypatch):
    monkeypatch.syspath_prepend(str(BENCH))
    import run_growth

    page = (BENCH / "README.md").read_text("utf-8")
    assert run_growth.rendered(page) == page
    changed = page.replace("| bootstrap | ", "| bootstrap | 1 s, ", 1)
    assert changed != page
    assert run_growth.rendered(changed) == page
    for name in ("run_growth", "grown_records", "made_records", "measure"):
        sys.modules.pop(name, None)
