"""Which mesh is which bone, and how a digitised foot is varied: one file a skeleton, ``skeleton.yaml`` by default."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal

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

    Without ``middle`` the file holds this bone alone.
    ``core`` is the share of the length, from either end, at which the bone begins to close; ``axis`` is ``own`` for
    the bone's long axis or ``foot`` for the length of the foot.
    """

    file: str
    middle: Point | None = None
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
    """One skeleton.

    ``axes`` names the mesh's axes that run lateral, distal and dorsal in a right foot, ``signs`` which of them run the
    other way. A mesh that ``files`` leaves out has its origin in that of the foot.
    """

    source: str
    to_mm: float = Field(gt=0)
    axes: tuple[int, int, int]
    signs: tuple[Literal[-1, 1], Literal[-1, 1], Literal[-1, 1]] = (1, 1, 1)
    files: dict[str, MeshFile] = Field(default_factory=dict)
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
        unused = set(self.files) - {bone.file for bone in self.bones.values()}
        if unused:
            raise ValueError(f"no bone of {', '.join(sorted(unused))}")
        return self


@lru_cache
def skeleton_settings(chosen: str = "skeleton") -> SkeletonSettings:
    """Settings of one skeleton: a shipped one by its name, or those of a file of one's own by its path (``.yaml``).

    Raises
    ------
    ConfigError
        If there is no such file or it cannot be used.
    """
    path = Path(chosen) if chosen.endswith(".yaml") else Path(__file__).parent / f"{chosen}.yaml"
    return load(SkeletonSettings, path.absolute())
