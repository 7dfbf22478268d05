"""How fast this machine multiplies matrices: what the networks' arithmetic is held against."""

from __future__ import annotations

import time
from functools import lru_cache

import numpy as np

_SIDE, _TIMES = 1024, 3


@lru_cache(maxsize=1)
def operations_a_second() -> float:
    """Multiplications and additions a second in products of matrices in single precision, on all cores numpy uses.

    The best of a few products, some tens of milliseconds together; measured once, with whatever else the machine has to
    do.
    """
    matrix = np.random.default_rng(0).random((_SIDE, _SIDE), dtype=np.float32)
    matrix @ matrix
    best = 0.0
    for _ in range(_TIMES):
        began = time.perf_counter()
        matrix @ matrix
        best = max(best, 2.0 * _SIDE**3 / (time.perf_counter() - began))
    return best
