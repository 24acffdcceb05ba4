"""Counting by places: against numpy, on both sides of the size from which a compiled loop adds."""

from __future__ import annotations

import numpy as np
import pytest

from failstats.counts import scatter as module
from failstats.counts.scatter import scatter
from failstats.errors import InputError


@pytest.mark.parametrize("compile_from", [1 << 20, 0, 700])
@pytest.mark.parametrize("dtype", [np.uint8, np.int16, np.int32, np.int64])
def test_counts_of_each_column(
    compile_from: int, dtype: type, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "COMPILE_FROM", compile_from)
    rng = np.random.default_rng(1)
    first, second = rng.integers(0, 5, 1000).astype(dtype), rng.integers(0, 90, 1000).astype(dtype)
    pieces = [slice(0, 1), slice(1, 400), slice(400, 400), slice(400, 1000)]
    found = scatter(((first[piece], second[piece]) for piece in pieces), (5, 91))
    np.testing.assert_array_equal(found[0], np.bincount(first, minlength=5))
    np.testing.assert_array_equal(found[1], np.bincount(second, minlength=91))


@pytest.mark.parametrize("place", [[-1], [3], [0.5]])
def test_a_place_outside_is_refused(place: list[float]) -> None:
    with pytest.raises(InputError):
        scatter([(np.array(place),)], (3,))
