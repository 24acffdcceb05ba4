"""The decision rule: least expected cost, and when to say unclear."""

from __future__ import annotations

import numpy as np
import pytest

from failstats.errors import InputError
from failstats.estimate.regret import decide

NAMES = ["keep", "test_hot", "always"]


def test_figures_by_hand():
    # keep 10 and 20, always 11 and 18: expected 15 against 14.5; always regrets 1 in the first
    found = decide([[10.0, 11.0], [20.0, 18.0]], names=["keep", "always"])
    assert found.least == "always" and found.runner_up == "keep"
    assert found.expected_cost.tolist() == [15.0, 14.5]
    assert found.expected_regret == 0.5
    assert found.expected_regret_share == pytest.approx(0.5 / 14.5)
    assert found.regret_share_over_5_percent == 0.5  # 1 of 11 is 9 %
    assert found.recommend == "unclear" and found.unclear


def test_one_action_that_is_always_cheapest_leaves_nothing_to_regret():
    rng = np.random.default_rng(71)
    base = rng.uniform(50, 150, (500, 1))
    found = decide(base + [[0.0, 1.0, 2.0]], names=NAMES)
    assert found.recommend == "keep" and found.expected_regret == 0.0
    assert found.regret_share_over_5_percent == 0.0


def test_near_twins_that_change_places_are_no_reason_for_doubt():
    rng = np.random.default_rng(72)
    base = rng.uniform(50, 150, 2000)
    twin = base * rng.uniform(0.99, 1.01, 2000)
    found = decide(np.column_stack([base, twin, base * 1.5]), names=NAMES)
    assert not found.unclear
    assert 0.3 < np.mean(base < twin) < 0.7  # they do change places


def test_rare_but_large_regret_makes_it_unclear_only_beyond_a_tenth_of_the_draws():
    costs = np.full((100, 2), 100.0)
    costs[:, 1] = 110.0
    costs[:10, 1] = 94.0  # a regret of 6 % in exactly a tenth
    assert decide(costs, names=["keep", "always"]).recommend == "keep"
    costs[:11, 1] = 94.0
    found = decide(costs, names=["keep", "always"])
    assert found.recommend == "unclear" and found.expected_regret_share < 0.02


def test_expected_regret_alone_makes_it_unclear_beyond_two_percent():
    costs = np.full((100, 2), 100.0)
    costs[:, 1] = 130.0
    costs[:5, 1] = 61.0  # 39 % in a twentieth: 1.95 %
    assert decide(costs, names=["keep", "always"]).recommend == "keep"
    costs[:5, 1] = 59.0  # 2.05 %
    found = decide(costs, names=["keep", "always"])
    assert found.recommend == "unclear" and found.regret_share_over_5_percent == 0.05


def test_scale_of_money_does_not_matter():
    rng = np.random.default_rng(73)
    costs = rng.uniform(90, 110, (300, 3))
    one, hundred = decide(costs, names=NAMES), decide(costs * 100, names=NAMES)
    assert one.recommend == hundred.recommend
    assert one.expected_regret_share == pytest.approx(hundred.expected_regret_share)


def test_single_action_and_no_cost_at_all():
    alone = decide([[3.0], [4.0]], names=["keep"])
    assert alone.recommend == "keep" and alone.runner_up is None
    free = decide([[0.0, 1.0]], names=["keep", "always"])
    assert free.recommend == "keep" and free.expected_regret_share == 0.0


@pytest.mark.parametrize(
    ("costs", "names", "words"),
    [
        ([[1.0, 2.0]], ["keep"], "draws by 1 actions"),
        (np.zeros((0, 2)), ["keep", "always"], "draws by 2 actions"),
        ([[1.0, np.nan]], ["keep", "always"], "1 of 2 are not"),
        ([[1.0, -2.0]], ["keep", "always"], "at least 0"),
        ([[1.0, 2.0]], ["keep", "keep"], "differ"),
        ([[1.0, 2.0]], ["keep", "unclear"], "differ"),
    ],
)
def test_bad_input_is_refused_with_a_reason(costs, names, words):
    with pytest.raises(InputError, match=words):
        decide(costs, names=names)
