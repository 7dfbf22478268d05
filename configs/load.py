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


def load(model: type[ConfigT], path: Path | str, *, defaults: Path | None = None) -> ConfigT:
    """Read ``path`` and check it against ``model``.

    Parameters
    ----------
    model : type
    path : Path or str
        A name that is no file where the program runs means the file of that name shipped in ``configs/``.
    defaults : Path, optional
        File that holds what the top level of ``path`` leaves out.

    Raises
    ------
    ConfigError
        If a file is missing, is not YAML, or does not fit the model.
    """
    path = locate(path)
    content = _content(path)
    if defaults is not None and isinstance(content, dict):
        rest = _content(defaults)
        content = {**rest, **content} if isinstance(rest, dict) else content
    try:
        return model.model_validate(content)
    except ValidationError as error:
        first = error.errors()[0]
        where = [".".join(str(part) for part in first["loc"])] if first["loc"] else []
        raise ConfigError(": ".join([str(path), *where, first["msg"]])) from error


def _content(path: Path) -> object:
    try:
        return yaml.safe_load(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path}: not text in UTF-8") from error
    except yaml.YAMLError as error:
        raise ConfigError(f"{path}: not valid YAML ({' '.join(str(error).split())})") from error


def shipped(name: str) -> Path:
    """The file of that name in ``configs/``, whatever lies where the program runs."""
    return CONFIG_DIR / name


def locate(path: Path | str) -> Path:
    """The file meant by ``path``: itself, or else the shipped one of that name."""
    path = Path(path)
    return path if path.is_absolute() or path.exists() else CONFIG_DIR / path


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
    entries = load(_LandmarkFile, shipped("landmarks.yaml")).landmarks
    try:
        return LandmarkSchema(tuple(e.code for e in entries), tuple(e.bone for e in entries))
    except ValueError as error:
        raise ConfigError(f"{shipped('landmarks.yaml')}: {error}") from error


@lru_cache(maxsize=1)
def landmark_descriptions() -> tuple[str, ...]:
    """How a person finds each landmark, in file order; used where a landmark is named to a reader."""
    return tuple(entry.find for entry in load(_LandmarkFile, shipped("landmarks.yaml")).landmarks)
