"""Time of all measures for many feet on one core.

Run with ``OMP_NUM_THREADS=1 python tests/measure/benchmark.py [FEET]``; prints, asserts nothing.
"""

import os
import sys
import time

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np

from raysplay.configs.load import landmark_schema
from raysplay.measure import MEASURES, measure_feet, measure_values


def main(feet=100_000):
    schema = landmark_schema()
    rng = np.random.default_rng(1)
    points = rng.normal(size=(1, len(schema), 2)) * 40 + rng.normal(size=(feet, len(schema), 2))
    covariance = np.broadcast_to(0.09 * np.eye(2), (feet, len(schema), 2, 2)).copy()
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    print(f"{len(MEASURES)} measures, {feet} feet, one core")
    for words, call in (
        ("values", lambda: measure_values(points, schema, millimetres=True)),
        ("values and intervals", lambda: measure_feet(points, covariance, schema, millimetres=True)),
    ):
        best = np.inf
        for _ in range(3):
            wall, cpu = time.perf_counter(), time.process_time()
            call()
            if (spent := time.process_time() - cpu) < best:
                best, shown = spent, time.perf_counter() - wall
        print(f"{words}: {best:.2f} s of processor time, {shown:.2f} s by the clock")


if __name__ == "__main__":
    main(*(int(number) for number in sys.argv[1:]))
