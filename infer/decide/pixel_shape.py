"""Does the shape of the pixels, which bends every angle, hang on one statement of the file?"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.needed import deciding, usable_landmarks
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.decide.wording import number, unit_word
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import Outcome
from raysplay.measure import measure_values, to_foot_frame


def pixel_shape(case: FootCase, limits: DecisionLimits) -> Iterator[Finding]:
    """Send to a person pixels that are not square by one statement alone, with the numbers that square ones would give.

    A second, independent statement (``Spacing.shape_confirmed``) settles it.
    """
    aspect = case.film.spacing.aspect
    percent = 100.0 * (max(aspect, 1.0 / aspect) - 1.0)
    if percent <= limits.pixel_shape.square_within_percent or case.film.spacing.shape_confirmed:
        return
    measures = deciding(case.measurements, limits.interval)
    points, _ = to_foot_frame(case.landmarks.points[None], None, [case.foot.side])
    usable = usable_landmarks(case.film, case.landmarks, limits)[None]
    square = measure_values(points, case.schema, visible=usable, measures=measures)
    values = [
        f"{measure.abbreviation} {number(value, measure.unit)} {unit_word(measure.unit)}"
        for measure in measures
        if np.isfinite(value := float(square[measure.name][0]))
    ]
    otherwise = f" (with square pixels {', '.join(values)})" if values else ""
    said = f"pixels not square: rows lie {aspect:.3f} times as far apart as columns by one statement alone{otherwise}"
    yield Finding(Outcome.REVIEW, Reason(ReasonKind.PIXELS_NOT_SQUARE, said, {"aspect": aspect}))
