"""Does the number hang on how the axis is drawn?"""

from __future__ import annotations

from collections.abc import Iterator

from raysplay.infer.decide.case import Finding, FootCase, upright
from raysplay.infer.decide.needed import usable_landmarks
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.decide.wording import number, unit_word
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import Outcome
from raysplay.measure import by_name
from raysplay.measure.sensitivity import construction_spread


def construction_sensitive(case: FootCase, limits: DecisionLimits) -> Iterator[Finding]:
    """Say which measures of a foot differ between constructions by more than the protocol's bound.

    Sends to a person only where the limits say so: a difference is no error, but the number must not be compared
    with one that was drawn otherwise.
    """
    wanted = limits.construction
    bounds = case.protocol.sensitivity_bounds()
    spreads = construction_spread(
        upright(case.film, case.foot, case.landmarks.points)[None],
        case.schema,
        constructions=wanted.compare,
        bounds={name: bounds[name] for name in wanted.measures if name in bounds},
        visible=usable_landmarks(case.film, case.landmarks, limits)[None],
    )
    for name, spread in spreads.items():
        if spread.sensitive[0]:
            measure = by_name(name)
            values = ", ".join(f"{number(value[0], measure.unit)} by {one}" for one, value in spread.values.items())
            yield Finding(
                Outcome.REVIEW if wanted.review else Outcome.ACCEPTED,
                Reason(
                    ReasonKind.CONSTRUCTION_SENSITIVE,
                    f"construction-sensitive: {measure.abbreviation} is {values} "
                    f"({unit_word(measure.unit)}), limit {spread.bound:g} apart",
                    {one: float(value[0]) for one, value in spread.values.items()},
                ),
            )
