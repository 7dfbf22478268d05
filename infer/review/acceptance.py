"""Numbers that are taken though they are held back: each by itself, and only the number that was shown."""

from __future__ import annotations

from dataclasses import replace

from raysplay.infer.review.foot_numbers import FootNumbers
from raysplay.infer.review.refused import RefusedError
from raysplay.infer.review.requests import MeasureSent, ReadSent
from raysplay.infer.review.shown import Shown
from raysplay.infer.review.standing import Json, Reading, Standing
from raysplay.measure import Measure


def looked_at(
    numbers: FootNumbers, foot: int, reading: Reading, standing: Standing, sent: MeasureSent, reader: str
) -> list[Shown]:
    """Measures as the page asks for them: what its reader accepts is given, but no other number than that one."""
    rows = []
    for one in numbers.shown(foot, reading, standing):
        name, by = one.measure.name, _accepted_before(numbers, foot, reading, standing, one.measure)
        if sent.accepted is not None:
            value = sent.accepted.get(name)
            asked = name in sent.accepted and value in (None, one.numbers[0])
            by = (by or {"by": reader}) if asked else None
        rows.append(replace(one, accepted=by))
    return rows


def accepted(
    numbers: FootNumbers, foot: int, reading: Reading, standing: Standing, sent: ReadSent, reader: str, *, check: bool
) -> dict[str, Json]:
    """Which measures a read takes though they are held back: ``by``, ``cause`` and ``by_run`` by measure.

    What was accepted before stays so while the measure stands on the same points.

    Raises
    ------
    RefusedError
        If ``check``, and a number that is accepted is not there, or is not the one that was shown.
    """
    taken: dict[str, Json] = {}
    for one in numbers.shown(foot, reading, standing):
        name, held = one.measure.name, one.held
        earlier = _accepted_before(numbers, foot, reading, standing, one.measure)
        wanted = earlier is not None if sent.accepted is None else name in sent.accepted
        if wanted and check and sent.accepted is not None and not one.exists:
            raise RefusedError(f"there is no number of {one.measure.abbreviation} to accept: {one.why_none}")
        if not wanted or held is None:
            continue
        if check and sent.accepted is not None and sent.accepted[name] != one.numbers[0]:
            raise RefusedError(
                f"the number of {one.measure.abbreviation} is not the one that you accepted: look at it again"
            )
        if one.exists:
            taken[name] = earlier or {"by": reader, "cause": held.cause, "by_run": held.by_run}
    return taken


def _accepted_before(
    numbers: FootNumbers, foot: int, reading: Reading, standing: Standing, measure: Measure
) -> Json | None:
    """Who accepted a number, if the measure still stands on the same points."""
    by = standing.reading.accepted.get(measure.name)
    return by if by is not None and numbers.same(foot, standing, reading, measure) else None
