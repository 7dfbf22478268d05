"""How much a foot's numbers depend on the construction."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raysplay.measure.geometry import FloatArray
from raysplay.measure.propagate import measure_values
from raysplay.measure.registry import by_name
from raysplay.measure.schema import LandmarkSchema


@dataclass(frozen=True)
class ConstructionSpread:
    """One measure of N feet by several constructions.

    Attributes
    ----------
    values : dict of str to ndarray, shape (N,)
        By construction.
    spread : ndarray, shape (N,)
        Largest less smallest of those that are not withheld; ``nan`` where fewer than two are left.
    bound : float
        What it may come to.
    sensitive : ndarray of bool, shape (N,)
        True where the spread exceeds the bound.
    """

    values: dict[str, FloatArray]
    spread: FloatArray
    bound: float
    sensitive: npt.NDArray[np.bool_]


def construction_spread(
    points: npt.ArrayLike,
    schema: LandmarkSchema,
    *,
    constructions: Sequence[str],
    bounds: Mapping[str, float],
    visible: npt.ArrayLike | None = None,
) -> dict[str, ConstructionSpread]:
    """Read the same landmarks by several constructions and tell the feet where the choice matters.

    Parameters
    ----------
    points : array_like, shape (N, L, 2)
        Right-foot frame, in schema order.
    schema : LandmarkSchema
    constructions : sequence of str
        Those to compare; one that a measure does not have is left out for it.
    bounds : mapping of measure name to float
        Largest difference in degrees that does not make a foot sensitive.
    visible : array_like of bool, shape (N, L), or None

    Returns
    -------
    dict of str to ConstructionSpread
        By name of the measure.

    Raises
    ------
    KeyError
        If there is no such measure.
    ValueError
        If a measure is left with fewer than two constructions, or shapes do not fit.

    Examples
    --------
    >>> schema = LandmarkSchema(("M1_base_c", "M1_head_c", *by_name("ima").landmarks), ("",) * 10)
    >>> foot = [[-20, 0], [-20, 60], [-26, 20], [-14, 20], [-31, 50], [-19, 50], [-4, 20], [4, 20], [-4, 60], [4, 60]]
    >>> spread = construction_spread([foot], schema, constructions=["shaft", "head_base"], bounds={"ima": 3.0})["ima"]
    >>> round(float(spread.spread[0]), 1), bool(spread.sensitive[0])
    (9.5, True)
    """
    result = {}
    for name, bound in bounds.items():
        allowed = by_name(name).constructions
        compared = [one for one in constructions if one in allowed]
        if len(compared) < 2:
            raise ValueError(f"{name} has fewer than two of the constructions {', '.join(constructions)}")
        values = {
            one: measure_values(points, schema, visible=visible, measures=[by_name(name, one)])[name]
            for one in compared
        }
        table = np.stack(list(values.values()))
        reference = np.where(np.isfinite(table), table, -np.inf).max(axis=0)
        table = reference + (table - reference + 180.0) % 360.0 - 180.0
        enough = np.isfinite(table).sum(axis=0) >= 2
        high = np.where(np.isfinite(table), table, -np.inf).max(axis=0)
        low = np.where(np.isfinite(table), table, np.inf).min(axis=0)
        spread = np.full(len(reference), np.nan)
        spread[enough] = high[enough] - low[enough]
        result[name] = ConstructionSpread(values, spread, bound, enough & (np.nan_to_num(spread) > bound))
    return result
