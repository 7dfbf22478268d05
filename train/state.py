"""Where a training stands, on disk, so that one that was stopped goes on: network, average, optimiser, progress."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import torch
from safetensors import SafetensorError, safe_open
from safetensors.torch import save_file
from torch import Tensor, nn
from torch.optim import Optimizer

from raysplay.infer.network.weights_error import WeightsError

STATE_NAME = "state.safetensors"
"""File beside the weights that a training goes on from."""


@dataclass(frozen=True)
class Progress:
    """How far a training has come.

    ``minutes`` of training are those of all its parts; ``parts`` counts how often it was started, so that each part
    draws other feet; ``feet_projected`` are those of all parts; ``config`` is the digest of its configuration.
    """

    step: int
    minutes: float
    parts: int
    feet_projected: int
    config: str


def save_state(path: Path, network: nn.Module, mean: nn.Module, optimiser: Optimizer, progress: Progress) -> None:
    """Write everything that a training needs to go on, whole or not at all."""
    tensors: dict[str, Tensor] = {}
    for kind, module in (("network", network), ("mean", mean)):
        tensors |= {f"{kind}.{name}": value for name, value in module.state_dict().items()}
    for number, moments in optimiser.state_dict()["state"].items():
        tensors |= {f"optimiser.{number}.{name}": torch.as_tensor(value) for name, value in moments.items()}
    part = path.with_suffix(".part")
    cpu = {name: value.detach().cpu().contiguous() for name, value in tensors.items()}
    save_file(cpu, str(part), metadata={name: str(value) for name, value in vars(progress).items()})
    part.replace(path)


def load_state(path: Path, network: nn.Module, mean: nn.Module, optimiser: Optimizer) -> Progress:
    """Take up what :func:`save_state` wrote.

    Raises
    ------
    WeightsError
        If the file is missing, damaged, or of another network.
    """
    try:
        with safe_open(str(path), framework="pt") as file:
            tensors = {name: file.get_tensor(name) for name in file.keys()}  # noqa: SIM118
            about = dict(file.metadata() or {})
        for kind, module in (("network", network), ("mean", mean)):
            module.load_state_dict(_below(tensors, kind))
        state: dict[int, dict[str, Tensor]] = {}
        for name, value in _below(tensors, "optimiser").items():
            number, moment = name.split(".", 1)
            state.setdefault(int(number), {})[moment] = value
        optimiser.load_state_dict({**optimiser.state_dict(), "state": state})
        _laid_as_weights(optimiser)
        return Progress(
            int(about["step"]),
            float(about["minutes"]),
            int(about["parts"]),
            int(about["feet_projected"]),
            about["config"],
        )
    except (OSError, SafetensorError, RuntimeError, KeyError, ValueError) as error:
        raise WeightsError(
            f"{path.name}: no state that this training can go on from ({type(error).__name__})"
        ) from error


def _laid_as_weights(optimiser: Optimizer) -> None:
    """Bring the moments into the order in memory of their weights: fused steps on a GPU refuse any other."""
    for weight, moments in optimiser.state.items():
        for name, value in moments.items():
            if value.shape == weight.shape:
                moments[name] = torch.empty_like(weight).copy_(value)


def _below(tensors: dict[str, Tensor], kind: str) -> dict[str, Tensor]:
    return {name[len(kind) + 1 :]: value for name, value in tensors.items() if name.startswith(f"{kind}.")}
