"""Fitted world: the right lives fit, wrong ones are named, and what is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from failstats.counts.risk_table import RiskTable
from failstats.counts.world_pass import World
from failstats.errors import InputError
from failstats.estimate.fitted_world import fitted_world
from failstats.estimate.life_models import FittedLife, fit

YEAR = 365.25


def _life(shape: float, scale: float, seed: int = 0) -> FittedLife:
    """A fit of a life, from many simulated ones."""
    rng = np.random.Generator(np.random.PCG64(seed))
    lives = np.ceil(scale * (-np.log1p(-rng.random(4000))) ** (1 / shape))
    found = fit(RiskTable.from_lives(0, lives, np.ones(4000, bool)))
    assert isinstance(found, FittedLife)
    return found


def _company(variance: float = 0.0, seed: int = 5) -> World:
    """2,000 units of two parts, half watched from installation, half joined at some age."""
    rng = np.random.Generator(np.random.PCG64(seed))
    n, span = 2000, 8 * YEAR
    from_day = np.floor(span * rng.random(n))
    unit_age = np.where(np.arange(n) % 2, np.floor(8 * YEAR * rng.random(n)), 0.0)
    weak = rng.gamma(1 / variance, variance, n) if variance else np.ones(n)
    sockets, days = [], []
    for number, (shape, scale) in enumerate(((1.8, 9 * YEAR), (1.3, 14 * YEAR))):
        born, unit = -unit_age, np.arange(n)
        while unit.size:
            life = scale * (-np.log1p(-rng.random(unit.size)) / weak[unit]) ** (1 / shape)
            ends = np.ceil(born + life)
            inside = ends <= span - from_day[unit]
            unit, born = unit[inside], ends[inside]
            seen = born > 0
            sockets.append(unit[seen] + number * n)
            days.append(born[seen] + from_day[unit[seen]])
    return World(
        laws=("coil", "belt"),
        unit=np.tile(np.arange(n), 2), law=np.repeat([0, 1], n), from_day=np.tile(from_day, 2),
        to_day=np.full(2 * n, span), unit_age=np.tile(unit_age, 2),
        part_age=np.where(np.tile(unit_age, 2) > 0, np.nan, 0.0), loses=np.zeros(2 * n, bool),
        failed_socket=np.concatenate(sockets), failed_day=np.concatenate(days),
    )  # fmt: skip


LIVES = {"coil": _life(1.8, 9 * YEAR), "belt": _life(1.3, 14 * YEAR, 1)}


def test_the_lives_that_made_the_records_fit() -> None:
    rows = fitted_world(_company(), lives=LIVES, replicates=100)
    assert len(rows) == 2 + 8 + 1 + 3 + 1
    assert all(row.fits for row in rows), [str(row) for row in rows if not row.fits]
    assert all(row.low <= row.expected <= row.high for row in rows)


def test_a_life_twice_as_long_is_named() -> None:
    wrong = LIVES | {"coil": _life(1.8, 18 * YEAR)}
    rows = {row.figure: row for row in fitted_world(_company(), lives=wrong, replicates=60)}
    coil = rows["failures of the coil"]
    assert not coil.fits
    assert coil.observed > coil.high
    assert "does not fit" in str(coil)
    assert rows["failures of the belt"].fits
    assert not rows["share of units never heard of"].fits


def test_units_that_differ_show_in_the_repeat_rate_or_the_never_heard_of() -> None:
    rows = fitted_world(_company(variance=1.5), lives=LIVES, replicates=60)
    found = {row.figure: row for row in rows}
    assert not found["share of units never heard of"].fits
    repeat = next(row for name, row in found.items() if name.startswith("share of failures"))
    assert repeat.observed > repeat.expected


def test_units_that_leave_unseen_call_less() -> None:
    world = _company()
    gone = replace(world, loses=np.ones(world.unit.size, bool))
    rows = fitted_world(gone, lives=LIVES, loss=(1.1, 6 * YEAR), replicates=60)
    assert not rows[0].fits
    assert rows[0].expected < 0.9 * rows[0].observed


def test_the_same_seed_gives_the_same() -> None:
    first, second = (fitted_world(_company(), lives=LIVES, replicates=20, seed=3) for _ in "ab")
    assert first == second


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(InputError, match="belt is missing"):
        fitted_world(_company(), lives={"coil": LIVES["coil"]})
    with pytest.raises(InputError, match="20 or more"):
        fitted_world(_company(), lives=LIVES, replicates=5)
    with pytest.raises(InputError, match="must not end before"):
        replace(_company(), to_day=np.full(4000, -1.0))
