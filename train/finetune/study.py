"""How many own films buy how much: ``raysplay finetune-study --out DIR``.

A generator that was shifted on purpose (one of ``configs/finetune_shifts.yaml``) stands for a clinic whose films differ
from those trained on. For each number of its films the network is trained on briefly (``train_finetune.yaml``), with
other films each time, and its errors of HVA and IMA are taken on the same further films. Films are crops as a reader
would lay them; finding the foot and decoding play no part. A clinic may also mark otherwise (``--toe-turn``): then its
own marks count.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import torch
import yaml
from torch import Tensor

from raysplay.configs import landmark_schema
from raysplay.configs.load import load, locate, shipped
from raysplay.infer.network.landmark_network import LandmarkNetwork
from raysplay.infer.network.weights import load_weights
from raysplay.infer.settings import reading_settings
from raysplay.infer.shipped_weights import WEIGHTS_DIR
from raysplay.measure import measure_values, to_foot_frame
from raysplay.measure.registry import by_name
from raysplay.synthetic_data.settings import GeneratorSettings, generator_settings
from raysplay.train.degrade import DegradeSettings, draw_marks, no_degradation
from raysplay.train.familiarity import usual
from raysplay.train.feed import device_of
from raysplay.train.fit import fit
from raysplay.train.landmark_batch import landmark_batch, lay_crops
from raysplay.train.pool import Pool
from raysplay.train.real_crops.real_films import MARGIN, CropFolder, RealCrops, load_real_crops
from raysplay.train.settings import PoolSettings, TrainSettings
from raysplay.train.warp import warp

MEASURES = ("hva", "ima")

_KINDS: dict[str, Callable[[npt.NDArray[np.float64]], Any]] = {"mean": np.nanmean, "median": np.nanmedian}

COLUMNS = tuple(f"{name}_{kind}" for name in MEASURES for kind in _KINDS)
"""Errors of a row: their mean, which a few lost feet rule, and their median."""

SHIFTS = Path("finetune_shifts.yaml")
"""What each shifted generator changes."""

UNTRAINED = -1
"""In the place of a number of films: the weights as they were before any training."""

BLOCK = 32
"""Crops rendered or read at once."""


@dataclass(frozen=True)
class StudyPlan:
    """What is tried: numbers of films, each with ``repeats`` sets of them, and how many further ones are read.

    ``toe_turn``: see :func:`marked_otherwise`.
    """

    counts: tuple[int, ...] = (0, 10, 30, 100)
    repeats: int = 2
    tests: int = 200
    toe_turn: float = 0.0
    seed: int = 20261221


class _OnceEach(Pool):
    """A pool whose feet are drawn one after another."""

    _next = 0

    def draw(self, count: int, generator: torch.Generator, view: int | None = None) -> Tensor:
        if view is not None:
            return super().draw(count, generator, view)
        self._next += count
        return torch.arange(self._next - count, self._next, device=self.device)


def shifted_generators(file: Path = SHIFTS) -> dict[str, GeneratorSettings]:
    """Generators by name: the settings of ``generator.yaml`` with what ``file`` changes under that name."""
    shifts = yaml.safe_load(locate(file).read_text(encoding="utf-8"))
    shifted = {}
    for name, sections in shifts.items():
        base = yaml.safe_load(shipped("generator.yaml").read_text(encoding="utf-8"))
        for section, changes in sections.items():
            base[section] |= changes
        shifted[name] = GeneratorSettings.model_validate(base)
    return shifted


def render(
    generator: GeneratorSettings,
    pool: PoolSettings,
    count: int,
    seed: int,
    device: torch.device,
    degrade: DegradeSettings | None = None,
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """``count`` crops (N, R, C) of different feet with nothing wrong, their landmarks (N, L, 2) and which are shown.

    Films are worn as in training unless ``degrade`` says otherwise.

    Parameters
    ----------
    generator : GeneratorSettings
    pool : PoolSettings
    count : int
    seed : int
    device : torch.device
    degrade : DegradeSettings, optional

    Returns
    -------
    images : ndarray of float32, shape (N, R, C)
    points : ndarray, shape (N, L, 2)
        Pixels of the crop.
    shown : ndarray of bool, shape (N, L)

    Raises
    ------
    RuntimeError
        If too few of the generated feet have nothing wrong.
    """
    size = count * 3 // 2 + BLOCK
    changes = {"size": size, "projection_batch": min(pool.projection_batch, BLOCK), "view_shares": {"dp": 1.0}}
    feet = _OnceEach(pool.model_copy(update=changes | {"condition_shares": {}}), seed, device, generator)
    feet.fill(size)
    feet.close()
    rng, noise = np.random.default_rng(seed), torch.Generator(device).manual_seed(seed)
    marks = draw_marks().to(device)
    images, points, shown = [], [], []
    for _ in range(size // BLOCK):
        batch = landmark_batch(feet, BLOCK, rng, noise, marks, None, degrade)
        keep = usual(batch)
        images.append(batch.images[keep].cpu())
        points.append(batch.points[keep].cpu())
        shown.append(batch.visible[keep].cpu())
    crops = torch.cat(images).numpy()
    if len(crops) < count:
        raise RuntimeError(f"{len(crops)} of {size} generated feet have nothing wrong; {count} are needed")
    return crops[:count], torch.cat(points).double().numpy()[:count], torch.cat(shown).numpy()[:count]


def marked_otherwise(points: npt.NDArray[np.float64], degrees: float) -> npt.NDArray[np.float64]:
    """Landmarks (N, L, 2) of upright right feet whose great toe is marked turned, HVA larger by ``degrees``.

    The cortices of its proximal phalanx are turned about their middle, as by a reader who takes the axis otherwise.
    """
    toe = [k for k, code in enumerate(landmark_schema().codes) if code[:3] in ("PPp", "PPd")]
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    middle = points[:, toe].mean(1, keepdims=True)
    turned = points.copy()
    # Rows run down: clockwise as seen, toward the lesser toes of a right foot.
    turned[:, toe] = middle + (points[:, toe] - middle) @ np.array([[c, s], [-s, c]])
    return turned


def write_films(out: Path, films: tuple[npt.NDArray[Any], npt.NDArray[Any], npt.NDArray[Any]], number: slice) -> Path:
    """Write rendered crops as the folder of own films that training reads.

    Parameters
    ----------
    out : Path
    films : tuple of ndarray
        What :func:`render` gave.
    number : slice
        Of them.

    Returns
    -------
    Path
        ``out``.
    """
    codes = landmark_schema().codes
    folder = CropFolder(out)
    for k, (image, points, shown) in enumerate(zip(*(part[number] for part in films), strict=True)):
        landmarks = {code: p for code, p, seen in zip(codes, points, shown, strict=True) if seen}
        folder.add(image, np.eye(3), f"film_{k:03d}.png", "dp", landmarks=landmarks)
    folder.write()
    return out


def clinic_films() -> DegradeSettings:
    """Films of one clinic, fresh from its archive: ordinary resolution, no wear.

    The wear of training films hides what a shift of the anatomy does.
    """
    return no_degradation().model_copy(update={"fine_mm": (0.15, 0.4)})


@torch.inference_mode()
def read(network: LandmarkNetwork, crops: RealCrops) -> Tensor:
    """Landmarks (N, L, 2) in pixels of the stored crops, read twice as ``FootReader`` does."""
    size = reading_settings().crop_size
    found = []
    for images in torch.split(crops.images, BLOCK):
        matrix = torch.eye(3, device=images.device).repeat(len(images), 1, 1)
        matrix[:, :2, 2] = MARGIN
        points = torch.zeros(0)
        for number in range(reading_settings().passes):
            if number:
                matrix = lay_crops(points)
            seen = warp(images[:, None].float() / 255, matrix, size)[:, 0]
            points = network(seen).points @ matrix[:, :2, :2].transpose(1, 2) + matrix[:, None, :2, 2]
        found.append(points)
    return torch.cat(found)


def value_errors(points: Tensor, crops: RealCrops) -> dict[str, npt.NDArray[np.float64]]:
    """Absolute error of each measure in degrees, shape (N,); nan where withheld. Crops show right feet."""
    values = []
    for places in (points, crops.points):
        framed, _ = to_foot_frame(places.double().cpu().numpy(), None, ["R"] * len(crops))
        measures = [by_name(name) for name in MEASURES]
        values.append(measure_values(framed, landmark_schema(), visible=crops.known.cpu().numpy(), measures=measures))
    return {name: np.abs(values[0][name] - values[1][name]) for name in MEASURES}


def errors(points: Tensor, crops: RealCrops) -> dict[str, float]:
    """Mean and median absolute error of each measure in degrees, under the names of :data:`COLUMNS`."""
    off = value_errors(points, crops)
    return {f"{name}_{kind}": float(of(off[name])) for name in MEASURES for kind, of in _KINDS.items()}


def study(
    out: Path, weights: Path, generator: GeneratorSettings, base: TrainSettings, plan: StudyPlan
) -> list[dict[str, Any]]:
    """Train and read as planned; one row for each training: films, repeat, and the errors by name.

    The first row is that of the weights as they were; no films stands for training as long on generated feet alone.
    """
    device = device_of(base.device)
    most = max(plan.counts)
    total = plan.tests + plan.repeats * most
    images, points, shown = render(generator, base.pool, total, plan.seed, device, clinic_films())
    films = images, marked_otherwise(points, plan.toe_turn), shown
    tests = load_real_crops(write_films(out / "tests", films, slice(0, plan.tests)), device)
    network = LandmarkNetwork(len(landmark_schema())).to(device).eval()

    def judged(path: Path) -> dict[str, float]:
        load_weights(network, path)
        return errors(read(network, tests), tests)

    rows: list[dict[str, Any]] = [{"films": UNTRAINED, "repeat": 0, **judged(weights)}]
    for repeat in range(plan.repeats):
        first = plan.tests + repeat * most
        for count in sorted(set(plan.counts)):
            name = f"{count}_films_{repeat}"
            changes: dict[str, Any] = {"out": out / name, "seed": base.seed + repeat, "start_from": weights}
            if count:
                changes["real_films"] = write_films(out / name / "films", films, slice(first, first + count))
            else:
                changes |= {"real_films": None, "real_share": 0.0}
            fitted = fit(base.model_copy(update=changes | {"familiarity_crops": 0}))
            rows.append({"films": count, "repeat": repeat, **judged(fitted)})
            print(json.dumps(rows[-1]), flush=True)
    return rows


def table(rows: list[dict[str, Any]]) -> str:
    """Errors by number of films in Markdown: mean of the repeats, and in brackets their lowest and highest."""
    heads = [f"{name.upper()}, {kind} absolute error" for name in MEASURES for kind in _KINDS]
    lines = [f"| own films | {' | '.join(heads)} |", "|---|" + "---|" * len(COLUMNS)]
    for count in sorted({row["films"] for row in rows}):
        cells = []
        for name in COLUMNS:
            values = [row[name] for row in rows if row["films"] == count]
            spread = f" ({min(values):.2f} to {max(values):.2f})" if len(values) > 1 else ""
            cells.append(f"{np.mean(values):.2f}°{spread}")
        label = {UNTRAINED: "none, weights as they were", 0: "none, trained as long"}.get(count, str(count))
        lines.append(f"| {label} | " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def known_generators() -> dict[str, GeneratorSettings]:
    """Generators that a study may draw its films from: the shipped one as ``none``, others by what they change."""
    return {"none": generator_settings(), **shifted_generators()}


def report(
    out: Path,
    generator: GeneratorSettings,
    plan: StudyPlan,
    weights: Path | None = None,
    *,
    steps: int = 400,
    batch: int = 32,
    feed_workers: int = 2,
) -> None:
    """Fine-tune on films of ``generator`` and print what that buys; ``study.csv`` and ``study.md`` go to ``out``.

    Parameters
    ----------
    out : Path
        Made where it is missing; takes tables and weights.
    generator : GeneratorSettings
        Of the clinic's films.
    plan : StudyPlan
        How many films, how often.
    weights : Path, optional
        Landmark weights to start from; the shipped ones by default.
    steps, batch : int
        Training steps each time, and crops in each.
    feed_workers : int
        As in a training configuration.
    """
    weights = weights or WEIGHTS_DIR / "landmarks.safetensors"
    base = load(TrainSettings, shipped("train_finetune.yaml"))
    changes = {"steps": steps, "batch": batch, "feed_workers": feed_workers, "report_every": steps, "save_every": steps}
    base = base.model_copy(
        update=changes | {"pool": base.pool.model_copy(update={"size": 400, "projection_batch": 128})}
    )
    rows = study(out, weights, generator, base, plan)
    with (out / "study.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, ["films", "repeat", *COLUMNS])
        writer.writeheader()
        writer.writerows(rows)
    (out / "study.md").write_text(table(rows), encoding="utf-8")
    print(table(rows))
