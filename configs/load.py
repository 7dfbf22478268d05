"""Reads a YAML file into a checked, frozen model; unknown keys are errors."""

from __future__ import annotations

import hashlib
from functools import lru_cache
from pathlib import Path
from typing import TypeVar

import yaml
from pydantic import BaseModel, ConfigDict, ValidationError

from raysplay.measure.schema import LandmarkSchema

CONFIG_DIR = Path(__file__).parent
"""Folder of the configuration files shipped with the package."""


class Config(BaseModel):
    """Base of every configuration model: frozen, unknown keys refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)


ConfigT = TypeVar("ConfigT", bound=Config)


class ConfigError(ValueError):
    """A configuration file that cannot be used; the message names the file and the reason."""


def load(model: type[ConfigT], path: Path | str) -> ConfigT:
    """Read ``path`` (a bare file name means one shipped in ``configs/``) and check it against ``model``.

    Raises
    ------
    ConfigError
        If the file is missing, is not YAML, or does not fit the model.
    """
    path = Path(path)
    if not path.is_absolute() and not path.exists():
        path = CONFIG_DIR / path
    try:
        return model.model_validate(yaml.safe_load(path.read_text(encoding="utf-8")))
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read ({error.strerror})") from error
    except yaml.YAMLError as error:
        raise ConfigError(f"{path}: not valid YAML ({error})") from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise ConfigError(f"{path}: {where}: {first['msg']}") from error


def digest(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


class _Landmark(Config):
    code: str
    bone: str
    find: str


class _LandmarkFile(Config):
    landmarks: tuple[_Landmark, ...]


@lru_cache(maxsize=1)
def landmark_schema() -> LandmarkSchema:
    """The landmarks of ``configs/landmarks.yaml``, in file order."""
    entries = load(_LandmarkFile, "landmarks.yaml").landmarks
    return LandmarkSchema(tuple(e.code for e in entries), tuple(e.bone for e in entries))


@lru_cache(maxsize=1)
def landmark_descriptions() -> tuple[str, ...]:
    """How a person finds each landmark, in file order; used where a landmark is named to a reader."""
    return tuple(entry.find for entry in load(_LandmarkFile, "landmarks.yaml").landmarks)
