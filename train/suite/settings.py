"""Checked form of ``configs/suite.yaml``."""

from __future__ import annotations

from collections.abc import Collection
from functools import lru_cache
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from raysplay.configs.load import Config, load, shipped
from raysplay.infer.reason import ReasonKind
from raysplay.measure import MEASURES
from raysplay.synthetic_data.film.settings import (
    FILM_CONDITIONS,
    ArchiveSettings,
    FilmSettings,
    archive_settings,
    condition_settings,
)

Expectation = Literal["measure", "turn away"]


def _known(condition: str | None) -> str | None:
    if condition is not None and condition not in FILM_CONDITIONS:
        raise ValueError(f"the generator has no condition {condition}")
    return condition


class StrangerSettings(Config):
    """The field that bends bones: its length scale and the standard deviation of each component, mm."""

    length_mm: float = Field(gt=0)
    sd_mm: float = Field(ge=0)


class SuiteCondition(Config):
    """One archive: what it is asked for from the generator and what shall become of its feet.

    ``of`` and ``strength`` are those of ``condition_settings``, no ``of``: the archive is not generated but handed in,
    and left out where it is not; ``film`` replaces keys of the section ``film`` of ``archive.yaml``; ``without`` takes
    only films each foot of which lacks a true value of one of these measures; ``pixel_mm`` fixes the size of a pixel;
    ``jpeg_quality`` writes 8-bit JPEG files instead of DICOM; ``strange`` bends the bones. ``reasons`` are the kinds
    of those that fit what is to be turned away.
    """

    name: Annotated[str, Field(pattern=r"^[a-z0-9_.]+$")]
    expect: Expectation
    of: Annotated[str | None, AfterValidator(_known)] = None
    strength: float = Field(default=1.0, ge=0, le=2)
    film: dict[str, float | tuple[float, float]] = Field(default_factory=dict)
    without: tuple[str, ...] = ()
    pixel_mm: float | None = Field(default=None, gt=0)
    jpeg_quality: int | None = Field(default=None, ge=1, le=95)
    strange: StrangerSettings | None = None
    reasons: tuple[ReasonKind, ...] = ()

    @model_validator(mode="after")
    def _can_be_made(self) -> SuiteCondition:
        if unknown := set(self.without) - {measure.name for measure in MEASURES}:
            raise ValueError(f"no such measure: {', '.join(sorted(unknown))}")
        self.archive()
        return self

    def archive(self) -> ArchiveSettings:
        """Settings of the generator; the shipped ones, unused, for an archive that is handed in."""
        settings = archive_settings() if self.of is None else condition_settings(self.of, self.strength)
        film = FilmSettings.model_validate({**settings.film.model_dump(), **self.film})
        return settings.model_copy(update={"film": film})


class Target(Config):
    """Bounds on a column of ``suite.csv``, for each condition of ``of``."""

    column: str
    of: tuple[str, ...] = Field(min_length=1)
    source: Literal["work order", "proposed"]
    at_least: float | None = None
    at_most: float | None = None

    @model_validator(mode="after")
    def _bounded(self) -> Target:
        if self.at_least is None and self.at_most is None:
            raise ValueError("a target needs at_least or at_most")
        return self

    @property
    def words(self) -> str:
        """The bounds as a reader sees them."""
        if self.at_least is not None and self.at_most is not None:
            return f"{self.at_least:g} to {self.at_most:g}"
        return f"at most {self.at_most:g}" if self.at_least is None else f"at least {self.at_least:g}"

    def met(self, figure: float) -> bool:
        """Whether ``figure`` lies within the bounds, the ends included; never for ``nan``."""
        low = float("-inf") if self.at_least is None else self.at_least
        high = float("inf") if self.at_most is None else self.at_most
        return low <= figure <= high


class SuiteSettings(Config):
    """All of ``suite.yaml``."""

    films: int = Field(ge=1)
    seed: int = Field(ge=0)
    conditions: tuple[SuiteCondition, ...] = Field(min_length=1)
    targets: tuple[Target, ...]

    @model_validator(mode="after")
    def _names_hold(self) -> SuiteSettings:
        names = [condition.name for condition in self.conditions]
        if len(set(names)) < len(names):
            raise ValueError("a condition stands twice")
        if unknown := {name for target in self.targets for name in target.of} - set(names):
            raise ValueError(f"target of no condition: {', '.join(sorted(unknown))}")
        return self

    def chosen(self, names: Collection[str] | None, handed: Collection[str] = ()) -> tuple[SuiteCondition, ...]:
        """The conditions to run, in the order of the file.

        Parameters
        ----------
        names : collection of str or None
            Of generated conditions; all of them for ``None``.
        handed : collection of str
            Conditions whose archive was handed in.

        Raises
        ------
        ValueError
            If a name is not one of a generated condition, or not one of those handed in.
        """
        generated = {condition.name for condition in self.conditions if condition.of is not None}
        others = {condition.name for condition in self.conditions} - generated
        if unknown := (set(names or ()) - generated) | (set(handed) - others):
            raise ValueError(f"no such condition: {', '.join(sorted(unknown))}")
        wanted = {*(generated if names is None else names), *handed}
        return tuple(condition for condition in self.conditions if condition.name in wanted)


@lru_cache(maxsize=1)
def suite_settings() -> SuiteSettings:
    """The settings shipped with the package."""
    return load(SuiteSettings, shipped("suite.yaml"))
