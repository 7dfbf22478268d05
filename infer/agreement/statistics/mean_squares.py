"""Analysis of variance of a table of films by readers, from sums that can also be drawn again."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from raysplay.infer.agreement.statistics.inputs import FloatArray


@dataclass(frozen=True)
class MeanSquares:
    """Mean squares of a two-way table without gaps, each of shape (...,).

    ``between`` films, ``within`` films, ``readers``, and ``error`` (residual); ``films`` and ``k`` count the table.
    """

    between: FloatArray
    within: FloatArray
    readers: FloatArray
    error: FloatArray
    films: FloatArray
    k: int


def table_sums(table: FloatArray) -> FloatArray:
    """What each film adds to the sums of ``mean_squares``, shape (films, k + 3), from a table (films, k).

    Numbers are taken about the table's mean first, so that squares do not swamp the differences.

    Examples
    --------
    >>> table_sums(np.array([[1.0, 3.0], [5.0, 7.0]])).tolist()
    [[-3.0, -1.0, 10.0, 4.0, 1.0], [1.0, 3.0, 10.0, 4.0, 1.0]]
    """
    off = table - table.mean()
    squares, means = (off**2).sum(axis=1), off.mean(axis=1)
    return np.column_stack([off, squares, means**2, np.ones(len(table))])


def mean_squares(sums: FloatArray) -> MeanSquares:
    """Mean squares from sums over films, shape (..., k + 3).

    Shrout and Fleiss, Psychological Bulletin 1979;86:420: BMS between targets, WMS within, JMS of judges, EMS residual.

    Examples
    --------
    >>> found = mean_squares(table_sums(np.array([[1.0, 3.0], [5.0, 7.0]])).sum(axis=0))
    >>> float(found.between), float(found.within), float(found.readers), float(found.error)
    (16.0, 2.0, 4.0, 0.0)
    """
    readers, squares, mean_square, n = sums[..., :-3], sums[..., -3], sums[..., -2], sums[..., -1]
    k = readers.shape[-1]
    total = readers.sum(axis=-1)
    correction = total**2 / (n * k)
    between = np.maximum(k * mean_square - correction, 0.0)
    within = np.maximum(squares - k * mean_square, 0.0)
    of_readers = np.maximum((readers**2).sum(axis=-1) / n - correction, 0.0)
    error = np.maximum(within - of_readers, 0.0)
    return MeanSquares(
        between / (n - 1), within / (n * (k - 1)), of_readers / (k - 1), error / ((n - 1) * (k - 1)), n, k
    )
