"""Published errors of human readers (``configs/reader_error.yaml``)."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Annotated

from pydantic import Field

from raysplay.configs.load import Config, load, shipped
from raysplay.configs.measure_name import MeasureName
from raysplay.measure.evidence import Evidence
from raysplay.measure.reader_error import ReaderError


class _Error(Config):
    measure: MeasureName
    sem: Annotated[float, Field(gt=0.0)]
    basis: str
    source: str
    tag: Evidence


class _ErrorFile(Config):
    errors: tuple[_Error, ...]


def read_reader_errors(path: Path | str) -> dict[str, tuple[ReaderError, ...]]:
    """Errors of a file by measure, the one to use first.

    Raises
    ------
    ConfigError
        If the file does not fit or names an unknown measure.
    """
    found: dict[str, tuple[ReaderError, ...]] = {}
    for one in load(_ErrorFile, path).errors:
        error = ReaderError(one.measure, one.sem, one.basis, one.source, one.tag)
        found[one.measure] = (*found.get(one.measure, ()), error)
    return found


@lru_cache(maxsize=1)
def _shipped() -> dict[str, tuple[ReaderError, ...]]:
    return read_reader_errors(shipped("reader_error.yaml"))


def reader_error(measure: str) -> ReaderError | None:
    """The published error that is used for a measure, or None if none is known."""
    errors = _shipped().get(measure)
    return errors[0] if errors else None


def reader_errors() -> dict[str, tuple[ReaderError, ...]]:
    """All published errors that ship with the package, by measure."""
    return dict(_shipped())
