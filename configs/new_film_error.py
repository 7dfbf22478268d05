"""What another film of an unchanged foot gives (``configs/new_film_error.yaml``)."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Annotated

from pydantic import Field

from raysplay.configs.load import Config, ConfigError, load, shipped
from raysplay.configs.measure_name import MeasureName
from raysplay.measure.evidence import Evidence
from raysplay.measure.reader_error import NewFilmError


class _Error(Config):
    measure: MeasureName
    sd: Annotated[float, Field(gt=0.0)]
    holds_reading: bool
    basis: str
    source: str
    tag: Evidence


class _ErrorFile(Config):
    errors: tuple[_Error, ...]


def read_new_film_errors(path: Path | str) -> dict[str, NewFilmError]:
    """Errors of a file by measure.

    Raises
    ------
    ConfigError
        If the file does not fit, names an unknown measure, or one twice.
    """
    found: dict[str, NewFilmError] = {}
    for one in load(_ErrorFile, path).errors:
        if one.measure in found:
            raise ConfigError(f"{path}: {one.measure} stands twice")
        found[one.measure] = NewFilmError(one.measure, one.sd, one.holds_reading, one.basis, one.source, one.tag)
    return found


@lru_cache(maxsize=1)
def _shipped() -> dict[str, NewFilmError]:
    return read_new_film_errors(shipped("new_film_error.yaml"))


def new_film_error(measure: str) -> NewFilmError | None:
    """The shipped error of a measure, or None if none is known."""
    return _shipped().get(measure)
