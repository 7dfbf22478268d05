"""What published groups show of a measure: the range that is drawn behind a run's numbers, and all else, by source."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from raysplay.configs.grades import schemes
from raysplay.configs.normal_ranges import normal_ranges
from raysplay.configs.reference_values import reference_values
from raysplay.measure.grades import Scale
from raysplay.measure.normal_range import NormalRange


@dataclass(frozen=True)
class Published:
    """``drawn``: what one source calls normal, None where no range is configured; ``says``: sentences with sources."""

    drawn: NormalRange | None
    says: tuple[str, ...]


def published(measure: str) -> Published:
    """By the measure's name."""
    return Published(normal_ranges().get(measure), tuple(_says(measure)))


def _says(measure: str) -> Iterator[str]:
    known = reference_values().get(measure)
    if known is not None:
        yield from known.sentences
    for scheme in schemes():
        if scale := scheme.scale(measure):
            yield f"{scheme.title}: {in_words(scale)}; {scheme.cited}"


def in_words(scale: Scale) -> str:
    """Grades with their borders.

    Examples
    --------
    >>> in_words(Scale("hva", ("varus", "normal", "abnormal"), (0.0, 15.0), (True, False), highest=90.0))
    'varus; normal from 0; abnormal above 15 up to 90'
    """
    said = [scale.grades[0] + (f" from {scale.lowest:g}" if scale.lowest is not None else "")]
    for grade, border, at in zip(scale.grades[1:], scale.borders, scale.from_border, strict=True):
        said.append(f"{grade} {'from' if at else 'above'} {border:g}")
    if scale.highest is not None:
        said[-1] += f" up to {scale.highest:g}"
    return "; ".join(said)
