"""Weights on disk, read without torch: safetensors, with their description in the file's metadata."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import Any

import numpy.typing as npt
from safetensors import SafetensorError, safe_open

from raysplay.infer.network.weights_error import WeightsError


def read_weights(path: Path) -> tuple[dict[str, npt.NDArray[Any]], dict[str, str]]:
    """All tensors by name, as they are stored (half precision), and the description.

    Raises
    ------
    WeightsError
        If the file is missing or damaged.
    """
    try:
        with safe_open(str(path), framework="numpy") as file:
            return {name: file.get_tensor(name) for name in file.keys()}, dict(file.metadata() or {})  # noqa: SIM118
    except (OSError, SafetensorError, TypeError) as error:
        # What the library says of it is for its own developers.
        known = os.strerror(error.errno) if isinstance(error, OSError) and error.errno else ""
        reason = (known or "damaged, or not in the format safetensors") if path.is_file() else "there is no such file"
        raise WeightsError(f"{path.name}: cannot be read as weights ({reason})") from error


def network_of(path: Path) -> str:
    """Name of the network that a weights file is for, as training marks it; empty where it is not marked.

    Raises
    ------
    WeightsError
        If the file is missing or damaged.
    """
    return read_weights(path)[1].get("network", "")


def digest(path: Path) -> str:
    """SHA-256 of the file in hexadecimal.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    return hashlib.sha256(path.read_bytes()).hexdigest()
