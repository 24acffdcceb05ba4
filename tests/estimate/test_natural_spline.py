"""A natural cubic spline: straight outside its knots, smooth inside, and able to be a line."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from failstats.errors import InputError
from failstats.estimate.natural_spline import natural_spline

KNOTS = [3.0, 12.0, 24.0, 48.0]
# Sums of cubes over a span of some tens: rounding only.
EXACT = 1e-9


def test_the_span_of_scipys_natural_spline() -> None:
    """Another implementation (scipy CubicSpline, bc_type natural) through any heights is within
    the span of our columns and a constant, at knots and between."""
    at = np.linspace(3, 48, 91)
    columns = np.column_stack([np.ones(at.size), natural_spline(at, knots=KNOTS)])
    for heights in np.eye(4):
        curve = CubicSpline(KNOTS, heights, bc_type="natural")(at)
        found, *_ = np.linalg.lstsq(columns, curve, rcond=None)
        assert columns @ found == pytest.approx(curve, abs=EXACT)


def test_straight_outside_the_knots() -> None:
    for ends in ([-9.0, -4.0, 1.0], [50.0, 60.0, 70.0]):
        rows = natural_spline(ends, knots=KNOTS)
        assert rows[2] - 2 * rows[1] + rows[0] == pytest.approx(np.zeros(3), abs=EXACT)


def test_two_knots_are_a_line() -> None:
    assert natural_spline([1.0, 2.0], knots=[0, 9]).tolist() == [[1.0], [2.0]]


def test_refusals() -> None:
    with pytest.raises(InputError, match="at least 2 and rising"):
        natural_spline([1.0], knots=[2, 2])
    with pytest.raises(InputError, match="finite"):
        natural_spline([np.nan], knots=[1, 2])
