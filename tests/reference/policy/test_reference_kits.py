"""Kits against the values of SOURCE.md."""

from __future__ import annotations

import numpy as np
import pytest

from failstats.estimate.kits import kit_for_job_types, kit_of_parts, kit_of_several

SIX_DIGITS = 5e-7  # half a unit of the last printed digit
TWO_DIGITS = 5e-3
EXACT = 1e-9  # the printed value is exact

# computed: coil, cutout, thermostat, fuse, igniter, belt
CHANCE = [0.30, 0.22, 0.12, 0.18, 0.04, 0.10]
HOLDING = [5.0, 1.5, 1.8, 0.8, 4.0, 2.2]


@pytest.mark.parametrize(
    ("return_cost", "kit", "cost", "tolerance"),
    [  # all computed
        (10.0, [0, 0, 0, 0, 0, 0], 6.595895, SIX_DIGITS),
        (20.0, [0, 1, 0, 1, 0, 0], 11.655520, SIX_DIGITS),
        (40.0, [1, 1, 1, 1, 0, 1], 12.90, EXACT),
        (60.0, [1, 1, 1, 1, 0, 1], 13.70, EXACT),
        (120.0, [1, 1, 1, 1, 1, 1], 15.30, EXACT),
    ],
)
def test_single_job_kit_of_independent_parts(return_cost, kit, cost, tolerance):
    best = kit_of_parts(CHANCE, holding=HOLDING, return_cost=return_cost)
    assert best.quantity.tolist() == kit
    assert best.cost == pytest.approx(cost, abs=tolerance)


def test_completion_of_the_empty_kit():
    # computed; the kit at a return cost of 10 is empty
    best = kit_of_parts(CHANCE, holding=HOLDING, return_cost=10.0)
    assert best.completion == pytest.approx(0.340410, abs=SIX_DIGITS)


def test_several_per_job():
    # computed: coil and cutout
    best = kit_of_several(
        [[0.70, 0.24, 0.06], [0.78, 0.18, 0.04]], holding=[5.0, 1.5], return_cost=40.0
    )
    assert best.quantity.tolist() == [1, 2]
    assert best.cost == pytest.approx(10.40, abs=EXACT)


# computed: E coil, C cutout, T thermostat, F fuse; none, E, F, CT, C, T, EC, CTF, EF
NEED = [
    [0, 0, 0, 0],
    [1, 0, 0, 0],
    [0, 0, 0, 1],
    [0, 1, 1, 0],
    [0, 1, 0, 0],
    [0, 0, 1, 0],
    [1, 1, 0, 0],
    [0, 1, 1, 1],
    [1, 0, 0, 1],
]
SHARE = [0.25, 0.22, 0.12, 0.20, 0.05, 0.02, 0.06, 0.05, 0.03]
TYPE_HOLDING = [5.0, 1.5, 1.8, 0.8]


@pytest.mark.parametrize("enumerate_up_to", [10_000, 0])
@pytest.mark.parametrize(
    ("return_cost", "kit", "cost"),
    [  # all computed
        (8.0, [0, 0, 0, 1], 5.84),
        (10.0, [0, 0, 0, 1], 7.10),
        (11.0, [0, 1, 1, 1], 7.51),
        (14.0, [0, 1, 1, 1], 8.44),
        (20.0, [1, 1, 1, 1], 9.10),
        (60.0, [1, 1, 1, 1], 9.10),
    ],
)
def test_kit_for_job_types(return_cost, kit, cost, enumerate_up_to):
    best = kit_for_job_types(
        NEED,
        probability=SHARE,
        holding=TYPE_HOLDING,
        return_cost=return_cost,
        enumerate_up_to=enumerate_up_to,
    )
    assert best.quantity.tolist() == kit
    assert best.cost == pytest.approx(cost, abs=EXACT)


def test_independent_parts_would_choose_wrongly():
    # computed: at 10 the margins say cutout, thermostat and fuse, which truly costs 7.20, not 7.10
    need, share = np.array(NEED), np.array(SHARE)
    margins = share @ need
    by_margins = kit_of_parts(margins, holding=TYPE_HOLDING, return_cost=10.0)
    assert by_margins.quantity.tolist() == [0, 1, 1, 1]
    met = share[(need <= by_margins.quantity).all(axis=1)].sum()
    assert by_margins.holding + 10.0 * (1 - met) == pytest.approx(7.20, abs=EXACT)


def test_completion_from_margins_is_not_the_true_one():
    # computed: the kit of cutout and fuse finishes .42, the margins alone say .5037
    need, share = np.array(NEED), np.array(SHARE)
    kit = np.array([0, 1, 0, 1])
    assert share[(need <= kit).all(axis=1)].sum() == pytest.approx(0.42, abs=EXACT)
    margins = share @ need
    assert np.prod(1 - margins[kit == 0]) == pytest.approx(0.5037, abs=5e-5)
    # and the exact kit for that share knows it
    best = kit_for_job_types(NEED, probability=SHARE, holding=TYPE_HOLDING, completion=0.42)
    assert best.completion >= 0.42 - EXACT and best.holding <= 2.3 + EXACT
