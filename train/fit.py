"""The training loop, for either network.

Run as ``raysplay train CONFIG``. One step: take a batch of the feed, forward, loss, backward, step. Weights that are
kept are a running average of those trained.
"""

from __future__ import annotations

import hashlib
import json
import math
import time
from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch
from torch import Tensor, nn
from torch.nn.utils import convert_conv2d_weight_memory_format

from raysplay.configs import landmark_schema
from raysplay.configs.load import ConfigError, load, locate
from raysplay.configs.load import digest as config_digest
from raysplay.configs.views import VIEWS
from raysplay.infer.network.landmark_network import LandmarkNetwork, LandmarkPrediction
from raysplay.infer.network.lean_landmark_network import LeanLandmarkNetwork
from raysplay.infer.network.lean_locator_network import LeanLocatorNetwork
from raysplay.infer.network.locator_network import LocatorNetwork
from raysplay.infer.network.weights import load_weights, save_weights, start_weights
from raysplay.infer.network.weights_error import WeightsError
from raysplay.infer.settings import reading_settings
from raysplay.infer.shipped_weights import WEIGHTS_DIR
from raysplay.train.consistency import consistency_loss, split
from raysplay.train.distil import distil_loss
from raysplay.train.familiarity import PooledNetwork, fit_familiarity, gather_features
from raysplay.train.feed import Batch, device_of, open_feed
from raysplay.train.intensity import require_albumentations
from raysplay.train.losses import landmark_loss, locator_loss
from raysplay.train.real_crops.own_films import cut_films
from raysplay.train.settings import TrainSettings
from raysplay.train.state import STATE_NAME, Progress, load_state, save_state

PART_SEED = 7919
"""Between the seeds of the parts of a training that was stopped and taken up again."""


def build_network(name: str) -> nn.Module:
    """An untrained network by the name used in training configurations."""
    if name.endswith("landmarks"):
        return (LeanLandmarkNetwork if name.startswith("lean") else LandmarkNetwork)(len(landmark_schema()))
    return (LeanLocatorNetwork if name.startswith("lean") else LocatorNetwork)(len(reading_settings().anchors))


def build_teacher(settings: TrainSettings, device: torch.device) -> nn.Module | None:
    """The network that one in training learns from beside the truth, if the settings name one.

    Raises
    ------
    WeightsError
        If its weights cannot be used.
    """
    if settings.teacher is None:
        return None
    network = LandmarkNetwork(len(landmark_schema()))
    load_weights(network, shipped_or(settings.teacher, "landmarks"))
    return network.eval().requires_grad_(False).to(device)


class RunningAverage:
    """A copy of a network whose weights follow it slowly; the copy is what is kept."""

    def __init__(self, network: nn.Module) -> None:
        self.network = deepcopy(network).eval()
        own, mean = network.state_dict(), self.network.state_dict()
        names = [name for name, value in own.items() if value.is_floating_point()]
        self._own, self._mean = [own[n] for n in names], [mean[n] for n in names]

    @torch.no_grad()
    def follow(self, decay: float) -> None:
        """Move towards the network: by ``decay`` the average stays as it was."""
        torch._foreach_lerp_(self._mean, self._own, 1 - decay)


def mixed(network: Callable[[Tensor], Any], device: torch.device) -> Callable[[Tensor], Any]:
    """The network, run in half precision where that is faster; losses are taken outside, in full."""

    def run(images: Tensor) -> Any:
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            return network(images)

    return run


def loss_of(
    run: Callable[[Tensor], Any],
    teacher: Callable[[Tensor], Any],
    batch: Batch,
    consistency: float,
    distil: float = 0.0,
) -> tuple[Tensor, dict[str, Tensor]]:
    """Loss on one batch of the network that ``run`` calls, and its parts by name.

    Parameters
    ----------
    run, teacher : callable
        The network in training, and its running average or a network that teaches it, from images to predictions.
    batch : Batch
    consistency : float
        Weight of the loss on pairs of crops without landmarks.
    distil : float
        Weight of what the teacher says of generated crops.

    Returns
    -------
    loss : Tensor, scalar
    parts : dict of str to Tensor
        Detached.
    """
    if batch.films is not None:
        return locator_loss(run(batch.films.images), batch.films.target, len(reading_settings().anchors))
    assert batch.landmarks is not None
    feet, pairs = batch.landmarks, batch.pairs
    asked = [feet.images] if distil else []
    shown = [feet.images]
    if pairs is not None and consistency:
        asked.append(pairs.seen)
        shown.append(pairs.shown)
    predicted, student = split(run(torch.cat(shown)), len(feet.images))
    loss, parts = landmark_loss(predicted, feet)
    if not asked:
        return loss, parts
    with torch.no_grad():
        taught: LandmarkPrediction = teacher(torch.cat(asked))
    if distil:
        of_feet, taught = split(taught, len(feet.images))
        on_plane = (feet.view == VIEWS.index("dp")) | (feet.view == VIEWS.index("oblique"))
        same = distil * distil_loss(of_feet, predicted, feet.visible.float() * on_plane[:, None])
        loss, parts = loss + same, parts | {"distil": same.detach()}
    if pairs is not None and consistency:
        same = consistency * consistency_loss(taught, student, pairs)
        loss, parts = loss + same, parts | {"consistency": same.detach()}
    return loss, parts


def optimiser_of(network: nn.Module, settings: TrainSettings) -> torch.optim.Optimizer:
    """AdamW; biases and scales of normalisation do not decay."""
    decayed = [p for p in network.parameters() if p.dim() > 1]
    plain = [p for p in network.parameters() if p.dim() <= 1]
    return torch.optim.AdamW(
        [{"params": decayed, "weight_decay": settings.weight_decay}, {"params": plain, "weight_decay": 0.0}],
        lr=settings.learning_rate,
        fused=True,
    )


def learning_rate(settings: TrainSettings, steps: int, done: float) -> float:
    """Rate after ``steps`` of this part, when a share ``done`` of the whole training is over: half a cosine.

    A part begins gently: the moments of its optimiser are those of other batches.
    """
    rate = settings.learning_rate * min(1.0, (steps + 1) / max(1, settings.warmup))
    return rate * (0.5 * (1 + math.cos(math.pi * min(1.0, done))) * 0.98 + 0.02)


def descend(optimiser: torch.optim.Optimizer, network: nn.Module, loss: Tensor, rate: float) -> None:
    """One step down the gradient of ``loss``, cut to a norm of 5, at a learning rate of ``rate``.

    Parameters
    ----------
    optimiser : torch.optim.Optimizer
    network : nn.Module
        Changed in place.
    loss : Tensor, scalar
    rate : float
    """
    for group in optimiser.param_groups:
        group["lr"] = rate
    optimiser.zero_grad(set_to_none=True)
    loss.backward()  # type: ignore[no-untyped-call]
    nn.utils.clip_grad_norm_(network.parameters(), 5.0)
    optimiser.step()


@dataclass(frozen=True)
class _Lap:
    """The moment of a report: clock and time the loop has waited for feet, both in s, and feet projected until then."""

    clock: float
    waited: float
    projected: int

    def since(self, before: _Lap, steps: int) -> dict[str, float]:
        """What a report says of the ``steps`` since the one ``before``: speeds a second, share of time waited."""
        passed = self.clock - before.clock
        return {
            "steps_per_s": round(steps / passed, 2),
            "waited": round((self.waited - before.waited) / passed, 3),
            "projected_per_s": round((self.projected - before.projected) / passed, 1),
            "feet_projected": self.projected,
        }


@dataclass(frozen=True)
class _Learner:
    """A network in training, its running average and optimiser, how far it was before, and which of its weights start
    anew though others were taken from a file."""

    settings: TrainSettings
    network: nn.Module
    mean: RunningAverage
    optimiser: torch.optim.Optimizer
    before: Progress
    fresh: list[str]

    @property
    def size(self) -> int:
        """Parameters of the network."""
        return sum(p.numel() for p in self.network.parameters())

    @property
    def weights(self) -> Path:
        """Where the average is kept."""
        return self.settings.out / f"{self.settings.network}.safetensors"

    def learn(
        self,
        run: Callable[[Tensor], Any],
        teacher: Callable[[Tensor], Any],
        batch: Batch,
        step: int,
        done: float,
        distil: float,
    ) -> tuple[Tensor, dict[str, Tensor]]:
        """One step, the one after ``step``, when a share ``done`` of the training is over.

        Returns what :func:`loss_of` returns.
        """
        self.network.train()
        consistency = self.settings.consistency_weight if done >= self.settings.consistency_start else 0.0
        loss, parts = loss_of(run, teacher, batch, consistency, distil)
        descend(self.optimiser, self.network, loss, learning_rate(self.settings, step - self.before.step, done))
        # Early averages would remember the untrained weights for too long.
        self.mean.follow(min(self.settings.average_decay, (step + 1) / (step + 10)))
        return loss, parts

    def keep(self, step: int, minutes: float, feet_projected: int, losses: dict[str, float]) -> None:
        """Write the average, and beside it the state from which training can go on."""
        feet = self.before.feet_projected + feet_projected
        description = {
            "network": self.settings.network,
            "steps": str(step),
            "feet_projected": str(feet),
            "seed": str(self.settings.seed),
            "losses": json.dumps(losses),
        }
        save_weights(self.mean.network, self.weights, description)
        now = Progress(step, minutes, self.before.parts + 1, feet, self.before.config)
        save_state(self.settings.out / STATE_NAME, self.network, self.mean.network, self.optimiser, now)


def _prepared_device(settings: TrainSettings) -> torch.device:
    """The device to train on, made the present one, with all its random numbers from the seed."""
    device = device_of(settings.device)
    torch.manual_seed(settings.seed)
    if device.type == "cuda":
        torch.cuda.set_device(device)
        torch.backends.cudnn.benchmark = True
    return device


def _pupil(settings: TrainSettings, device: torch.device, resume: bool) -> _Learner | None:
    """The network that learns beside the one that the settings are for, if they have one."""
    if settings.pupil is None:
        return None
    own = {"out": settings.out / "pupil", "pupil": None}
    pupil = settings.model_copy(update=dict(settings.pupil) | own)
    pupil.out.mkdir(parents=True, exist_ok=True)
    return _learner(pupil, device, resume)


def _learner(settings: TrainSettings, device: torch.device, resume: bool) -> _Learner:
    """The network as training begins: untrained, from ``start_from``, or as an earlier part left it."""
    network = build_network(settings.network).to(device)
    convert_conv2d_weight_memory_format(network, torch.channels_last)
    fresh = [] if settings.start_from is None else start_weights(network, start_path(settings))
    mean, optimiser = RunningAverage(network), optimiser_of(network, settings)
    identity = hashlib.sha256(settings.model_dump_json().encode()).hexdigest()
    if not resume:
        return _Learner(settings, network, mean, optimiser, Progress(0, 0.0, 0, 0, identity), fresh)
    before = load_state(settings.out / STATE_NAME, network, mean.network, optimiser)
    if before.config != identity:
        raise WeightsError(f"{settings.out / STATE_NAME}: of another configuration")
    return _Learner(settings, network, mean, optimiser, before, [])


def fit(
    settings: TrainSettings,
    log: Callable[[dict[str, Any]], None] = print,
    *,
    resume: bool = False,
    pause_after: float | None = None,
) -> Path:
    """Train as configured and return the path of the weights.

    Parameters
    ----------
    resume : bool
        Go on from the state that an earlier part of this training left in ``settings.out``.
    pause_after : float, optional
        Minutes after which this part ends though the training is not over; its state is kept.

    Raises
    ------
    WeightsError
        If there is no state to go on from, or it is of another configuration.
    """
    started = time.monotonic()
    device = _prepared_device(settings)
    settings.out.mkdir(parents=True, exist_ok=True)

    learner, pupil = _learner(settings, device, resume), _pupil(settings, device, resume)
    network, mean, before = learner.network, learner.mean, learner.before
    run = mixed(torch.compile(network) if settings.compile else network, device)
    taught_by = build_teacher(settings, device)
    of_mean = mixed(mean.network, device)
    teacher = mixed(taught_by, device) if taught_by is not None else of_mean
    distil = settings.distil_weight if taught_by is not None else 0.0
    run_pupil = mixed(pupil.network, device) if pupil is not None else None
    # Each part draws other feet.
    drawn = settings.model_copy(update={"seed": settings.seed + PART_SEED * before.parts})

    def here() -> float:
        return (time.monotonic() - started) / 60

    def minutes() -> float:
        return before.minutes + here()

    with open_feed(drawn, device) as feed:

        def keep(step: int, parts: dict[str, float]) -> None:
            for one, said in ((learner, parts), (pupil, pupil_running)):
                if one is not None:
                    one.keep(step, minutes(), feed.feet_projected, said)

        log({"event": "start", "device": str(device), "parameters": learner.size, "fresh": learner.fresh})
        step, done = before.step, max(before.step / settings.steps, before.minutes / settings.minutes)
        running: dict[str, float] = {}
        pupil_running: dict[str, float] = {}
        lap = _Lap(time.monotonic(), 0.0, 0)
        while done < 1.0 and (pause_after is None or here() < pause_after):
            batch = feed.take()
            loss, parts = learner.learn(run, teacher, batch, step, done, distil)
            if pupil is not None and run_pupil is not None:
                _, of_pupil = pupil.learn(run_pupil, of_mean, batch, step, done, pupil.settings.distil_weight)
            step += 1
            done = max(step / settings.steps, minutes() / settings.minutes)
            if step % settings.report_every == 0 or done >= 1.0:
                running = _rounded(parts)
                now = _Lap(time.monotonic(), feed.waited, feed.feet_projected)
                reached: dict[str, Any] = {
                    "event": "step",
                    "step": step,
                    "loss": round(float(loss.detach()), 4),
                    **running,
                }
                if pupil is not None:
                    pupil_running = _rounded(of_pupil)
                    reached["pupil"] = pupil_running
                log(reached | now.since(lap, settings.report_every) | {"minutes": round(minutes(), 2)})
                lap = now
            if step % settings.save_every == 0:
                keep(step, running)
        over = done >= 1.0
        for one in (learner, pupil):
            if over and one is not None and isinstance(one.mean.network, PooledNetwork) and settings.familiarity_crops:
                features = gather_features(one.mean.network, feed.take, settings.familiarity_crops)
                log({"event": "familiarity", "of": one.settings.network, **fit_familiarity(one.mean.network, features)})
        keep(step, running)
    weights = learner.weights
    log({"event": "end" if over else "paused", "step": step, "weights": weights.name, "minutes": round(minutes(), 2)})
    return weights


def _rounded(parts: dict[str, Tensor]) -> dict[str, float]:
    return {name: round(float(value), 4) for name, value in parts.items()}


def start_path(settings: TrainSettings) -> Path:
    """The file that ``start_from`` means."""
    assert settings.start_from is not None
    return shipped_or(settings.start_from, settings.network)


def shipped_or(path: Path, network: str) -> Path:
    """``path``, or where it is the word ``shipped`` the weights of that network that come with the package."""
    return WEIGHTS_DIR / f"{network}.safetensors" if str(path) == "shipped" else path


def run(
    config: Path,
    films: Path | None = None,
    landmarks: Path | None = None,
    *,
    resume: bool = False,
    pause_after: float | None = None,
) -> Path:
    """Train as ``config`` says; every report goes to ``log.jsonl`` beside the weights as well as to the screen.

    Feet of ``films`` with a table of their ``landmarks`` (``train/real_crops/own_films.py``) take the place of
    ``real_films``.

    Parameters
    ----------
    config : Path
        A file, or the name of a shipped one.
    films, landmarks : Path, optional
        A folder of own films and their table; both or none.
    resume, pause_after
        As for :func:`fit`.

    Returns
    -------
    Path
        The weights.

    Raises
    ------
    ConfigError
        If the configuration cannot be used, or has no place for own films.
    """
    settings = load(TrainSettings, config)
    if settings.intensity_share > 0:
        require_albumentations()  # else it is missed only after feet were projected
    settings.out.mkdir(parents=True, exist_ok=True)
    cut: dict[str, Any] = {}
    if films is not None and landmarks is not None:
        if settings.network != "landmarks" or round(settings.batch * settings.real_share) == 0:
            raise ConfigError(f"{config}: own films need the network landmarks and a real_share")
        crops, refused = cut_films(films, landmarks, settings.out / "films")
        settings = settings.model_copy(update={"real_films": settings.out / "films"})
        cut = {"event": "films", "crops": crops, "refused": refused}
    with (settings.out / "log.jsonl").open("a" if resume else "w", encoding="utf-8") as file:

        def log(line: dict[str, Any]) -> None:
            text = json.dumps(line)
            print(text, flush=True)
            file.write(text + "\n")
            file.flush()

        log({"event": "config", "sha256": config_digest(locate(config))})
        if cut:
            log(cut)
        return fit(settings, log, resume=resume, pause_after=pause_after)
