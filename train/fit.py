"""The training loop, for either network.

Run as ``raysplay train CONFIG``. One step: cut a batch from the pool of cast feet, forward, loss, backward, step;
then cast the feet that the pool is owed. Weights that are kept are a running average of those trained.
"""

from __future__ import annotations

import json
import math
import time
from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn.utils import convert_conv2d_weight_memory_format

from raysplay.configs import landmark_schema
from raysplay.configs.load import digest as config_digest
from raysplay.configs.load import load
from raysplay.infer.network.landmark_network import LandmarkNetwork
from raysplay.infer.network.locator_network import LocatorNetwork
from raysplay.infer.network.weights import load_weights, save_weights
from raysplay.infer.settings import reading_settings
from raysplay.train.degrade import draw_marks
from raysplay.train.intensity import Intensity
from raysplay.train.landmark_batch import join, landmark_batch, real_batch
from raysplay.train.locator_batch import locator_batch
from raysplay.train.losses import landmark_loss, locator_loss
from raysplay.train.pool import Pool
from raysplay.train.real_films import load_real_crops
from raysplay.train.settings import TrainSettings


def build_network(name: str) -> nn.Module:
    """An untrained network by the name used in training configurations."""
    if name == "landmarks":
        return LandmarkNetwork(len(landmark_schema()))
    return LocatorNetwork(len(reading_settings().anchors))


def _average(mean: nn.Module, network: nn.Module, decay: float) -> None:
    with torch.no_grad():
        own = network.state_dict()
        for name, value in mean.state_dict().items():
            if value.is_floating_point():
                value.lerp_(own[name], 1 - decay)
            else:
                value.copy_(own[name])


def fit(settings: TrainSettings, log: Callable[[dict[str, Any]], None] = print) -> Path:
    """Train as configured and return the path of the weights."""
    started = time.monotonic()
    name = settings.device if settings.device != "auto" else ("cuda" if torch.cuda.is_available() else "cpu")
    device = torch.device(name)
    torch.manual_seed(settings.seed)
    rng = np.random.default_rng(settings.seed)
    generator = torch.Generator(device).manual_seed(settings.seed)
    settings.out.mkdir(parents=True, exist_ok=True)
    weights = settings.out / f"{settings.network}.safetensors"

    network = build_network(settings.network).to(device)
    convert_conv2d_weight_memory_format(network, torch.channels_last)
    if settings.start_from is not None:
        load_weights(network, settings.start_from)
    mean = deepcopy(network).eval()
    decayed = [p for p in network.parameters() if p.dim() > 1]
    plain = [p for p in network.parameters() if p.dim() <= 1]
    optimiser = torch.optim.AdamW(
        [{"params": decayed, "weight_decay": settings.weight_decay}, {"params": plain, "weight_decay": 0.0}],
        lr=settings.learning_rate,
    )
    marks = draw_marks().to(device)
    intensity = Intensity(settings.intensity_share, settings.seed) if settings.intensity_share > 0 else None
    real = load_real_crops(settings.real_films, device) if settings.real_films is not None else None
    real_count = round(settings.batch * settings.real_share) if real is not None else 0
    pool = Pool(settings.pool, settings.seed, device)
    pool.fill(8 * settings.batch)
    log({"event": "start", "device": str(device), "parameters": sum(p.numel() for p in network.parameters())})

    def progress(step: int) -> float:
        return max(step / settings.steps, (time.monotonic() - started) / (60 * settings.minutes))

    def loss_of_batch() -> tuple[Tensor, dict[str, Tensor]]:
        mixed = torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda")
        if settings.network == "landmarks":
            batch = landmark_batch(pool, settings.batch - real_count, rng, generator, marks, intensity)
            if real is not None and real_count:
                batch = join(batch, real_batch(real, real_count, rng, generator, intensity))
            with mixed:
                prediction = network(batch.images)
            return landmark_loss(prediction, batch)
        films = locator_batch(pool, settings.batch, rng, generator, marks, intensity)
        with mixed:
            output = network(films.images)
        return locator_loss(output, films.target, len(reading_settings().anchors))

    def keep(step: int, parts: dict[str, float]) -> None:
        description = {
            "network": settings.network,
            "steps": str(step),
            "feet_cast": str(pool.cast_count),
            "seed": str(settings.seed),
            "losses": json.dumps(parts),
        }
        save_weights(mean, weights, description)

    step, done = 0, 0.0
    running: dict[str, float] = {}
    lap = time.monotonic()
    while done < 1.0:
        rate = settings.learning_rate * min(1.0, (step + 1) / max(1, settings.warmup))
        rate *= 0.5 * (1 + math.cos(math.pi * min(1.0, done))) * 0.98 + 0.02
        for group in optimiser.param_groups:
            group["lr"] = rate
        network.train()
        loss, parts = loss_of_batch()
        optimiser.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(network.parameters(), 5.0)
        optimiser.step()
        # Early averages would remember the untrained weights for too long.
        _average(mean, network, min(settings.average_decay, (step + 1) / (step + 10)))
        pool.refresh()
        step += 1
        done = progress(step)
        if step % settings.report_every == 0 or done >= 1.0:
            running = {k: round(float(v), 4) for k, v in parts.items()}
            pace = settings.report_every / max(1e-6, time.monotonic() - lap)
            lap = time.monotonic()
            log(
                {
                    "event": "step",
                    "step": step,
                    "loss": round(float(loss.detach()), 4),
                    **running,
                    "steps_per_s": round(pace, 2),
                    "feet_cast": pool.cast_count,
                    "minutes": round((time.monotonic() - started) / 60, 2),
                }
            )
        if step % settings.save_every == 0:
            keep(step, running)
    keep(step, running)
    log(
        {
            "event": "end",
            "step": step,
            "weights": weights.name,
            "minutes": round((time.monotonic() - started) / 60, 2),
        }
    )
    return weights


def run(config: Path) -> Path:
    """Train as ``config`` says; every report goes to ``log.jsonl`` beside the weights as well as to the screen."""
    settings = load(TrainSettings, config)
    settings.out.mkdir(parents=True, exist_ok=True)
    with (settings.out / "log.jsonl").open("w", encoding="utf-8") as file:

        def log(line: dict[str, Any]) -> None:
            text = json.dumps(line)
            print(text, flush=True)
            file.write(text + "\n")
            file.flush()

        log({"event": "config", "sha256": config_digest(Path(config)) if Path(config).exists() else ""})
        return fit(settings, log)


if __name__ == "__main__":
    import sys

    run(Path(sys.argv[1]))
