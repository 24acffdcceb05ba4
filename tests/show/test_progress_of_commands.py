"""What takes its time says what it is at and how much is left, and never runs backwards."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

import pytest

import failstats
from failstats.counts.partition_files import split
from failstats.intake.remove import forget, unload
from failstats.progress import Measured
from failstats.warehouse.backup import backup, restore

PACKAGE = Path(failstats.__file__).parent
# what is left of an answer can be said from here on
EARLY = 0.35


def rises(shares: list[float]) -> bool:
    return all(before <= after for before, after in pairwise(shares)) and shares[-1] < 1


def test_every_answer_of_the_demo_says_how_far_it_is(made, heard):
    answers = {label: one for label, one in heard.items() if label.startswith("answering")}
    assert [label.split()[1] for label in answers] == list(made.answers)
    assert [label[-8:] for label in answers] == [f"({k} of 8)" for k in range(1, 9)]
    for label, one in heard.items():
        if label == "counting lives and spans":  # a moment
            continue
        shares = [share for share, _ in one]
        assert rises(shares), label
        assert 0 < min(share for share in shares if share) < EARLY, label
        assert shares[-1] >= 0.5, label
    said = [text for _, text in heard["answering policy (7 of 8)"]]
    assert "cutout and thermostat: the last two years under each rule" in said
    assert said[-1] == "cleaning"  # the vents answer is known by then
    quality = [text for _, text in heard["answering quality (1 of 8)"]]
    assert "units that leave without a word" in quality
    assert any(text.startswith("check ") for text in quality)


def test_what_keeps_the_warehouse_says_how_far_it_is(tmp_path, listener):
    records = tmp_path / "in"
    records.mkdir()
    (records / "units.csv").write_text("unit_id,family\nu1,e1\nu2,e1\n")
    (records / "jobs.csv").write_text(
        "job_id,unit_id,visited_on\nj1,u1,2024-01-02\nj2,u2,2024-02-02\n"
    )
    assert isinstance(listener, Measured)
    warehouse, copy = tmp_path / "w.duckdb", tmp_path / "copy.duckdb"
    failstats.load(warehouse, [records], progress=listener)
    said = [text for _, text in listener.said]
    assert [text for text in said if text.endswith("jobs.csv")] == ["reading jobs.csv"]
    assert rises(listener.shares())
    for work in (
        lambda say: backup(warehouse, copy, progress=say),
        lambda say: split(warehouse, tmp_path / "parts", parts=3, progress=say),
        lambda say: forget(warehouse, "u2", progress=say),
        lambda say: unload(warehouse, 1, progress=say),
        lambda say: restore(warehouse, copy, progress=say),
    ):
        listener.span, listener.said = (0.0, 1.0), []
        if work.__code__.co_names[0] == "restore":
            with pytest.raises(failstats.WarehouseError, match="forgotten unit must not come back"):
                work(listener)  # u2 was forgotten after the copy was made
            continue
        work(listener)
        assert listener.said
        assert rises(listener.shares())


def test_every_step_of_a_command_hears_how_far_its_work_is():
    """No command waits without a way to say how much is left."""
    left = []
    for path in sorted(PACKAGE.glob("cli*.py")):
        for line in path.read_text("utf-8").splitlines():
            if re.search(r"with .*\.step\(", line) and not line.rstrip().endswith(" as step:"):
                left.append(line.strip())
    assert left == ['with progress.step("opening the records"):']
