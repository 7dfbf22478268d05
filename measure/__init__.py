"""Measures of the forefoot from landmarks: deterministic geometry, signed, each value with its interval.

Points are arrays of shape (N feet, L landmarks, 2) in schema order. :func:`to_foot_frame` brings film pixels
into the right-foot frame (+x lateral, +y distal), :func:`measure_feet` gives every measure of
:data:`MEASURES`. A measure whose landmarks are missing is ``nan``, never guessed.

>>> [measure.name for measure in MEASURES]
['hva', 'ima', 'hia', 'ima45']
"""

from raysplay.measure.definition import Measure
from raysplay.measure.frame import to_foot_frame
from raysplay.measure.geometry import ang, distal_normal, lateral_normal
from raysplay.measure.propagate import MeasureArray, measure_feet, measure_values
from raysplay.measure.registry import MEASURES, by_name
from raysplay.measure.schema import LandmarkSchema

__all__ = [
    "MEASURES",
    "LandmarkSchema",
    "Measure",
    "MeasureArray",
    "ang",
    "by_name",
    "distal_normal",
    "lateral_normal",
    "measure_feet",
    "measure_values",
    "to_foot_frame",
]
