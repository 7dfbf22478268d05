"""The reading protocol (``configs/protocol.yaml``): what is reported, by which construction."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from raysplay.configs.load import Config, load, shipped
from raysplay.measure.axes import CONSTRUCTIONS
from raysplay.measure.definition import DEGREE, Measure
from raysplay.measure.evidence import Evidence
from raysplay.measure.magnification import SpacingUse
from raysplay.measure.registry import MEASURES, by_name, under


def _known(construction: str) -> str:
    if construction not in CONSTRUCTIONS:
        raise ValueError(f"no construction {construction!r}; there are {', '.join(CONSTRUCTIONS)}")
    return construction


def _named(reported: object) -> object:
    return [measure.name for measure in MEASURES] if reported == "all" else reported


Construction = Annotated[str, AfterValidator(_known)]


class Cited(Config):
    """A number with its source."""

    value: Annotated[float, Field(gt=0.0)]
    source: str
    tag: Evidence


class SensitivityBound(Config):
    """Difference between constructions, in degrees, above which a foot is sensitive to the choice, with its source."""

    degrees: Annotated[float, Field(gt=0.0)]
    source: str
    tag: Evidence


class Sensitivity(Config):
    """Bounds of sensitivity by measure; angles only."""

    bounds: dict[str, SensitivityBound]


class SpacingRule(Config):
    """Whether a kind of spacing gives millimetres, and what they mean."""

    millimetres: bool
    statement: str


class ChangeRule(Config):
    """Level at which a change counts (0 to 1), and how far tube tilts of two films may differ (degrees)."""

    level: Cited
    largest_tilt_difference: Cited


class ReadingProtocol(Config):
    """The whole protocol."""

    reported: Annotated[tuple[str, ...], Field(min_length=1), BeforeValidator(_named)]
    construction: Construction
    exceptions: dict[str, Construction]
    sensitivity: Sensitivity
    spacing: dict[str, SpacingRule]
    change: ChangeRule

    @model_validator(mode="after")
    def _measures_exist(self) -> ReadingProtocol:
        names = {measure.name for measure in MEASURES}
        unknown = (set(self.reported) | set(self.exceptions) | set(self.sensitivity.bounds)) - names
        if unknown:
            raise ValueError(f"no such measure: {', '.join(sorted(unknown))}")
        if len(set(self.reported)) != len(self.reported):
            raise ValueError("a measure is reported twice")
        for name, construction in self.exceptions.items():
            if construction not in by_name(name).constructions:
                raise ValueError(f"{name} cannot be built by {construction}")
        not_angles = [name for name in self.sensitivity.bounds if by_name(name).unit != DEGREE]
        if not_angles:
            raise ValueError(f"bound in degrees for {', '.join(not_angles)}")
        return self

    def measure(self, name: str) -> Measure:
        """The measure as this protocol builds it.

        Raises
        ------
        KeyError
            If there is none of that name.
        """
        return under(name, self.exceptions.get(name, self.construction))

    def measures(self) -> tuple[Measure, ...]:
        """Every measure as this protocol builds it, in registry order."""
        return tuple(self.measure(measure.name) for measure in MEASURES)

    def spacing_policy(self) -> dict[str, SpacingUse]:
        """What each kind of pixel spacing may be used for."""
        return {kind: SpacingUse(rule.millimetres, rule.statement) for kind, rule in self.spacing.items()}

    def sensitivity_bounds(self) -> dict[str, float]:
        """Largest difference between constructions, in degrees, by measure."""
        return {name: bound.degrees for name, bound in self.sensitivity.bounds.items()}

    def reported_measures(self) -> tuple[Measure, ...]:
        """Measures of the run's tables, in the protocol's order."""
        return tuple(self.measure(name) for name in self.reported)


def read_protocol(path: Path | str) -> ReadingProtocol:
    """A protocol from a file; sections that it leaves out are those of the shipped ``protocol.yaml``.

    Raises
    ------
    ConfigError
        If the file does not fit the model or names an unknown measure.
    """
    return load(ReadingProtocol, path, defaults=shipped("protocol.yaml"))


@lru_cache(maxsize=1)
def protocol() -> ReadingProtocol:
    """The protocol shipped with the package."""
    return load(ReadingProtocol, shipped("protocol.yaml"))


def reported_measures() -> tuple[Measure, ...]:
    """Measures that the shipped protocol reports, as it builds them."""
    return protocol().reported_measures()
