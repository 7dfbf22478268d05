"""Trains a small network over patches (:mod:`raysplay.infer.films.patch_network`), on one core of the processor."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import torch
import torch.nn.functional as F  # noqa: N812
import typer
from pydantic import Field
from torch import Tensor, nn

from raysplay.configs.load import Config
from raysplay.infer.films.patch_network import Shapes


class PatchTraining(Config):
    """How many scenes are drawn, and how a network learns what they show."""

    seed: int
    scenes: int = Field(ge=1)
    epochs: int = Field(ge=1)
    batch: int = Field(ge=2)
    learning_rate: float = Field(gt=0)
    weight_decay: float = Field(ge=0)


class PatchNet(nn.Module):
    """The network of :mod:`raysplay.infer.films.patch_network`, to be trained."""

    def __init__(self, shapes: Shapes) -> None:
        super().__init__()
        (a, _, _, _), (b, _, _, _), (c, _, _, _) = (shapes[f"{one}.weight"] for one in ("first", "second", "third"))
        hidden, flat = shapes["hidden.weight"]
        self.first = nn.Conv2d(1, a, 3, padding=1)
        self.second = nn.Conv2d(a, b, 3, padding=1)
        self.third = nn.Conv2d(b, c, 3, padding=1)
        self.hidden = nn.Linear(flat, hidden)
        self.out = nn.Linear(hidden, shapes["out.weight"][0])

    def forward(self, patches: Tensor) -> Tensor:
        """Logits (N, K) of patches (N, 1, P, P)."""
        seen = patches
        for layer in (self.first, self.second, self.third):
            seen = F.max_pool2d(F.relu(layer(seen)), 2)
        logits: Tensor = self.out(F.dropout(F.relu(self.hidden(seen.flatten(1))), 0.2, self.training))
        return logits


def fit_patches(
    drawn: tuple[npt.NDArray[np.float32], npt.NDArray[np.int64]], shapes: Shapes, training: PatchTraining
) -> PatchNet:
    """The network that was trained.

    Parameters
    ----------
    drawn : (ndarray of float32, ndarray of int)
        Patches (N, P, P), 0 to 1, and what each shows (N,).
    shapes : Shapes
        Of the layers' weights.
    training : PatchTraining

    Returns
    -------
    PatchNet
    """
    torch.manual_seed(training.seed)
    torch.use_deterministic_algorithms(True)
    torch.set_num_threads(1)
    patches, kinds = torch.from_numpy(drawn[0])[:, None], torch.from_numpy(drawn[1])
    network = PatchNet(shapes)
    optimiser = torch.optim.AdamW(network.parameters(), training.learning_rate, weight_decay=training.weight_decay)
    steps = training.epochs * -(-len(patches) // training.batch)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, training.learning_rate, total_steps=steps)
    for epoch in range(training.epochs):
        right = 0
        for chosen in torch.split(torch.randperm(len(patches)), training.batch):
            logits = network(patches[chosen])
            loss = F.cross_entropy(logits, kinds[chosen])
            optimiser.zero_grad()
            torch.autograd.backward(loss)
            optimiser.step()
            schedule.step()
            right += int((logits.argmax(1) == kinds[chosen]).sum())
        typer.echo(f"epoch {epoch + 1} of {training.epochs}: {right / len(patches):.4f} right of {len(patches)}")
    return network.eval()
