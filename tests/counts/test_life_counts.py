"""Lives counted from batches: the same counts whichever way, and nothing out of range counted."""

import numpy as np
import pytest

from failstats.counts import life_counts
from failstats.counts.life_counts import count_lives
from failstats.counts.risk_table import RiskTable
from failstats.errors import InputError

GROUPS, CAUSES, AGES = 3, 2, 40


def made(rows, seed=3):
    draw = np.random.default_rng(seed)
    entry = draw.integers(0, AGES // 2, rows) * (draw.random(rows) < 0.5)
    exits = np.minimum(entry + draw.integers(0, AGES // 2, rows), AGES - 1)
    group = draw.integers(0, GROUPS, rows)
    cause = draw.integers(0, CAUSES + 1, rows)
    return [
        group.astype(np.uint8), cause.astype(np.uint8),
        entry.astype(np.int16), exits.astype(np.int16),
    ]  # fmt: skip


def counted(batches):
    return count_lives(batches, groups=GROUPS, causes=CAUSES, ages=AGES)


@pytest.mark.parametrize("group", range(GROUPS))
def test_counts_are_those_of_the_risk_table(group):
    columns = made(5000)
    found = counted([columns]).table(["one", "two"], group=group)
    mine = columns[0] == group
    names = np.array(["", "one", "two"])[columns[1]][mine]
    asked = RiskTable.from_lives(columns[2][mine], columns[3][mine], names)
    assert found.age.tolist() == asked.age.tolist()
    assert found.entered.tolist() == asked.entered.tolist()
    assert found.left.tolist() == asked.left.tolist()
    assert {c: n.tolist() for c, n in found.failed.items()} == {
        c: n.tolist() for c, n in asked.failed.items()
    }
    assert found.dropped == asked.dropped > 0


def test_the_compiled_loop_counts_the_same(monkeypatch):
    columns = made(20_000)  # more than 256 lives in a cell, so that the bytes carry over
    plainly = counted([columns])
    monkeypatch.setattr(life_counts, "COMPILE_FROM", 0)
    pieces = [
        [column[start : start + 777] for column in columns] for start in range(0, 20_000, 777)
    ]
    compiled = counted(pieces)
    assert plainly.entered.max() > 256
    for one, two in (
        (plainly.entered, compiled.entered),
        (plainly.ended, compiled.ended),
        (plainly.dropped, compiled.dropped),
    ):
        assert (one == two).all()


@pytest.mark.parametrize("compiled", [False, True])
@pytest.mark.parametrize(
    "life", [(3, 0, 0, 5), (-1, 0, 0, 5), (0, 3, 0, 5), (0, -1, 0, 5), (0, 0, 0, 40), (0, 0, 6, 5),
             (0, 0, -1, 5)]
)  # fmt: skip
def test_what_is_out_of_range_is_refused_by_row(monkeypatch, compiled, life):
    if compiled:
        monkeypatch.setattr(life_counts, "COMPILE_FROM", 0)
    good = [np.array([0, 1], np.int16)] * 3 + [np.array([2, 3], np.int16)]
    bad = [np.array([column[0], value], np.int16) for column, value in zip(good, life, strict=True)]
    with pytest.raises(InputError, match="row 3"):
        counted([good, bad])


def test_columns_must_be_whole_and_equally_long():
    with pytest.raises(InputError, match="whole numbers"):
        counted([[np.array([0.0]), np.array([0]), np.array([0]), np.array([1])]])
    with pytest.raises(InputError, match="equally long"):
        counted([[np.array([0, 0]), np.array([0]), np.array([0]), np.array([1])]])
