"""What in a comparison looks like a slip in the table rather than an error of the reading."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from raysplay.infer.compare.evaluation import Pair
from raysplay.infer.compare.settings import EvaluationSettings
from raysplay.measure import by_name
from raysplay.measure.definition import DEGREE
from raysplay.measure.sides import SIDE_WORDS

_NAMED = 10
"""Feet that a caution lists; the rest is counted."""


def cautions(pairs: Iterable[Pair], measures: Iterable[str], settings: EvaluationSettings) -> tuple[str, ...]:
    """Sentences on signs that disagree on one side, and on feet whose numbers lie too far apart.

    Parameters
    ----------
    pairs : iterable of Pair
    measures : iterable of str
        Those that the run reports; only angles are looked at.
    settings : EvaluationSettings
    """
    known = list(pairs)
    angles = [name for name in measures if by_name(name).unit == DEGREE]
    opposite = [*_opposite_signs(known, angles, settings)]
    return (*opposite, *_far_apart(known, angles, settings))


def _opposite_signs(pairs: Sequence[Pair], measures: Iterable[str], settings: EvaluationSettings) -> Iterator[str]:
    limits = settings.signs
    for name in measures:
        for side, word in SIDE_WORDS.items():
            values = [
                (truth, read)
                for pair, truth, read in _compared(pairs, name)
                if pair.true.side == side and min(abs(truth), abs(read)) >= limits.least_degrees
            ]
            turned = sum(truth * read < 0 for truth, read in values)
            if len(values) >= limits.fewest_feet and turned > limits.share * len(values):
                yield (
                    f"{by_name(name).abbreviation} of {word} feet has the opposite sign in the table and in the run on "
                    f"{turned} of {len(values)} feet. Here signs do not depend on the side (raysplay measures {name}); "
                    f"if the table gives {word} feet the other sign, put that right: until then these errors are wrong."
                )


def _far_apart(pairs: Sequence[Pair], measures: Iterable[str], settings: EvaluationSettings) -> Iterator[str]:
    for name in measures:
        far = [one for one in _compared(pairs, name) if abs(one[2] - one[1]) >= settings.far_apart_degrees]
        if not far:
            continue
        far.sort(key=lambda one: -abs(one[2] - one[1]))
        listed = "; ".join(
            f"{pair.true.film} {pair.true.side}{_line(pair)}: {truth:.1f} in the table, {read:.1f} read"
            for pair, truth, read in far[:_NAMED]
        )
        more = f"; and {len(far) - _NAMED} more" if len(far) > _NAMED else ""
        yield (
            f"{by_name(name).abbreviation} differs by {settings.far_apart_degrees:g} degrees or more on {len(far)} "
            f"feet: {listed}{more}. Look at these films: the reading may be wrong, or a cell, or the film's name."
        )


def _compared(pairs: Iterable[Pair], measure: str) -> Iterator[tuple[Pair, float, float]]:
    """Measured dorsoplantar feet with their true value and the one read."""
    for pair in pairs:
        if measure in pair.true.angles and pair.fate(measure) == "compared" and pair.measured is not None:
            yield pair, pair.true.angles[measure], pair.measured.values[measure][0]


def _line(pair: Pair) -> str:
    return f" (line {pair.true.lines[0]})" if pair.true.lines else ""
