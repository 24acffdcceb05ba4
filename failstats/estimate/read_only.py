"""Results nobody can change by accident: read-only arrays."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, DTypeLike, NDArray

__all__ = ["freeze", "frozen"]


def frozen(array: ArrayLike, dtype: DTypeLike = np.float64) -> NDArray[Any]:
    """A read-only copy.

    Examples
    --------
    >>> frozen([1, 2]).flags.writeable
    False
    """
    copy: NDArray[Any] = np.array(array, dtype=dtype)
    copy.setflags(write=False)
    return copy


def freeze(result: Any) -> None:
    """Replace every array of a frozen dataclass by a read-only one; for ``__post_init__``."""
    for field in fields(result):
        value = getattr(result, field.name)
        if isinstance(value, np.ndarray | np.generic) and not np.isscalar(value):
            object.__setattr__(result, field.name, frozen(value, dtype=value.dtype))
