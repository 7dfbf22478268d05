"""Measures of the forefoot from landmarks: deterministic geometry, signed, each value with its interval.

Points are arrays of shape (N feet, L landmarks, 2) in schema order. :func:`to_foot_frame` brings film pixels
into the right-foot frame (+x lateral, +y distal), :func:`measure_feet` gives every measure of
:data:`MEASURES`. A measure whose landmarks are missing is ``nan``, never guessed; :func:`why_withheld` says why.
``REFERENCE.md`` beside this file shows every measure with a drawing of its construction.

>>> [measure.name for measure in MEASURES[:4]]
['hva', 'ima', 'hia', 'ima45']
"""

from raysplay.measure.bone_correlation import bone_correlation
from raysplay.measure.definition import Measure
from raysplay.measure.evidence import Evidence, cite
from raysplay.measure.frame import to_foot_frame
from raysplay.measure.geometry import ang, distal_normal, lateral_normal
from raysplay.measure.propagate import MeasureArray, measure_feet, measure_values
from raysplay.measure.registry import MEASURES, by_name, under
from raysplay.measure.schema import LandmarkSchema
from raysplay.measure.shown_side import shown_side
from raysplay.measure.withheld import why_withheld

__all__ = [
    "MEASURES",
    "Evidence",
    "LandmarkSchema",
    "Measure",
    "MeasureArray",
    "ang",
    "bone_correlation",
    "by_name",
    "cite",
    "distal_normal",
    "lateral_normal",
    "measure_feet",
    "measure_values",
    "shown_side",
    "to_foot_frame",
    "under",
    "why_withheld",
]
