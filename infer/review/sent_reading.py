"""A foot as the page has it: what was sent, over what stands."""

from __future__ import annotations

from collections.abc import Iterable

from raysplay.configs.load import landmark_schema
from raysplay.infer.outputs.finished_run import FilmFacts
from raysplay.infer.review.model_output import ModelOutput
from raysplay.infer.review.reading import PlacedPoints
from raysplay.infer.review.refused import RefusedError
from raysplay.infer.review.requests import MeasureSent, PointSent, ReadSent
from raysplay.infer.review.standing import Reading, Standing


def sent_reading(
    output: ModelOutput, foot: int, standing: Standing, sent: MeasureSent | ReadSent, constructions: tuple[str, ...]
) -> Reading:
    """What was sent of a foot, over what stands; nothing accepted yet.

    Parameters
    ----------
    output : ModelOutput
    foot : int
        From 0.
    standing : Standing
    sent : MeasureSent or ReadSent
    constructions : tuple of str
        That the run's measures can be built by.

    Raises
    ------
    RefusedError
        If there is no such construction, a landmark is sent twice, or one is moved off the film.
    """
    anew = standing.reading.anew if sent.anew is None else sent.anew
    initial = output.initial(foot, anew)
    before = standing.placed if anew == standing.reading.anew else initial
    construction = sent.construction or standing.construction
    if construction not in constructions:
        raise RefusedError("there is no such construction")
    placed = _placed(sent.points, before, initial, output.film(foot))
    return Reading(sent.side or standing.side, construction, placed, anew)


def _placed(sent: Iterable[PointSent], before: PlacedPoints, initial: PlacedPoints, film: FilmFacts) -> PlacedPoints:
    """Points as sent, over those before; an unmoved point lies where the model put it, whatever was sent."""
    points, visible, moved = before.points.copy(), before.visible.copy(), before.moved.copy()
    seen = set()
    for one in sent:
        if one.code in seen:
            raise RefusedError(f"the landmark {one.code} was sent twice")
        seen.add(one.code)
        i = landmark_schema().index(one.code)
        if one.moved:
            if one.x is None or one.y is None:
                raise RefusedError(f"the landmark {one.code} was moved to nowhere")
            if not (-0.5 <= one.x <= film.columns - 0.5 and -0.5 <= one.y <= film.rows - 0.5):
                raise RefusedError(f"the landmark {one.code} was placed off the film")
            points[i] = one.x, one.y
        else:
            points[i] = initial.points[i]
        moved[i] = one.moved
        visible[i] = one.visible
    return PlacedPoints(points, visible, moved)
