"""The simple rules at a given spend, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from failstats.estimate.stocking_rules import RULES, mean_rounded_up, most_used, one_of_each

PRICE, NONE = [10.0, 20.0, 5.0], [0.0, 0.0, 0.0]


def test_one_of_each_goes_round_by_use():
    # 10 + 20 + 5 = 35, then a second round by use: 10, then 5; the next 20 does not fit
    found = one_of_each([3, 2, 1], price=PRICE, volume=NONE, spend=50)
    assert found.tolist() == [2, 1, 2]


def test_most_used_follows_use_per_unit_carried():
    # 6, 3 and 1 a cycle: 6, 6/2 = 3, 3, 6/3 ... until 60 is spent
    found = most_used([6, 3, 1], price=PRICE, volume=NONE, spend=60)
    assert found.tolist() == [4, 1, 0]


def test_mean_is_rounded_up_and_scaled_to_the_spend():
    assert mean_rounded_up([1.2, 0.3, 0.0], price=PRICE, volume=NONE, spend=40).tolist() == [
        2,
        1,
        0,
    ]
    twice = mean_rounded_up([1.2, 0.3, 0.0], price=PRICE, volume=NONE, spend=70)
    assert twice.tolist() == [5, 1, 0]  # 3.99 x (1.2, 0.3) would round up to (5, 2)


@pytest.mark.parametrize("rule", sorted(RULES))
def test_limits_hold_and_nothing_that_fits_is_left(rule):
    rng = np.random.default_rng(4)
    for _ in range(20):
        used, price = rng.uniform(0.1, 4, 6), rng.integers(3, 40, 6).astype(float)
        volume = rng.uniform(0.1, 2, 6)
        stock = RULES[rule](used, price=price, volume=volume, spend=200.0, room=12.0)
        assert stock @ price <= 200
        assert stock @ volume <= 12 + 1e-9
        more = stock + np.eye(6, dtype=int)
        assert not ((more @ price <= 200) & (more @ volume <= 12)).any()


def test_free_items_come_to_an_end():
    assert one_of_each([1.0], price=[0.0], volume=[0.0], spend=1.0).tolist() == [500]
