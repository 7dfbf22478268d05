"""Trains the network of side letters: ``python -m raysplay.train.side_letter_fit [CONFIG] --out FILE``.

On drawn letters alone, on one core of the processor; the same configuration gives the same weights on one kind of
processor. What it comes to on films stands in ``infer/films/GUIDE.md``.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import numpy as np
import numpy.typing as npt
import torch
import torch.nn.functional as F  # noqa: N812
import typer
from torch import Tensor, nn

from raysplay.configs.load import load
from raysplay.infer.films.letter_network import LETTERS, NETWORK, SHAPES
from raysplay.infer.network.weights import save_weights
from raysplay.infer.settings import reading_settings
from raysplay.train.side_letter_scenes import scene
from raysplay.train.side_letter_settings import SideLetterTraining


class LetterNet(nn.Module):
    """The network of :mod:`raysplay.infer.films.letter_network`, to be trained."""

    def __init__(self) -> None:
        super().__init__()
        (a, _, _, _), (b, _, _, _), (c, _, _, _) = (SHAPES[f"{one}.weight"] for one in ("first", "second", "third"))
        hidden, flat = SHAPES["hidden.weight"]
        self.first = nn.Conv2d(1, a, 3, padding=1)
        self.second = nn.Conv2d(a, b, 3, padding=1)
        self.third = nn.Conv2d(b, c, 3, padding=1)
        self.hidden = nn.Linear(flat, hidden)
        self.out = nn.Linear(hidden, len(LETTERS) + 1)

    def forward(self, patches: Tensor) -> Tensor:
        """Logits (N, 3) of patches (N, 1, P, P)."""
        seen = patches
        for layer in (self.first, self.second, self.third):
            seen = F.max_pool2d(F.relu(layer(seen)), 2)
        logits: Tensor = self.out(F.dropout(F.relu(self.hidden(seen.flatten(1))), 0.2, self.training))
        return logits


def drawn(training: SideLetterTraining) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.int64]]:
    """Patches (N, P, P) and what each shows, of all scenes."""
    settings = reading_settings().side_letters
    patches, kinds = [], []
    for k in range(training.scenes):
        for part, kind in scene(np.random.default_rng([training.seed, k]), training, settings):
            patches.append(part.patch)
            kinds.append(kind)
    return np.stack(patches), np.array(kinds)


def fit(training: SideLetterTraining) -> LetterNet:
    """The trained network."""
    torch.manual_seed(training.seed)
    torch.use_deterministic_algorithms(True)
    torch.set_num_threads(1)
    seen, told = drawn(training)
    patches, kinds = torch.from_numpy(seen)[:, None], torch.from_numpy(told)
    network = LetterNet()
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


def main(
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Weights to write.")],
    config: Annotated[Path, typer.Argument(metavar="CONFIG")] = Path("side_letter_fit.yaml"),
) -> None:
    """Train the network of side letters."""
    training = load(SideLetterTraining, config)
    save_weights(fit(training), out, {"network": NETWORK, "seed": str(training.seed)})


if __name__ == "__main__":
    typer.run(main)
