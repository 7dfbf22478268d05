"""Side letters on the film against the anatomy and against what the file states.

A letter can only add doubt: one that agrees changes nothing, since a wrong foot may carry the letter of its mistake.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.films.side_letters import SideLetter
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import FoundFoot, Outcome
from raysplay.infer.settings import reading_settings
from raysplay.infer.warp import transform_points
from raysplay.measure.sides import SIDES, other_side


def side_letter(case: FootCase, limits: DecisionLimits) -> Iterator[Finding]:
    """Send to a person: every foot of a film with a mirrored letter, and a foot whose letter names the other side."""
    if mirrored := sorted({one.letter for one in case.letters if one.mirrored}):
        names = " and ".join(mirrored)
        said = (
            f"side letter mirrored: {names} on the film reads as in a mirror, since the film was flipped and this is "
            "the other foot, or since the letter lay face down"
        )
        yield Finding(Outcome.REVIEW, Reason(ReasonKind.SIDE_LETTER_MIRRORED, said))
    letter = _letter_of(case, limits)
    stated = case.film.laterality
    against = [
        words
        for words, side in (("the anatomy", case.foot.side), ("the file", stated))
        if letter and side in SIDES and side != letter
    ]
    if against:
        other = other_side(letter)
        verb = "says" if len(against) == 1 else "say"
        said = f"side letter conflict: the letter on the film says {letter}, {' and '.join(against)} {verb} {other}"
        yield Finding(Outcome.REVIEW, Reason(ReasonKind.SIDE_LETTER_CONFLICT, said))


def _letter_of(case: FootCase, limits: DecisionLimits) -> str:
    """What the letters that belong to this foot say, where they say one thing; else empty."""
    said = {one.letter for one in case.letters if not one.mirrored and _belongs(case, one, limits)}
    return said.pop() if len(said) == 1 else ""


def _belongs(case: FootCase, letter: SideLetter, limits: DecisionLimits) -> bool:
    """Whether the letter lies clearly nearer to this foot than to any other; of an only foot every letter is."""
    own = _distance(case, case.foot, letter)
    return all(own <= limits.side.letter_nearer * _distance(case, other, letter) for other in case.companions)


def _distance(case: FootCase, foot: FoundFoot, letter: SideLetter) -> float:
    """From the middle of the foot's crop to the letter, in film columns."""
    rows, columns = reading_settings().crop_size
    middle = transform_points(foot.film_from_crop, np.array([[(columns - 1) / 2, (rows - 1) / 2]]))[0]
    return float(np.hypot(letter.x - middle[0], (letter.y - middle[1]) * case.film.spacing.aspect))
