"""What two linked parts do to the counts, against closed forms (policy.md, "Dependence and bias").

The model of induced failures is Murthy and Nguyen's (1985), from memory; its values are computed.
"""

from __future__ import annotations

from fractions import Fraction

import pandas as pd
import pytest

from failstats.answers.pairs_together import failed_together, joint_failure

EXACT = 1e-12
# failures a year of the two parts by themselves, and the chance that one takes the other with it
FIRST, SECOND = Fraction(1, 10), Fraction(1, 20)
TAKES_SECOND, TAKES_FIRST = Fraction(3, 10), Fraction(1, 10)
YEARS = 10_000


def induced() -> dict[str, int]:
    """Visits of so many years, exactly as the model expects them."""
    both = FIRST * TAKES_SECOND + SECOND * TAKES_FIRST
    counts = {
        "looked": (FIRST + SECOND) * YEARS,
        "looked_both": both * YEARS,
        "looked_first": (FIRST + SECOND * TAKES_FIRST) * YEARS,
        "looked_second": (SECOND + FIRST * TAKES_SECOND) * YEARS,
    }
    assert all(value.denominator == 1 for value in counts.values())
    return {name: int(value) for name, value in counts.items()}


def test_induced_failures() -> None:
    """Visits .15 a year, both-fail share .233333, marginal rates .105 and .080."""
    counts = induced()
    assert counts["looked"] / YEARS == pytest.approx(0.15, rel=EXACT)
    assert f"{counts['looked_both'] / counts['looked']:.6f}" == "0.233333"
    assert counts["looked_first"] / YEARS == pytest.approx(0.105, rel=EXACT)
    assert counts["looked_second"] / YEARS == pytest.approx(0.080, rel=EXACT)
    frame = pd.DataFrame(
        [{"family": "E1", "first": "cutout", "second": "thermostat", **counts,
          "first_failed": counts["looked_first"], "both_failed": counts["looked_both"],
          "partner_open": 0}]
    )  # fmt: skip
    joint = joint_failure(frame, test=None, level=0.95)
    assert joint is not None
    assert joint.share == pytest.approx(35 / 105, rel=EXACT)
    assert joint.bounds == pytest.approx((1 / 3, 1 / 3), rel=EXACT)


def test_linked_parts_still_look_like_protection_among_calls() -> None:
    """The trap in the counts: every visit needs a failure, so no visit has neither part failed and
    the odds ratio is 0, however strongly the parts are linked. Hence one-sided, and refused."""
    counts = induced()
    neither = (counts["looked"] - counts["looked_first"] - counts["looked_second"]
               + counts["looked_both"])  # fmt: skip
    assert neither == 0
    frame = pd.DataFrame([{"family": "E1", "first": "a", "second": "b", **counts}])
    found = failed_together(frame, 0.95).iloc[0]
    assert found["failed_odds_ratio"] == 0.0
    assert found["failed_q_value"] == pytest.approx(1.0, abs=1e-9)


def test_a_fallible_test_put_right() -> None:
    """Rogan and Gladen (1978): observed .40, sensitivity .95, specificity .80 -> .266667."""
    frame = pd.DataFrame(
        [{"first_failed": 100, "both_failed": 40, "partner_open": 0, "looked_first": 100,
          "looked_both": 40}]
    )  # fmt: skip
    joint = joint_failure(frame, test=(0.95, 0.80), level=0.95)
    assert joint is not None
    assert joint.corrected is not None
    assert f"{joint.corrected:.6f}" == "0.266667"
    low, high = joint.corrected_ci
    assert low < joint.corrected < high
