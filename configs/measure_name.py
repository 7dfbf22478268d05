"""The name of a measure in a configuration file."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator

from raysplay.measure.registry import MEASURES


def _known(name: str) -> str:
    if name not in {measure.name for measure in MEASURES}:
        raise ValueError(f"no such measure: {name}")
    return name


MeasureName = Annotated[str, AfterValidator(_known)]
"""A name that the registry knows."""
