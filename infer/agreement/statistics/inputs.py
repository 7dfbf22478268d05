"""What the statistics accept: finite numbers with gaps, of one length, with whole persons."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


def checked_level(level: float) -> float:
    """A confidence between 0 and 1.

    Raises
    ------
    ValueError
        If it is not, as with 95 for 0.95.
    """
    if not 0.0 < level < 1.0:
        raise ValueError(f"level must lie between 0 and 1, not {level}")
    return float(level)


def numbers(values: npt.ArrayLike, name: str, dimensions: int = 1) -> FloatArray:
    """An array of numbers of that many dimensions; ``nan`` is a gap.

    Parameters
    ----------
    values : array_like
        None is a gap, too.
    name : str
        What the caller calls it, for the error.
    dimensions : int

    Returns
    -------
    ndarray of float
        Finite or ``nan``.

    Raises
    ------
    ValueError
        Naming the array, if it holds text or an infinite number, or has another shape.

    Examples
    --------
    >>> numbers([1, None, 2.5], "differences").tolist()
    [1.0, nan, 2.5]
    """
    try:
        given = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise ValueError(f"{name} holds something that is not a number, or rows of unequal length") from None
    if given.ndim != dimensions:
        raise ValueError(f"{name} must have {dimensions} dimension(s), not shape {given.shape}")
    if np.isinf(given).any():
        where = ", ".join(str(int(i)) for i in np.argwhere(np.isinf(given))[0])
        raise ValueError(f"{name} holds an infinite number (position {where})")
    return given


def clusters(groups: npt.ArrayLike | None, n: int) -> IntArray:
    """Person of every row as an index 0..; without groups every row is a person of its own.

    Parameters
    ----------
    groups : array_like of int or str, shape (n,), or None

    Raises
    ------
    ValueError
        If the length differs or a row has no person.

    Examples
    --------
    >>> clusters([7, 7, 3], 3).tolist()
    [1, 1, 0]
    """
    if groups is None:
        return np.arange(n)
    given = np.asarray(groups)
    if given.shape != (n,):
        raise ValueError(f"groups must have shape ({n},), one for each row, not {given.shape}")
    if given.dtype.kind == "f" and np.isnan(given).any():
        raise ValueError("groups: a row has no person")
    if given.dtype.kind == "O":
        if any(one is None or one != one for one in given):
            raise ValueError("groups: a row has no person")
        given = given.astype(str)
    return np.unique(given, return_inverse=True)[1].astype(np.int64).reshape(n)


def complete(
    groups: npt.ArrayLike | None, **columns: npt.ArrayLike
) -> tuple[list[FloatArray], IntArray, npt.NDArray[np.bool_]]:
    """Columns of one length without the rows that have a gap, the persons of these rows, and which were kept.

    Raises
    ------
    ValueError
        If the lengths differ or a column is not one of numbers.

    Examples
    --------
    >>> (x, y), persons, kept = complete(None, x=[1, 2, np.nan], y=[1, 3, 4])
    >>> x.tolist(), y.tolist(), kept.tolist()
    ([1.0, 2.0], [1.0, 3.0], [True, True, False])
    """
    given = {name: numbers(values, name) for name, values in columns.items()}
    lengths = {name: len(values) for name, values in given.items()}
    if len(set(lengths.values())) > 1:
        raise ValueError("unequal lengths: " + ", ".join(f"{name} {n}" for name, n in lengths.items()))
    n = next(iter(lengths.values()))
    kept = np.ones(n, dtype=bool)
    for values in given.values():
        kept &= np.isfinite(values)
    person = clusters(groups, n)[kept]
    return [values[kept] for values in given.values()], np.unique(person, return_inverse=True)[1].reshape(-1), kept


def all_equal(values: FloatArray) -> bool:
    """Whether numbers do not differ beyond rounding.

    Examples
    --------
    >>> all_equal(np.array([0.1 + 0.2, 0.3])), all_equal(np.array([1.0, 1.1]))
    (True, False)
    """
    if values.size == 0:
        return True
    scale = float(np.abs(values).max())
    return float(np.ptp(values)) <= 1e-12 * max(scale, 1e-300)
