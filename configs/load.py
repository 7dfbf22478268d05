"""Reads a YAML file into a checked, frozen model; unknown keys are errors."""

from __future__ import annotations

import hashlib
import os
from functools import lru_cache
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from raysplay.configs.errors import RaysplayError
from raysplay.configs.plain_file import open_plain, read_plain
from raysplay.configs.plain_words import told
from raysplay.configs.plain_yaml import parse
from raysplay.measure.schema import LandmarkSchema

CONFIG_DIR = Path(__file__).parent
"""Folder of the configuration files shipped with the package."""

_MOST_BYTES = 2**20
"""A configuration is written by hand; the largest shipped table has 26 thousand bytes."""


class Config(BaseModel):
    """Base of every configuration model: frozen, unknown keys refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)


ConfigT = TypeVar("ConfigT", bound=Config)


class ConfigError(RaysplayError, ValueError):
    """A configuration file that cannot be used; the message names the file and the reason."""


def load(model: type[ConfigT], path: Path | str, *, defaults: Path | None = None, aliases: bool = False) -> ConfigT:
    """Read ``path`` and check it against ``model``.

    Parameters
    ----------
    model : type
    path : Path or str
        A name that is no file where the program runs means the file of that name shipped in ``configs/``.
    defaults : Path, optional
        File that holds what the top level of ``path`` leaves out.
    aliases : bool
        Whether YAML's aliases are taken; only for files of the package.

    Raises
    ------
    ConfigError
        If a file is missing, is no regular file, too large, not YAML, nested too deep, or does not fit the model.
    """
    path = locate(path)
    content = _content(path, aliases)
    if content is None:
        raise ConfigError(f"{path}: is empty")
    if defaults is not None and isinstance(content, dict):
        rest = _content(defaults)
        content = {**rest, **content} if isinstance(rest, dict) else content
    try:
        return model.model_validate(content)
    except ValidationError as error:
        raise ConfigError(f"{path}: {told(error.errors())}") from error


def _content(path: Path, aliases: bool = False) -> object:
    try:
        return parse(read_plain(path, _MOST_BYTES).decode("utf-8-sig"), aliases=aliases)
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path}: not text in UTF-8") from error
    except ValueError as error:
        raise ConfigError(f"{path}: {error}") from error


def shipped(name: str) -> Path:
    """The file of that name in ``configs/``, whatever lies where the program runs."""
    return CONFIG_DIR / name


def locate(path: Path | str) -> Path:
    """The file meant by ``path``: itself, or else the shipped one of that name."""
    path = Path(path)
    return path if path.is_absolute() or os.path.exists(path) else CONFIG_DIR / path


def digest(path: Path, most: int = 2**31) -> str:
    """SHA-256 of a regular file's bytes, in hexadecimal.

    Raises
    ------
    OSError
        If it is no regular file, larger than ``most`` bytes, or cannot be read.
    """
    with open_plain(path, most) as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


class _Landmark(Config):
    code: str
    bone: str
    find: str


class _LandmarkFile(Config):
    landmarks: tuple[_Landmark, ...]


@lru_cache(maxsize=1)
def landmark_schema() -> LandmarkSchema:
    """The landmarks of ``configs/landmarks.yaml``, in file order.

    Raises
    ------
    ConfigError
        If the file does not fit, or a code stands twice.
    """
    entries = load(_LandmarkFile, shipped("landmarks.yaml")).landmarks
    try:
        return LandmarkSchema(tuple(e.code for e in entries), tuple(e.bone for e in entries))
    except ValueError as error:
        raise ConfigError(f"{shipped('landmarks.yaml')}: {error}") from error


@lru_cache(maxsize=1)
def landmark_descriptions() -> tuple[str, ...]:
    """How a person finds each landmark, in file order; used where a landmark is named to a reader.

    Raises
    ------
    ConfigError
        If the file does not fit.
    """
    return tuple(entry.find for entry in load(_LandmarkFile, shipped("landmarks.yaml")).landmarks)
