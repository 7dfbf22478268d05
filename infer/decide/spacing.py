"""Can the stated pixel spacing be believed?"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from raysplay.infer.decide.case import Finding, FootCase, upright
from raysplay.infer.decide.config import SpacingLimits
from raysplay.infer.records import Outcome


def spacing(case: FootCase, limits: SpacingLimits) -> Iterator[Finding]:
    """Send to a person pixels far from square, or a foot of impossible size.

    Angles do not depend on scale but do on the ratio of row to column distance; an impossible size says
    that the spacing belongs to something else.
    """
    stated = case.film.spacing
    if not limits.aspect[0] <= stated.aspect <= limits.aspect[1]:
        yield Finding(Outcome.REVIEW, f"spacing doubtful: rows lie {stated.aspect:.2f} times as far apart as columns")
    if stated.column_mm is not None:
        points = upright(case.film, case.foot, case.landmarks.points)
        level = {
            name: (points[case.schema.index(f"M2{name}_med")] + points[case.schema.index(f"M2{name}_lat")]) / 2
            for name in "pd"
        }
        millimetres = float(np.linalg.norm(level["d"] - level["p"])) * stated.column_mm
        low, high = limits.second_metatarsal_mm
        if not low <= millimetres <= high:
            yield Finding(
                Outcome.REVIEW,
                f"spacing doubtful: {millimetres:.0f} mm between the shaft levels of the second metatarsal, "
                f"expected {low:g} to {high:g}",
            )
