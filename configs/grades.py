"""Published grading schemes (``configs/grades.yaml``)."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Annotated

from pydantic import Field, model_validator

from raysplay.configs.load import Config, ConfigError, load, shipped
from raysplay.measure.evidence import Evidence
from raysplay.measure.grades import Scale, Scheme
from raysplay.measure.registry import MEASURES, by_name


class _Grade(Config):
    grade: str
    from_: Annotated[float | None, Field(alias="from")] = None
    above: float | None = None
    up_to: float | None = None


class _Scheme(Config):
    name: str
    title: str
    source: str
    tag: Evidence
    scales: dict[str, Annotated[tuple[_Grade, ...], Field(min_length=2)]]

    @model_validator(mode="after")
    def _borders(self) -> _Scheme:
        for measure, (lowest, *higher) in self.scales.items():
            if measure not in {one.name for one in MEASURES}:
                raise ValueError(f"{self.name}: no such measure: {measure}")
            if lowest.above is not None:
                raise ValueError(f"{self.name}: the lowest grade of {measure} may begin by from, not by above")
            if any(grade.up_to is not None for grade in (lowest, *higher[:-1])):
                raise ValueError(f"{self.name}: only the highest grade of {measure} may end")
            if any((grade.from_ is None) == (grade.above is None) for grade in higher):
                raise ValueError(f"{self.name}: every higher grade of {measure} needs one of from and above")
        return self


class _GradeFile(Config):
    schemes: tuple[_Scheme, ...]


def read_schemes(path: Path | str) -> tuple[Scheme, ...]:
    """Schemes of a file, in its order.

    Raises
    ------
    ConfigError
        If the file does not fit, names an unknown measure, borders and ends do not rise, or a name stands twice.
    """
    read = load(_GradeFile, path).schemes
    if len({scheme.name for scheme in read}) != len(read):
        raise ConfigError(f"{path}: a scheme stands twice")
    try:
        return tuple(
            Scheme(
                scheme.name,
                scheme.title,
                tuple(_scale(measure, grades) for measure, grades in scheme.scales.items()),
                scheme.source,
                scheme.tag,
            )
            for scheme in read
        )
    except ValueError as error:
        raise ConfigError(f"{path}: {error}") from error


@lru_cache(maxsize=1)
def schemes() -> tuple[Scheme, ...]:
    """The schemes shipped with the package.

    Raises
    ------
    ConfigError
        As for :func:`read_schemes`.
    """
    return read_schemes(shipped("grades.yaml"))


def scheme(name: str) -> Scheme:
    """The shipped scheme called ``name``.

    Raises
    ------
    KeyError
        If there is none; the message lists those there are.
    """
    for one in schemes():
        if one.name == name:
            return one
    raise KeyError(f"no scheme {name!r}; there are {', '.join(one.name for one in schemes())}")


def _scale(measure: str, grades: tuple[_Grade, ...]) -> Scale:
    borders = []
    for grade in grades[1:]:
        border = grade.from_ if grade.from_ is not None else grade.above
        assert border is not None
        borders.append(border)
    return Scale(
        measure,
        tuple(grade.grade for grade in grades),
        tuple(borders),
        tuple(grade.from_ is not None for grade in grades[1:]),
        lowest=grades[0].from_,
        highest=grades[-1].up_to,
        possible=by_name(measure).bounds,
    )
