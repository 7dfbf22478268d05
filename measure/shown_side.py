"""As which side a picture shows a foot, told from its landmarks alone."""

from __future__ import annotations

import re
from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from raysplay.measure.geometry import FloatArray
from raysplay.measure.schema import LandmarkSchema
from raysplay.measure.sides import Side

_FIRST = "metatarsal_1"
_LESSER = ("metatarsal_5", "metatarsal_4", "metatarsal_3", "metatarsal_2")
_ENDS = (("M1_base_c", "M1_head_c"), ("M2_base_c", "M2_tip"), ("M1_base_c", "M1_tip"))
"""Proximal and distal landmarks that tell where distal is without shafts."""
_CLEAR = np.sin(np.radians(10.0))
"""Sine of the angle between distal and medial below which no side is told."""
_SHAFT = re.compile(r"(.+)([pd])_(?:med|lat)")
_NOWHERE = np.full(2, np.nan)


def shown_side(points: npt.ArrayLike, schema: LandmarkSchema, visible: npt.ArrayLike | None = None) -> Side | None:
    """``R`` where the picture shows a right foot, ``L`` a left one; a mirrored film shows the other side's picture.

    The first metatarsal lies medial of the lesser ones: with its toes up, a right foot has it on the left of the
    picture. Where no lesser metatarsal is placed, the medial and lateral edges of the bones tell. Nothing that is
    written on a film or in its file counts. It is what :func:`~raysplay.measure.frame.to_foot_frame` needs.

    Parameters
    ----------
    points : array_like, shape (L, 2)
        x (column) and y (row, downward), in schema order; ``nan`` where not placed.
    schema : LandmarkSchema
    visible : array_like of bool, shape (L,), or None
        Points marked False are not looked at.

    Returns
    -------
    str or None
        None where the points do not tell.

    Examples
    --------
    >>> codes = ("M1p_med", "M1d_med", "M5p_med", "M5d_med")
    >>> schema = LandmarkSchema(codes, ("metatarsal_1",) * 2 + ("metatarsal_5",) * 2)
    >>> shown_side([[10.0, 90.0], [10.0, 40.0], [60.0, 90.0], [60.0, 50.0]], schema)
    'R'
    """
    located = np.array(points, dtype=np.float64)
    if visible is not None:
        located[~np.asarray(visible, dtype=np.bool_)] = np.nan
    at = {code: located[i] for i, code in enumerate(schema.codes) if np.isfinite(located[i]).all()}
    distal = _distal(at)
    on_bone: dict[str, list[FloatArray]] = {}
    for code, place in at.items():
        on_bone.setdefault(schema.bones[schema.index(code)], []).append(place)
    middles = {bone: _mean(on_bone.get(bone, [])) for bone in (_FIRST, *_LESSER)}
    lesser = next((middles[bone] for bone in _LESSER if np.isfinite(middles[bone]).all()), _NOWHERE)
    return _side(distal, middles[_FIRST] - lesser) or _side(distal, _medial(at))


def _distal(at: dict[str, FloatArray]) -> FloatArray:
    """Which way the metatarsals' shafts point; without them any shafts, then the ends of bones."""
    levels: dict[str, dict[str, list[FloatArray]]] = {}
    for code, place in at.items():
        if found := _SHAFT.fullmatch(code):
            levels.setdefault(found[1], {"p": [], "d": []})[found[2]].append(place)
    along = {shaft: _mean(places["d"]) - _mean(places["p"]) for shaft, places in levels.items()}
    ends = [at[end] - at[start] for start, end in _ENDS if {start, end} <= set(at)]
    for told in ([along[shaft] for shaft in along if shaft.startswith("M")], list(along.values()), ends):
        if np.isfinite(total := _sum(told)).all():
            return total
    return _NOWHERE


def _medial(at: dict[str, FloatArray]) -> FloatArray:
    """From lateral edges to medial ones, over all levels of shafts with both."""
    levels = sorted(code.removesuffix("_med") for code in at if code.endswith(("p_med", "d_med")))
    return _sum(at[f"{level}_med"] - at[f"{level}_lat"] for level in levels if f"{level}_lat" in at)


def _mean(vectors: Iterable[FloatArray]) -> FloatArray:
    placed = list(vectors)
    return np.asarray(np.mean(placed, axis=0)) if placed else _NOWHERE


def _sum(vectors: Iterable[FloatArray]) -> FloatArray:
    """Sum of the vectors that are known; ``nan`` if none is."""
    known = [vector for vector in vectors if np.isfinite(vector).all()]
    return np.asarray(np.sum(known, axis=0)) if known else _NOWHERE


def _side(distal: FloatArray, medial: FloatArray) -> Side | None:
    length = float(np.linalg.norm(distal) * np.linalg.norm(medial))
    if not length > 0.0:  # nan as well
        return None
    across = float(distal[0] * medial[1] - distal[1] * medial[0]) / length
    return None if abs(across) < _CLEAR else "R" if across < 0.0 else "L"
