"""Why a measure is withheld, in words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from raysplay.measure.definition import MILLIMETRE, Measure
from raysplay.measure.schema import LandmarkSchema

_NAMED = 4
"""Landmarks named in one reason; the rest are counted."""


def why_withheld(
    value: npt.ArrayLike,
    points: npt.ArrayLike,
    schema: LandmarkSchema,
    measure: Measure,
    *,
    visible: npt.ArrayLike | None = None,
    millimetres: npt.ArrayLike = False,
) -> list[str]:
    """One reason for each foot whose value is ``nan``, an empty string for the others.

    Parameters
    ----------
    value : array_like, shape (N,)
        What :func:`~raysplay.measure.propagate.measure_feet` gave for the measure.
    points : array_like, shape (N, L, 2)
    schema : LandmarkSchema
    measure : Measure
    visible : array_like of bool, shape (N, L), or None
    millimetres : array_like of bool, scalar or shape (N,)
        As they were given there.

    Returns
    -------
    list of str, length N

    Examples
    --------
    >>> from raysplay.measure.registry import by_name
    >>> schema = LandmarkSchema(("M1_emin", "M5_lat"), ("metatarsal_1", "metatarsal_5"))
    >>> width = by_name("forefoot_width_direct")
    >>> why_withheld([float("nan")], [[[0.0, 0.0], [float("nan"), 0.0]]], schema, width)
    ['landmark not placed: M5_lat']
    """
    values = np.asarray(value, dtype=np.float64)
    located = np.asarray(points, dtype=np.float64)
    shown = np.ones(located.shape[:2], dtype=np.bool_) if visible is None else np.asarray(visible, np.bool_)
    in_mm = np.broadcast_to(np.asarray(millimetres, dtype=np.bool_), values.shape)
    absent = [code for code in measure.landmarks if code not in schema.codes]
    known = [(code, schema.index(code)) for code in measure.landmarks if code not in absent]
    reasons = []
    for foot, number in enumerate(values):
        if not np.isnan(number):
            reasons.append("")
            continue
        lost = [code for code, i in known if not np.isfinite(located[foot, i]).all()]
        hidden = [code for code, i in known if not shown[foot, i] and code not in lost]
        if absent:
            reasons.append(f"not in the landmark list: {_listed(absent)}")
        elif lost:
            reasons.append(f"landmark not placed: {_listed(lost)}")
        elif hidden:
            reasons.append(f"landmark not visible: {_listed(hidden)}")
        elif measure.unit == MILLIMETRE and not in_mm[foot]:
            reasons.append("no millimetres: the film's pixel spacing is unknown, see the ratio instead")
        else:
            reasons.append("not defined on these points: an axis has no length or a landmark's spread is unusable")
    return reasons


def _listed(codes: Sequence[str]) -> str:
    more = len(codes) - _NAMED
    return ", ".join(codes[:_NAMED]) + (f" and {more} more" if more > 0 else "")
