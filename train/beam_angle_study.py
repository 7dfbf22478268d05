"""What the beam's angle and the load on a foot can be told from: ``python -m raysplay.train.beam_angle_study``.

``films OUT --generator NAME`` writes films of feet that stand, or with ``--unloaded`` of the same feet that do not;
``report ARCHIVE=RUN...`` holds runs of such archives, or of those of ``raysplay skeleton-films``, against their truth.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Annotated

import numpy as np
import numpy.typing as npt
import torch
import typer

from raysplay.configs.load import landmark_schema, load
from raysplay.infer.beam.angle_model import AngleEstimate, AngleModel
from raysplay.infer.beam.beam_angle import angle_model, told, unusual
from raysplay.infer.compare.calibration import interval_factor
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.finished import read_run
from raysplay.infer.records import Outcome
from raysplay.infer.results import FootResult
from raysplay.infer.settings import reading_settings
from raysplay.measure import to_foot_frame
from raysplay.synthetic_data.anatomy.posture import Posture
from raysplay.synthetic_data.archive import FILMS, TRUTH, truth_rows, write_tables
from raysplay.synthetic_data.command import progress_bar
from raysplay.synthetic_data.dicom_file import draw_writing, film_dataset
from raysplay.synthetic_data.film.compose import FilmRequest, compose_film
from raysplay.synthetic_data.film.settings import archive_settings
from raysplay.synthetic_data.projection.shadow import Subject
from raysplay.synthetic_data.settings import GeneratorSettings
from raysplay.synthetic_data.subject import draw_subject
from raysplay.train.beam_angle_feet import ShownFeet, laid_down, shown_feet
from raysplay.train.beam_angle_fit import laid_over
from raysplay.train.beam_angle_settings import BeamAngleTraining
from raysplay.train.finetune.study import known_generators

FloatArray = npt.NDArray[np.float64]
app = typer.Typer(add_completion=False, help="What the beam's angle and the load on a foot can be told from.")

_WRITING = 49979687
"""Keeps the random numbers of the files apart from those of the films."""

LEVEL = 0.9
"""Of the intervals."""


def _draw(generator: GeneratorSettings, stands: bool, seed: tuple[int, ...], view: str) -> tuple[Subject, Posture]:
    subject, posture = draw_subject(seed, view, generator)
    if stands:
        return subject, posture
    return laid_down(np.random.default_rng([*seed, 1]), subject, posture, generator)


@app.command()
def films(
    out: Annotated[Path, typer.Argument(metavar="OUT", help="Folder for films/ and truth.csv.")],
    generator: Annotated[str, typer.Option(help="none, or a name of finetune_shifts.yaml.")] = "none",
    n: Annotated[int, typer.Option("--n", min=1)] = 60,
    seed: Annotated[int, typer.Option(min=0)] = 0,
    unloaded: Annotated[bool, typer.Option("--unloaded", help="The same feet without load.")] = False,
) -> None:
    """Write films of one dorsoplantar foot each."""
    torch.set_num_threads(1)
    chosen, settings, rows = known_generators()[generator], archive_settings(), []
    (out / FILMS).mkdir(parents=True, exist_ok=True)
    with progress_bar("Films") as progress:
        for k in range(n):
            film = compose_film(
                (seed, k),
                settings,
                FilmRequest(layout="single", views=("dp",), whole=True),
                lambda key, view: _draw(chosen, not unloaded, key, view),
            )
            name = f"film_{k + 1:05d}.dcm"
            writing = draw_writing(np.random.default_rng([seed, k, _WRITING]), settings.dicom, film)
            film_dataset(film, writing, seed, k).save_as(out / FILMS / name, enforce_file_format=True)
            rows.append(truth_rows(film, name, seed))
            progress(k + 1, n)
    typer.echo(f"{n} films and their truth: {write_tables(rows, out)}")


@dataclass(frozen=True)
class LoadModel:
    """Two normal distributions of laid landmarks with one covariance: Fisher's linear discriminant (1936).

    ``standing`` and ``lying`` (2 L,) are their means, ``covariance`` (2 L, 2 L) is common. For the study alone.
    """

    angles: AngleModel
    standing: FloatArray
    lying: FloatArray
    covariance: FloatArray

    @classmethod
    def fitted(cls, feet: ShownFeet, angles: AngleModel, reading_sd: float) -> LoadModel:
        """To feet that have every landmark, laid as ``angles`` lays them."""
        whole = np.isfinite(feet.points).all((1, 2))
        laid = laid_over(feet.points[whole], angles.template, angles.corners).reshape(int(whole.sum()), -1)
        stands = feet.loaded[whole]
        means = laid[stands].mean(0), laid[~stands].mean(0)
        rest = laid - np.where(stands[:, None], *means)
        return cls(angles, *means, rest.T @ rest / len(rest) + np.eye(laid.shape[1]) * reading_sd**2)

    def score(self, points: FloatArray, covariance: FloatArray) -> float:
        """Log odds that a foot (L, 2), covariance (L, 2, 2), stands, of as many that do as do not; nan if not laid."""
        placed = self.angles.laid(points, covariance)
        if placed is None:
            return float("nan")
        laid, doubt, known = placed
        spread = (self.covariance + doubt)[np.ix_(known, known)]
        apart = (self.standing - self.lying)[known]
        away = laid[known] - 0.5 * (self.standing + self.lying)[known]
        return float(away @ np.linalg.solve(spread, apart))


def auc(standing: FloatArray, lying: FloatArray) -> float:
    """Probability that of a foot that stands and one that does not the first scores higher (Mann and Whitney 1947)."""
    above = standing[:, None] - lying[None]
    return float((above > 0).mean() + 0.5 * (above == 0).mean())


@dataclass(frozen=True)
class _Read:
    """What a run says of one foot, and the true angle."""

    true: float
    estimate: AngleEstimate
    load: float
    accepted: bool


def points_as_read(foot: FootResult) -> tuple[FloatArray, FloatArray]:
    """Landmarks as the pipeline hands them on, from a finished run on films with square pixels.

    Parameters
    ----------
    foot : FootResult

    Returns
    -------
    (ndarray of shape (L, 2), ndarray of shape (L, 2, 2))
        In the frame of a right foot, pixels; ``nan`` where not usable; and their covariance.
    """
    schema, least = landmark_schema(), decision_settings().landmarks.withhold_below
    points, covariance = np.full((len(schema), 2), np.nan), np.zeros((len(schema), 2, 2))
    for code, one in foot.landmarks.items():
        if one.confidence >= least:
            points[schema.index(code)], covariance[schema.index(code)] = (one.x, one.y), one.covariance
    framed, spread = to_foot_frame(points[None], covariance[None], [foot.side])
    assert spread is not None
    return framed[0], spread[0]


def read_against_truth(archive: Path, run: Path, model: AngleModel, load_model: LoadModel | None) -> list[_Read]:
    """Feet of a run that are dorsoplantar by the truth, each with the foot of the truth whose middle lies nearest."""
    true: dict[str, list[dict[str, str]]] = {}
    with (archive / TRUTH).open(encoding="utf-8", newline="") as stream:
        for row in csv.DictReader(stream):
            if row["view"] == "dp":
                true.setdefault(row["film"], []).append(row)
    found = []
    for foot in read_run(run).feet():
        there = [(one.x, one.y) for one in foot.landmarks.values()]
        if foot.decision is Outcome.REFUSED or not there or foot.film not in true:
            continue
        middle = np.mean(there, axis=0)
        row = min(true[foot.film], key=lambda one: float(np.hypot(*(middle - (float(one["x"]), float(one["y"]))))))
        if row["foot"] != foot.side:
            continue
        estimate, load_score = model.estimate(*points_as_read(foot)), float("nan")
        if load_model is not None:
            load_score = load_model.score(*points_as_read(foot))
        if estimate is not None:
            accepted = foot.decision is Outcome.ACCEPTED
            found.append(_Read(float(row["ray_angle"]), estimate, load_score, accepted))
    return found


def angle_line(name: str, reads: Sequence[_Read]) -> str:
    """Figures of the angle over feet for which it is told, as a row of a table in Markdown."""
    given = [(one, beam) for one in reads if (beam := told(one.estimate)) is not None]
    if not given:
        return f"| {name} | 0 of {len(reads)} | | | | | | |"
    true, sd = (np.array(column) for column in zip(*((one.true, one.estimate.sd) for one, _ in given), strict=True))
    error = np.array([beam.value for _, beam in given]) - true
    half = np.array([0.5 * (beam.high - beam.low) for _, beam in given])
    slope = np.polyfit(true, true + error, 1)[0] if len(given) > 2 else float("nan")
    low, high = reading_settings().beam_angle.usual
    remarked = np.array([unusual(beam) for _, beam in given])
    wrong = remarked & (true >= low) & (true <= high)
    blind = float(np.abs(true - np.median(true)).mean())
    return (
        f"| {name} | {len(given)} of {len(reads)} | {blind:.1f} | {np.abs(error).mean():.1f}, {error.mean():+.1f} | "
        f"{slope:.2f} | {100 * (np.abs(error) <= half).mean():.0f} %, {2 * half.mean():.0f} | "
        f"{interval_factor(error, sd, LEVEL):.2f} | "
        f"{int(remarked.sum())}, {int(wrong.sum())} |"
    )


def load_line(name: str, scores: FloatArray) -> str:
    """How many feet would be said to stand, or not to, by their log odds, as a row of a table in Markdown."""
    probability = 1.0 / (1.0 + np.exp(-scores[np.isfinite(scores)]))
    shares = [f"{100 * (probability > limit).mean():.0f} %" for limit in (0.5, 0.8, 0.9)]
    below = [f"{100 * (probability < limit).mean():.0f} %" for limit in (0.2, 0.1)]
    return f"| {name} | {len(probability)} | {' | '.join((*shares, *below))} |"


@app.command()
def report(
    archives: Annotated[list[str], typer.Argument(metavar="ARCHIVE=RUN...", help="Archives with their finished runs.")],
    config: Annotated[Path, typer.Option(help="The fit's; its feet, of another seed, are those of the load.")] = Path(
        "beam_angle_fit.yaml"
    ),
    feet: Annotated[int, typer.Option(min=200, help="Generated feet for the load.")] = 3000,
    all_feet: Annotated[bool, typer.Option("--all", help="Also feet that go to review.")] = False,
) -> None:
    """Print what the angle, and the load, come to on runs of archives."""
    torch.set_num_threads(1)
    training, model = load(BeamAngleTraining, config).model_copy(update={"feet": feet}), angle_model()
    drawn = shown_feet(training, training.seed + 1)
    half = len(drawn.angle) // 4 * 2
    learned = ShownFeet(drawn.points[:half], drawn.angle[:half], drawn.loaded[:half])
    load_model = LoadModel.fitted(learned, model, training.reading_sd)
    scores = np.array([load_model.score(one, np.zeros((len(one), 2, 2))) for one in drawn.points[half:]])
    stands = drawn.loaded[half:]
    pairs = scores[stands] - scores[~stands]
    typer.echo(f"load, generated landmarks: AUC {auc(scores[stands], scores[~stands]):.3f}; ", nl=False)
    typer.echo(f"of two films of one foot the standing one is told in {100 * (pairs > 0).mean():.0f} %")
    edges = np.linspace(0, 1, 6)
    chance = 1.0 / (1.0 + np.exp(-scores))
    for low, high in pairwise(edges):
        inside = (chance >= low) & (chance <= high)
        if inside.any():
            typer.echo(f"  said {low:.1f} to {high:.1f}: {inside.sum()} feet, {stands[inside].mean():.2f} stand")
    lines, loads = [], []
    by_name: dict[str, FloatArray] = {}
    for pair in archives:
        archive, run = (Path(part) for part in pair.split("=", 1))
        reads = read_against_truth(archive, run, model, load_model)
        kept = [one for one in reads if one.accepted or all_feet]
        by_name[archive.name] = np.array([one.load for one in kept])
        lines.append(angle_line(archive.name, kept))
        loads.append(load_line(archive.name, by_name[archive.name]))
    typer.echo(
        "| films | told | without an estimate | MAE, bias | slope | coverage, width | conformal | remarked, wrong |"
    )
    typer.echo("|---|---|---|---|---|---|---|---|\n" + "\n".join(lines))
    typer.echo("| films | feet | said to stand from 0.5 | 0.8 | 0.9 | said not to, below 0.2 | 0.1 |")
    typer.echo("|---|---|---|---|---|---|---|\n" + "\n".join(loads))
    for name, values in by_name.items():
        if f"{name}_unloaded" in by_name:
            typer.echo(f"load, films of {name} as read: AUC {auc(values, by_name[f'{name}_unloaded']):.3f}")


if __name__ == "__main__":
    app()
