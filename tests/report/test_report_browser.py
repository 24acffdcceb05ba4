"""The page and the sheets in a real browser, where the machine has one (Debian's chromium)."""

import os
import re
import shutil
import subprocess

import pandas as pd
import pytest

from failstats.report.page import write_report
from failstats.report.printing import card_html, van_list_html
from failstats.show import charts
from failstats.show.cautions import cautions

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
LONGEST_WAIT = 60  # seconds; a page takes about two
MOST_ITEMS = 60  # lines on one van's sheet; a van of the demo has about a dozen

pytestmark = pytest.mark.skipif(BROWSER is None, reason="no Chromium on this machine")


class Answer:
    """The least an answer must be."""

    as_of = "2023-12-31"
    settings: dict = {}  # noqa: RUF012
    warnings: tuple = ()
    summary: dict = {}  # noqa: RUF012

    def __init__(self, command, frame, chart):
        self.command, self._frame, self._chart = command, frame, chart

    def headline(self):
        return "One sentence."

    def table(self):
        return self._frame

    def chart(self):
        return self._chart

    def to_dict(self):
        return {"results": []}


def browse(tmp_path, *options):
    """Run the browser once with a new profile; standard output and error as text."""
    profile = tmp_path / "profile"
    done = subprocess.run(
        [
            BROWSER,
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--enable-logging=stderr",
            "--virtual-time-budget=20000",
            f"--user-data-dir={profile}",
            *options,
        ],
        capture_output=True,
        timeout=LONGEST_WAIT,
        check=True,
        env={**os.environ, "HOME": str(tmp_path)},
    )
    return done.stdout.decode("utf-8", "replace"), done.stderr.decode("utf-8", "replace")


def pages_of(tmp_path, html):
    """How many sheets of paper a page takes."""
    source, target = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
    source.write_text(html, encoding="utf-8")
    browse(tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={target}", source.as_uri())
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", target.read_bytes()))


def test_every_chart_is_drawn_and_nothing_complains(tmp_path):
    shares = pd.DataFrame(
        {"label": ["coil", "</script><b>"], "share": [0.5, 0.3], "low": [0.4, 0.2], "high": 0.6}
    )
    steps = pd.DataFrame(
        {
            "series": ["coil"] * 3 + ["fuse"] * 3,
            "age_days": [100.0, 900.0, 1800.0] * 2,
            "survival": [0.9, 0.8, 0.7, 0.95, 0.9, 0.85],
            "low": 0.6,
            "high": 0.97,
            "at_risk": [500, 400, 100] * 2,
        }
    )
    costs = pd.DataFrame(
        {"when": ["a", "a", "b"], "action": ["keep", "always", "keep"], "cost": [3.0, 2.0, 1.0]}
    ).assign(low=0.5, high=4.0)
    answers = {
        "causes": Answer("causes", shares, charts.shares(shares, label="part", title="t")),
        "lives": Answer("lives", steps, charts.life_curve(steps, title="t")),
        "policy": Answer("policy", costs, charts.cost_bars(costs)),
    }
    files = write_report(answers, tmp_path, title="t", currency="USD")
    dom, log = browse(tmp_path, "--dump-dom", files.page.as_uri())
    assert 'data-charts="drawn"' in dom
    boxes = re.findall(r'<div class="chart[^>]*>(.{0,200})', dom, flags=re.DOTALL)
    assert len(boxes) == 2 * len(answers)  # each once for the screen and once for paper
    assert all("<svg" in box for box in boxes)
    complaints = [line for line in log.splitlines() if "CONSOLE" in line]
    assert complaints == []


def test_a_van_takes_one_page_each(tmp_path):
    items = [
        {
            "item_id": f"K-{i}",
            "part": "door_switch",
            "families": ["E1", "E2", "E3"],
            "quantity": 2,
            "change": -1,
        }
        for i in range(MOST_ITEMS)
    ]
    vans = [{"van": f"V{i}", "items": items[: MOST_ITEMS // (i + 1)]} for i in range(3)]
    assert pages_of(tmp_path, van_list_html(vans, "letter")) == 3


def test_the_card_is_one_page(tmp_path):
    rows = [
        {
            "kind": "pair",
            "when": "cutout",
            "also": part,
            "recommend": "always",
            "saving_per_100_jobs": 812.3,
            "saving_ci": [310, 1290],
            "regret_share_over_5_percent": 0.08,
        }
        for part in ("thermostat", "fuse", "coil", "belt", "roller", "motor", "board", "igniter")
    ]
    for paper in ("a4", "letter"):
        assert pages_of(tmp_path, card_html(rows, cautions(), paper)) == 1
