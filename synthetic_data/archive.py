"""An archive of generated films with the truth of every foot."""

from __future__ import annotations

import csv
import math
import os
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from raysplay.configs import landmark_schema
from raysplay.measure import MEASURES
from raysplay.measure.axes import SHAFT
from raysplay.synthetic_data.dicom_file import draw_writing, film_dataset
from raysplay.synthetic_data.film.compose import GeneratedFilm, compose_film
from raysplay.synthetic_data.film.settings import ArchiveSettings, archive_settings

FILMS, TRUTH, LANDMARKS = "films", "truth.csv", "truth_landmarks.csv"
"""What an archive consists of: a folder and two tables beside it."""

_WRITING = 15485863
"""Keeps the random numbers of the files apart from those of the films."""

_FEWEST_FOR_POOL = 6
"""Below this starting other processes takes longer than it saves."""


@dataclass(frozen=True)
class TruthRows:
    """Rows of the two tables for one film."""

    feet: tuple[dict[str, object], ...]
    landmarks: tuple[dict[str, object], ...]


def truth_columns() -> tuple[str, ...]:
    """Columns of ``truth.csv``."""
    names = tuple(measure.name for measure in MEASURES)
    place = ("x", "y", "width", "height")
    return (
        "film",
        "foot",
        "view",
        "construction",
        *names,
        *place,
        "beam_tilt",
        "ray_angle",
        "seed",
        "foot_index",
        "condition",
    )


LANDMARK_COLUMNS = ("film", "foot", "foot_index", "landmark", "x", "y")


def truth_rows(film: GeneratedFilm, name: str, seed: int | str) -> TruthRows:
    """What the tables say of ``film``.

    Measures and landmarks of views but dp, of what is off the film and of bones that are not there, are left out: they
    are not defined or not to be seen. ``condition`` names what makes the foot unfit for measuring, joined by "+";
    ``construction`` says how the measures are built that stand on the axis of a bone.
    ``ray_angle`` is the lean of the ray that meets the foot, against its sole (``projection/beam.py``), degrees.
    ``x`` and ``y`` are the centre of the box of the foot; pixel centres at integers.
    """
    feet: list[dict[str, object]] = []
    points: list[dict[str, object]] = []
    for index, foot in enumerate(film.feet):
        left, top, right, bottom = foot.box
        row: dict[str, object] = {"film": name, "foot": foot.side, "view": foot.view, "construction": SHAFT}
        row |= {k: "" if math.isnan(v) else f"{v:.4f}" for k, v in foot.measures.items()}
        row |= {"x": f"{(left + right) / 2:.2f}", "y": f"{(top + bottom) / 2:.2f}"}
        row |= {"width": f"{right - left:.2f}", "height": f"{bottom - top:.2f}"}
        row |= {
            "beam_tilt": f"{foot.beam_tilt:.3f}",
            "ray_angle": f"{foot.ray_angle:.3f}",
            "seed": seed,
            "foot_index": index,
        }
        row |= {"condition": "+".join(sorted(foot.conditions))}
        feet.append(row)
        if foot.view != "dp":
            continue
        for code, (x, y), seen in zip(landmark_schema().codes, foot.landmarks, foot.visible, strict=True):
            if seen:
                points.append(
                    {
                        "film": name,
                        "foot": foot.side,
                        "foot_index": index,
                        "landmark": code,
                        "x": f"{x:.3f}",
                        "y": f"{y:.3f}",
                    }
                )
    if not feet:
        feet.append({"film": name, "foot": "", "view": "other", "seed": seed, "foot_index": 0})
    return TruthRows(tuple(feet), tuple(points))


def write_tables(rows: Iterator[TruthRows] | list[TruthRows], out: Path) -> Path:
    """Write ``truth.csv`` and ``truth_landmarks.csv`` into ``out``; gives the path of the first."""
    with (
        (out / TRUTH).open("w", encoding="utf-8", newline="") as feet_file,
        (out / LANDMARKS).open("w", encoding="utf-8", newline="") as points_file,
    ):
        feet = csv.DictWriter(feet_file, truth_columns(), restval="", lineterminator="\n")
        points = csv.DictWriter(points_file, LANDMARK_COLUMNS, lineterminator="\n")
        feet.writeheader()
        points.writeheader()
        for film in rows:
            feet.writerows(film.feet)
            points.writerows(film.landmarks)
    return out / TRUTH


def cores() -> int:
    """Cores this process may use."""
    allowed = getattr(os, "sched_getaffinity", None)
    return len(allowed(0)) if allowed else os.cpu_count() or 1


def _write_film(task: tuple[int, int, str, Path, ArchiveSettings]) -> TruthRows:
    seed, number, name, folder, settings = task
    film = compose_film((seed, number), settings)
    writing = draw_writing(np.random.default_rng([seed, number, _WRITING]), settings.dicom, film)
    film_dataset(film, writing, seed, number).save_as(folder / name, enforce_file_format=True)
    return truth_rows(film, name, seed)


def write_archive(
    n: int,
    seed: int,
    out: Path,
    progress: Callable[[int, int], None] | None = None,
    settings: ArchiveSettings | None = None,
    workers: int | None = None,
) -> Path:
    """Write ``n`` films into ``out/films`` and their truth beside that folder.

    The same seed gives the same bytes, whatever the number of processes or threads.

    Parameters
    ----------
    n : int
    seed : int
        Not negative.
    out : Path
        Made where it is missing.
    progress : callable, optional
        Called with the films done and ``n``.
    settings : ArchiveSettings, optional
        The shipped ones by default.
    workers : int, optional
        Processes; the processor's cores by default.

    Returns
    -------
    Path
        ``truth.csv``. Its film names are relative to ``out/films``.
    """
    settings = settings or archive_settings()
    folder = out / FILMS
    folder.mkdir(parents=True, exist_ok=True)
    digits = max(5, len(str(n)))
    tasks = [(seed, k, f"film_{k + 1:0{digits}d}.dcm", folder, settings) for k in range(n)]
    workers = min(workers or cores(), n)

    def counted(results: Iterator[TruthRows]) -> Iterator[TruthRows]:
        for done, rows in enumerate(results, start=1):
            if progress is not None:
                progress(done, n)
            yield rows

    if workers <= 1 or n < _FEWEST_FOR_POOL:
        return write_tables(counted(map(_write_film, tasks)), out)
    # Spawned, not forked: a process with running threads of the network library must not be forked.
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        return write_tables(counted(pool.map(_write_film, tasks, chunksize=1)), out)
