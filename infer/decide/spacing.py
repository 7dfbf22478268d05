"""Can the stated pixel spacing be believed?"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from raysplay.infer.decide.case import Finding, FootCase, upright
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import Outcome


def spacing(case: FootCase, limits: DecisionLimits) -> Iterator[Finding]:
    """Send to a person pixels far from square, or a foot of impossible size.

    Angles do not depend on scale but do on the ratio of row to column distance; an impossible size says
    that the spacing belongs to something else.
    """
    stated, bounds = case.film.spacing, limits.spacing
    if not bounds.aspect[0] <= stated.aspect <= bounds.aspect[1]:
        said = f"spacing doubtful: rows lie {stated.aspect:.2f} times as far apart as columns"
        yield Finding(Outcome.REVIEW, Reason(ReasonKind.SPACING_DOUBTFUL, said, {"aspect": stated.aspect}))
    if stated.column_mm is not None:
        points = upright(case.film, case.foot, case.landmarks.points)
        level = {
            name: (points[case.schema.index(f"M2{name}_med")] + points[case.schema.index(f"M2{name}_lat")]) / 2
            for name in "pd"
        }
        millimetres = float(np.linalg.norm(level["d"] - level["p"])) * stated.column_mm
        low, high = bounds.second_metatarsal_mm
        if not low <= millimetres <= high:
            said = (
                f"spacing doubtful: {millimetres:.0f} mm between the shaft levels of the second metatarsal, "
                f"expected {low:g} to {high:g}"
            )
            yield Finding(Outcome.REVIEW, Reason(ReasonKind.SPACING_DOUBTFUL, said, {"millimetres": millimetres}))
