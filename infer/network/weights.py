"""Weights on disk: safetensors in half precision, with their description in the file's metadata."""

from __future__ import annotations

from pathlib import Path

import torch
from safetensors.torch import save_file
from torch import Tensor, nn

from raysplay.infer.network.weights_error import WeightsError
from raysplay.infer.network.weights_file import digest, read_weights

__all__ = ["WeightsError", "digest", "kept_state", "load_weights", "save_weights", "start_weights"]


def save_weights(network: nn.Module, path: Path, description: dict[str, str]) -> None:
    """Write the state of ``network`` to ``path``, whole or not at all.

    Numbers that are not whole are kept in half precision; folders above are made.

    Parameters
    ----------
    network : Module
    path : Path
    description : dict of str to str
        Kept in the head of the file.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    state = {}
    for name, value in kept_state(network).items():
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
    state, description = _read(path)
    own = kept_state(network)
    if set(state) != set(own) or any(state[n].shape != own[n].shape for n in own):
        raise WeightsError(f"{path.name}: made for another network or landmark list")
    network.load_state_dict({n: v.to(own[n].dtype) for n, v in state.items()}, strict=False)
    return description


def start_weights(network: nn.Module, path: Path) -> list[str]:
    """Fill ``network`` from ``path`` as far as they fit, for training to go on; gives the names that stay as drawn.

    What an older network did not have, a head as a rule, starts fresh; of a head that has grown, its new part.

    Raises
    ------
    WeightsError
        If the file cannot be read, or holds less than half of the network: that is another network.
    """
    state, _ = _read(path)
    own = kept_state(network)
    fits = {n: v.to(own[n].dtype) for n, v in state.items() if n in own and v.shape == own[n].shape}
    # A longer list of landmarks keeps the order of the older one and goes on from there.
    grown = {n: v for n, v in state.items() if n in own and n not in fits and _begins(v, own[n])}
    for name, value in grown.items():
        fits[name] = torch.cat([value.to(own[name].dtype), own[name][len(value) :].cpu()])
    if 2 * len(fits) < len(own):
        raise WeightsError(f"{path.name}: made for another network")
    network.load_state_dict(fits, strict=False)
    return sorted((set(own) - set(fits)) | set(grown))


def _begins(shorter: Tensor, longer: Tensor) -> bool:
    """Whether ``longer`` has the shape of ``shorter`` with more along its first axis."""
    return shorter.dim() == longer.dim() and shorter.shape[1:] == longer.shape[1:] and len(shorter) < len(longer)


def kept_state(network: nn.Module) -> dict[str, Tensor]:
    """What a weights file holds of a network."""
    return {n: v for n, v in network.state_dict().items() if not n.endswith("num_batches_tracked")}


def _read(path: Path) -> tuple[dict[str, Tensor], dict[str, str]]:
    state, description = read_weights(path)
    return {name: torch.from_numpy(value) for name, value in state.items()}, description
