"""Settings of an evaluation (``configs/evaluate.yaml``)."""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise

from pydantic import Field, field_validator

from raysplay.configs.load import Config, load, shipped


class BootstrapSettings(Config):
    samples: int = Field(ge=100)
    seed: int = Field(ge=0)


class EvaluationSettings(Config):
    """Error limits in degrees, bands of true HVA, confidence of means and shares, bootstrap of the means."""

    within: tuple[float, ...]
    hva_bands: tuple[float, ...]
    confidence: float = Field(gt=0.0, lt=1.0)
    bootstrap: BootstrapSettings

    @field_validator("hva_bands")
    @classmethod
    def _rising(cls, edges: tuple[float, ...]) -> tuple[float, ...]:
        if not edges or any(a >= b for a, b in pairwise(edges)):
            raise ValueError("edges must rise")
        return edges


@lru_cache(maxsize=1)
def evaluation_settings() -> EvaluationSettings:
    """The settings shipped with the package."""
    return load(EvaluationSettings, shipped("evaluate.yaml"))
