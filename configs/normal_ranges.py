"""What counts as normal at each level of the first ray (``configs/normal_ranges.yaml``)."""

from __future__ import annotations

from functools import lru_cache
from math import inf
from pathlib import Path

from raysplay.configs.grades import scheme
from raysplay.configs.load import Config, ConfigError, load, shipped
from raysplay.configs.measure_name import MeasureName
from raysplay.measure.grades import Scale
from raysplay.measure.normal_range import NormalRange


class _Range(Config):
    measure: MeasureName
    scheme: str
    grade: str


class _RangeFile(Config):
    ranges: tuple[_Range, ...]


def read_normal_ranges(path: Path | str) -> dict[str, NormalRange]:
    """Normal ranges of a file, by measure.

    Raises
    ------
    ConfigError
        If the file does not fit, a measure stands twice, or a scheme has no such scale or grade.
    """
    found: dict[str, NormalRange] = {}
    for one in load(_RangeFile, path).ranges:
        if one.measure in found:
            raise ConfigError(f"{path}: {one.measure} stands twice")
        try:
            published = scheme(one.scheme)
        except KeyError as error:
            raise ConfigError(f"{path}: {error.args[0]}") from error
        scale = published.scale(one.measure)
        if scale is None or scale.grades.count(one.grade) != 1:
            raise ConfigError(f"{path}: {one.scheme} has no grade {one.grade!r} of {one.measure}, or has it twice")
        low, high = _ends(scale, one.grade)
        found[one.measure] = NormalRange(one.measure, low, high, published.source, published.evidence)
    return found


def _ends(scale: Scale, grade: str) -> tuple[float, float]:
    """Borders of a grade; infinite where it has none."""
    borders = (scale.lowest, *scale.borders, scale.highest)
    place = scale.grades.index(grade)
    low, high = borders[place], borders[place + 1]
    return -inf if low is None else low, inf if high is None else high


@lru_cache(maxsize=1)
def _shipped() -> dict[str, NormalRange]:
    return read_normal_ranges(shipped("normal_ranges.yaml"))


def normal_ranges() -> dict[str, NormalRange]:
    """The shipped normal ranges, by measure."""
    return dict(_shipped())
