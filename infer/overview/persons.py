"""Whose films are whose within a run, as numbers: films of one person are not independent of each other."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from raysplay.infer.outputs.finished_run import FinishedRun

IntArray = npt.NDArray[np.int64]


def persons_of(run: FinishedRun) -> IntArray:
    """A number for every film, shape (films,): films with one code share it; a film of nobody named has its own."""
    codes = run.stated("person")
    known: dict[str, int] = {}
    return np.asarray(
        [known.setdefault(code or f" {number}", len(known)) for number, code in enumerate(codes)], dtype=np.int64
    )
