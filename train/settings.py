"""Checked form of a training configuration."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from raysplay.configs.load import Config

Device = Annotated[str, Field(pattern=r"^(auto|cpu|cuda(:\d+)?)$")]
"""``auto`` is the first GPU if there is one."""


class PoolSettings(Config):
    """The pool of projected feet that batches are cut from.

    ``size`` feet are held; ``refresh`` new ones are projected after every step, so that generating runs beside
    training. ``pitch_mm``, ``rows`` and ``columns`` are the raster of a foot in it. ``condition_shares``: which part
    of the feet has a condition of the anatomy (``CONDITIONS`` of the landmark network). With more than one feed worker
    each holds a pool of this size.
    """

    size: int = Field(gt=0)
    refresh: float = Field(ge=0)
    projection_batch: int = Field(gt=0)
    pitch_mm: float
    rows: int
    columns: int
    top_mm: float
    left_mm: float
    view_shares: dict[str, float]
    condition_shares: dict[str, float] = Field(default_factory=dict)
    workers: int = Field(ge=0)


class PupilSettings(Config):
    """A smaller landmark network that learns from the batches of another, and from what its average says of them.

    The keys are those of :class:`TrainSettings`, which has all others for both. Its weights lie in ``pupil`` below
    ``out``.
    """

    network: Literal["lean_landmarks"]
    start_from: Path | None
    learning_rate: float = Field(gt=0)
    consistency_weight: float = Field(ge=0)
    distil_weight: float = Field(ge=0)


class TrainSettings(Config):
    """One run: which network, how long, on which generated feet.

    ``start_from`` names weights to go on from; ``shipped`` means those that come with the package. ``feed_workers``
    processes cut batches ahead on ``feed_devices`` (in turn; none named: the training device); 0 cuts them in the
    loop. ``consistency_share`` of a batch are real crops without landmarks, shown to the running average and, otherwise
    laid and lit, to the network in training, which shall say the same; the loss enters with ``consistency_weight``
    once ``consistency_start`` of the run is over. ``teacher`` names weights of the careful landmark network, or is
    ``shipped``: it takes the place of the running average there, and what it says of generated crops enters with
    ``distil_weight``. ``pupil`` is trained beside it. From ``familiarity_crops`` crops the weights learn at the end
    what usual films look like (``train/familiarity.py``).
    """

    network: Literal["landmarks", "locator", "lean_landmarks", "lean_locator"]
    seed: int
    device: Device
    steps: int = Field(gt=0)
    minutes: float = Field(gt=0)
    batch: int = Field(gt=0)
    learning_rate: float = Field(gt=0)
    warmup: int
    weight_decay: float
    average_decay: float
    start_from: Path | None
    compile: bool = False
    feed_workers: int = Field(default=0, ge=0)
    feed_devices: tuple[Device, ...] = ()
    out: Path
    save_every: int
    report_every: int
    real_films: Path | None
    real_share: float = Field(ge=0, lt=1)
    consistency_share: float = Field(default=0.0, ge=0, lt=1)
    consistency_weight: float = Field(default=0.0, ge=0)
    consistency_start: float = Field(default=0.2, ge=0, le=1)
    teacher: Path | None = None
    distil_weight: float = Field(default=0.0, ge=0)
    pupil: PupilSettings | None = None
    intensity_share: float
    familiarity_crops: int = Field(default=0, ge=0)
    pool: PoolSettings

    @model_validator(mode="after")
    def _a_pupil_reads_landmarks(self) -> Self:
        if self.pupil is not None and self.network != "landmarks":
            raise ValueError("a pupil learns beside the network landmarks alone")
        return self
