"""The weights that come with the package, and the readers that are made of them."""

from __future__ import annotations

from pathlib import Path

from raysplay.infer.settings import ReaderSettings, reading_settings

WEIGHTS_DIR = Path(__file__).parent / "weights"
"""Folder of the shipped weights, with their model card."""


def of_network(network: str) -> Path:
    """The file of a network that ships, by the network's name."""
    return WEIGHTS_DIR / f"{network}.safetensors"


def usual_reader() -> ReaderSettings:
    """The first reader of ``reading.yaml``."""
    return next(iter(reading_settings().readers.values()))


def weights_meant(given: Path | str | None) -> Path | None:
    """The file of landmark weights that a user means by a path, or by the name of a reader that ships.

    Parameters
    ----------
    given : path or str, optional
        A file of that name goes before a reader of that name.
    """
    if given is None:
        return None
    path, reader = Path(given), reading_settings().readers.get(str(given))
    return path if reader is None or path.exists() else of_network(reader.landmarks)
