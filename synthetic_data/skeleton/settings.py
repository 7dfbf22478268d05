"""Which mesh is which bone, and how a digitised foot is varied (``skeleton.yaml``)."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Annotated

from pydantic import Field, model_validator

from raysplay.configs.load import Config, load
from raysplay.synthetic_data.anatomy.rest import bone_names

Point = tuple[float, float, float]
Range = tuple[float, float]


class MeshFile(Config):
    """A file of meshes and where its origin lies in the foot, in mm after scaling by ``to_mm``."""

    shift: Point


class MeshBone(Config):
    """A bone: the connected part of ``file`` whose box has its middle at ``middle`` (mm, frame of the foot).

    ``core`` is the share of the length, from either end, at which the bone begins to close; ``axis`` is ``own`` for
    the bone's long axis or ``foot`` for the length of the foot.
    """

    file: str
    middle: Point
    core: float = Field(gt=0.05, lt=0.45)
    axis: str = Field(pattern="^(own|foot)$")


class Variation(Config):
    """How feet differ from each other; lengths in mm, angles in degrees, ``mean, sd`` or ``low, high``."""

    size: Range
    stretch: Range
    turn: Annotated[float, Field(ge=0)]
    incline: Annotated[float, Field(ge=0)]
    joint_space: Range
    shell_middle: Range
    shell_end: Range


class SkeletonSettings(Config):
    """``axes`` names the mesh's axes that run lateral, distal and dorsal in a right foot."""

    source: str
    to_mm: float = Field(gt=0)
    axes: tuple[int, int, int]
    files: dict[str, MeshFile]
    bones: dict[str, MeshBone]
    sole: float
    known: Annotated[tuple[str, ...], Field(min_length=1)]
    variation: Variation

    @model_validator(mode="after")
    def _fits(self) -> SkeletonSettings:
        if sorted(self.axes) != [0, 1, 2]:
            raise ValueError("axes must name 0, 1 and 2")
        unknown = set(self.bones) - set(bone_names())
        if unknown:
            raise ValueError(f"no such bone: {', '.join(sorted(unknown))}")
        missing = {bone.file for bone in self.bones.values()} - set(self.files)
        if missing:
            raise ValueError(f"no such file: {', '.join(sorted(missing))}")
        return self


@lru_cache(maxsize=1)
def skeleton_settings() -> SkeletonSettings:
    """The settings shipped with the package."""
    return load(SkeletonSettings, Path(__file__).parent / "skeleton.yaml")
