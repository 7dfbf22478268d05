"""Settings of agreement (``configs/agreement.yaml``)."""

from __future__ import annotations

from functools import lru_cache

from pydantic import Field, field_validator

from raysplay.configs.grades import schemes
from raysplay.configs.load import Config, load, shipped


class SlipSettings(Config):
    """When something in a table is taken for a slip of its writer; see the file."""

    fewest_feet: int = Field(ge=2)
    share: float = Field(gt=0.0, le=1.0)
    least_degrees: float = Field(gt=0.0)
    closer: float = Field(gt=0.0, lt=1.0)
    unit_factors: dict[str, float]
    unit_spread: float = Field(gt=0.0, lt=0.5)
    far_apart_degrees: float = Field(gt=0.0)


class AgreementSettings(Config):
    """How readers and the tool are compared.

    Attributes
    ----------
    level : float
        Of all intervals.
    few_feet, fewest_feet : int
        Below the first figures are called shaky; below the second there are none.
    within : dict of str to tuple of float
        Limits of small differences, by unit.
    limits_known_within : dict of str to tuple of float
        How well the limits of agreement of a next study shall be known, by unit: films for it are counted.
    grades : str
        Scheme for kappa and confusion.
    slips : SlipSettings
    """

    level: float = Field(gt=0.5, lt=1.0)
    few_feet: int = Field(ge=1)
    fewest_feet: int = Field(ge=2)
    within: dict[str, tuple[float, ...]]
    limits_known_within: dict[str, tuple[float, ...]]
    grades: str
    slips: SlipSettings

    @field_validator("grades")
    @classmethod
    def _known(cls, name: str) -> str:
        if name not in {one.name for one in schemes()}:
            raise ValueError(f"no scheme is called {name}")
        return name


@lru_cache(maxsize=1)
def agreement_settings() -> AgreementSettings:
    """The settings shipped with the package."""
    return load(AgreementSettings, shipped("agreement.yaml"))
