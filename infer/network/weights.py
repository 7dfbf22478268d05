"""Weights on disk: safetensors in half precision, with their description in the file's metadata."""

from __future__ import annotations

import hashlib
from pathlib import Path

import torch
from safetensors import SafetensorError, safe_open
from safetensors.torch import save_file
from torch import nn

from raysplay.infer.network.weights_error import WeightsError

__all__ = ["WeightsError", "digest", "load_weights", "save_weights"]


def save_weights(network: nn.Module, path: Path, description: dict[str, str]) -> None:
    """Write the state of ``network`` to ``path`` in half precision, whole or not at all."""
    state = {}
    for name, value in network.state_dict().items():
        if name.endswith("num_batches_tracked"):
            continue
        state[name] = value.detach().to("cpu", torch.float16 if value.is_floating_point() else value.dtype).contiguous()
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(".part")
    save_file(state, str(part), metadata=description)
    part.replace(path)


def load_weights(network: nn.Module, path: Path) -> dict[str, str]:
    """Fill ``network`` from ``path`` and return the description stored with the weights.

    Raises
    ------
    WeightsError
        If the file is missing, damaged, or was made for another network.
    """
    try:
        with safe_open(str(path), framework="pt") as file:
            state = {name: file.get_tensor(name) for name in file.keys()}  # noqa: SIM118 - not a dict
            description = dict(file.metadata() or {})
    except (OSError, SafetensorError) as error:
        raise WeightsError(f"{path.name}: cannot be read as weights ({error})") from error
    own = network.state_dict()
    expected = {name for name in own if not name.endswith("num_batches_tracked")}
    if set(state) != expected or any(state[n].shape != own[n].shape for n in expected):
        raise WeightsError(f"{path.name}: made for another network or landmark list")
    network.load_state_dict({n: v.to(own[n].dtype) for n, v in state.items()}, strict=False)
    return description


def digest(path: Path) -> str:
    """SHA-256 of the file in hexadecimal."""
    return hashlib.sha256(path.read_bytes()).hexdigest()
