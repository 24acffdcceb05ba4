"""Single-job kits: hand values, options and bad input (references: tests/reference/policy)."""

from __future__ import annotations

import numpy as np
import pytest

from failstats.errors import InputError, PlanError
from failstats.estimate.kits import (
    kit_for_job_types,
    kit_for_service,
    kit_of_parts,
    kit_of_several,
)


def stop_early(chance, hold, loss):
    """The wrong way: add parts in the same order until the next does not pay."""
    order = np.argsort(np.log1p(-chance) / hold)
    kit = np.zeros(chance.size, dtype=int)

    def cost(quantity):
        return quantity @ hold + loss * (1 - np.prod(np.where(quantity > 0, 1, 1 - chance)))

    for part in order:
        more = kit.copy()
        more[part] = 1
        if cost(more) >= cost(kit):
            break
        kit = more
    return cost(kit)


def test_stopping_at_the_first_part_that_does_not_pay_is_wrong_by_hand():
    # two parts, each needed by 9 jobs in 10: one alone saves 100 (.10 - .01) = 9 for 20,
    # both together save 100 (1 - .01) = 99 for 40
    chance, hold = np.array([0.9, 0.9]), np.array([20.0, 20.0])
    assert stop_early(chance, hold, 100.0) == pytest.approx(99.0)
    best = kit_of_parts(chance, holding=hold, return_cost=100.0)
    assert best.quantity.tolist() == [1, 1]
    assert best.cost == pytest.approx(40.0) and best.completion == 1.0


def test_a_part_every_job_needs_and_a_free_part():
    best = kit_of_parts([1.0, 0.5, 0.0], holding=[3.0, 0.0, 0.0], return_cost=10.0)
    assert best.quantity.tolist() == [1, 1, 0]
    assert best.cost == 3.0
    without = kit_of_parts([1.0, 0.5], holding=[30.0, 1.0], return_cost=10.0)
    assert without.quantity.tolist() == [0, 0] and without.cost == 10.0


def test_several_skips_a_level_that_no_job_stops_at():
    # jobs need none or two: one is of no use, so the step is two at once
    best = kit_of_several([[0.5, 0.0, 0.5]], holding=[3.0], return_cost=20.0)
    assert best.quantity.tolist() == [2] and best.cost == 6.0
    always_two = kit_of_several([[0.0, 0.0, 1.0]], holding=[3.0], return_cost=20.0)
    assert always_two.quantity.tolist() == [2] and always_two.cost == 6.0
    dear = kit_of_several([[0.0, 0.0, 1.0]], holding=[30.0], return_cost=20.0)
    assert dear.quantity.tolist() == [0] and dear.cost == 20.0


def test_service_kit_is_no_prefix_of_any_order():
    # per money part 0 mends most and would be taken first, for 18 with part 1 or 2
    exact = kit_for_service([0.2, 0.15, 0.15], holding=[10.0, 8.0, 8.0], completion=0.79)
    assert exact.quantity.tolist() == [0, 1, 1] and exact.holding == 16.0
    assert exact.completion == pytest.approx(0.8)


def test_hopeless_jobs_limit_what_a_kit_can_reach():
    with pytest.raises(PlanError, match="best reachable is 80.0%"):
        kit_for_job_types([[1], [0]], probability=[0.5, 0.3], holding=[1.0], completion=0.9)
    best = kit_for_job_types([[1], [0]], probability=[0.5, 0.3], holding=[1.0], completion=0.8)
    assert best.quantity.tolist() == [1] and best.completion == pytest.approx(0.8)


def test_program_and_enumeration_agree_on_types_that_need_several():
    need = [[0, 0, 0], [2, 1, 0], [0, 1, 1], [1, 0, 0]]
    options = {"probability": [0.2, 0.3, 0.3, 0.2], "holding": [2.0, 1.0, 4.0]}
    for loss in (1.0, 6.0, 12.0, 50.0):
        tried = kit_for_job_types(need, **options, return_cost=loss)
        solved = kit_for_job_types(need, **options, return_cost=loss, enumerate_up_to=0)
        assert solved.cost == pytest.approx(tried.cost)
    for share in (0.2, 0.5, 0.9, 1.0):
        tried = kit_for_job_types(need, **options, completion=share)
        solved = kit_for_job_types(need, **options, completion=share, enumerate_up_to=0)
        assert solved.holding == pytest.approx(tried.holding) and solved.completion >= share - 1e-9


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: kit_of_parts([1.2], holding=[1.0], return_cost=1.0), "between 0 and 1"),
        (lambda: kit_of_parts([0.2], holding=[1.0, 2.0], return_cost=1.0), "one row of 1"),
        (lambda: kit_of_parts([0.2], holding=[1.0], return_cost=-1.0), "return_cost must be"),
        (lambda: kit_of_several([[0.5]], holding=[1.0], return_cost=1.0), "sum to 1"),
        (lambda: kit_for_service([0.5], holding=[1.0], completion=2.0), "share between 0 and 1"),
        (
            lambda: kit_for_job_types([[1]], probability=[0.5], holding=[1.0]),
            "either return_cost or completion",
        ),
        (
            lambda: kit_for_job_types(
                [[1], [0]], probability=[0.6, 0.6], holding=[1.0], return_cost=1.0
            ),
            "sum to at most 1",
        ),
    ],
)
def test_bad_input_is_refused_with_a_reason(call, words):
    with pytest.raises(InputError, match=words):
        call()
