"""What published groups show of measures without a grade (``configs/reference_values.yaml``)."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Annotated

from pydantic import Field

from raysplay.configs.load import Config, ConfigError, load, shipped
from raysplay.configs.measure_name import MeasureName
from raysplay.measure.evidence import Evidence, cite


class Statement(Config):
    """One published number or range, with its source."""

    text: str
    source: str
    tag: Evidence

    @property
    def cited(self) -> str:
        """The statement with its source and the words that its evidence asks for."""
        return f"{self.text}; {cite(self.source, self.tag)}"


class ReferenceValues(Config):
    """Statements on one measure: ``brief`` fits beside a number and says if sources disagree, ``caution`` says why."""

    measure: MeasureName
    brief: str
    caution: str = ""
    says: Annotated[tuple[Statement, ...], Field(min_length=1)]

    @property
    def sentences(self) -> tuple[str, ...]:
        """Every statement with its source, then the caution."""
        return (*(one.cited for one in self.says), *([self.caution] if self.caution else []))


class _ReferenceFile(Config):
    references: tuple[ReferenceValues, ...]


def read_reference_values(path: Path | str) -> dict[str, ReferenceValues]:
    """Reference values of a file by measure.

    Raises
    ------
    ConfigError
        If the file does not fit, names an unknown measure, or a measure stands twice.
    """
    read = load(_ReferenceFile, path).references
    found = {one.measure: one for one in read}
    if len(found) != len(read):
        raise ConfigError(f"{path}: a measure stands twice")
    return found


@lru_cache(maxsize=1)
def reference_values() -> dict[str, ReferenceValues]:
    """Those shipped with the package."""
    return read_reference_values(shipped("reference_values.yaml"))
