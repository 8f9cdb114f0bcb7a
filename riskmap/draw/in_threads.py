"""Many shapes worked on at once: GEOS lets go of the interpreter, and each shape is touched by one thread alone."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["in_threads"]

FEW: int = 16  # shapes that are not worth a thread
THREADS: int = min(4, os.cpu_count() or 1)


def in_threads(work: Callable[..., Any], *columns: Any) -> npt.NDArray[np.object_]:
    """Apply a function of shapely to arrays, slice by slice; the same as ``work(*columns)``.

    Never for predicates, which use what GEOS has prepared: that bears one thread.

    Parameters
    ----------
    work : callable
        Takes the arrays, or slices of them, and gives an array of shapes.
    *columns : ndarray
        Of one length.

    Examples
    --------
    >>> import shapely
    >>> in_threads(shapely.buffer, shapely.points([[0, 0], [1, 1]]), np.array([1.0, 2.0])).tolist()[1].bounds
    (-1.0, -1.0, 3.0, 3.0)
    """
    n = len(columns[0])
    if n < FEW or THREADS == 1:
        return np.asarray(work(*columns), dtype=object)
    # interleaved, so that large shapes that stand together are shared out
    parts = [slice(first, None, 4 * THREADS) for first in range(4 * THREADS)]
    whole = np.empty(n, dtype=object)
    with ThreadPoolExecutor(THREADS) as pool:
        done = pool.map(lambda part: work(*(column[part] for column in columns)), parts)
        for part, shapes in zip(parts, done, strict=True):
            whole[part] = shapes
    return whole
