"""How fast this machine multiplies matrices: what the networks' arithmetic is held against."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache

import numpy as np
import numpy.typing as npt

_SIDE, _TIMES = 1024, 3


@lru_cache(maxsize=1)
def operations_a_second() -> float:
    """Multiplications and additions a second in products of matrices in single precision, on all cores of this process.

    As many products at once as there are cores, since each may be held to one thread (``OMP_NUM_THREADS``) while films
    are read on all. The best of a few rounds, some hundredths of a second each; measured once, with whatever else the
    machine has to do.
    """
    from raysplay.infer.foot_reader import usable_cores  # whoever counts no arithmetic waits for no network

    cores = usable_cores()
    matrix = np.random.default_rng(0).random((_SIDE, _SIDE), dtype=np.float32)
    results = np.empty((cores, _SIDE, _SIDE), dtype=np.float32)
    best = 0.0
    with ThreadPoolExecutor(cores, thread_name_prefix="rate") as pool:
        list(pool.map(_product, [matrix] * cores, results))
        for _ in range(_TIMES):
            began = time.perf_counter()
            list(pool.map(_product, [matrix] * cores, results))
            best = max(best, cores * 2.0 * _SIDE**3 / (time.perf_counter() - began))
    return best


def _product(matrix: npt.NDArray[np.float32], result: npt.NDArray[np.float32]) -> None:
    np.matmul(matrix, matrix, out=result)
