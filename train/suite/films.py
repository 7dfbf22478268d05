"""Films of a suite with their truth: one folder a condition below ``films``, one ``truth.csv`` for all."""

from __future__ import annotations

import shutil
import zlib
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from PIL import Image

from raysplay.infer.compare.true_foot import TrueFoot
from raysplay.infer.compare.truth import on_films, read_truth_table
from raysplay.infer.film_names import FilmNames
from raysplay.infer.films.collect import collect
from raysplay.infer.outputs.names import film_name
from raysplay.synthetic_data.archive import FILMS, TRUTH, TruthRows, truth_rows, write_tables
from raysplay.synthetic_data.dicom_file import draw_writing, film_dataset
from raysplay.synthetic_data.film.compose import FilmRequest, GeneratedFilm, compose_film
from raysplay.synthetic_data.subject import draw_subject
from raysplay.train.suite.settings import SuiteCondition
from raysplay.train.suite.strangers import draw_stranger

_FEWEST_FOR_POOL = 12
"""Below this many films starting other processes takes longer than it saves."""


_ATTEMPTS = 200
"""Draws before a condition counts as impossible."""


@dataclass(frozen=True)
class _Task:
    condition: SuiteCondition
    seed: int
    number: int
    folder: Path


def write_suite(
    conditions: Sequence[SuiteCondition],
    films: int,
    seed: int,
    out: Path,
    progress: Callable[[int, int], None] | None = None,
    workers: int = 1,
) -> Path:
    """Write ``films`` films of every condition below ``out/films``, and their truth beside that folder.

    A film depends on ``seed``, the name of its condition and its number alone, not on what else is written.

    Returns
    -------
    Path
        ``truth.csv``. Its film names begin with the name of the condition.
    """
    folder = out / FILMS
    for condition in conditions:
        (folder / condition.name).mkdir(parents=True, exist_ok=True)
    tasks = [_Task(condition, seed, number, folder) for condition in conditions for number in range(films)]

    def counted(results: Iterator[TruthRows]) -> Iterator[TruthRows]:
        for done, rows in enumerate(results, start=1):
            if progress is not None:
                progress(done, len(tasks))
            yield rows

    if workers <= 1 or len(tasks) < _FEWEST_FOR_POOL:
        return write_tables(counted(map(_write, tasks)), out)
    # Spawned, not forked: a process with running threads of the network library must not be forked.
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        return write_tables(counted(pool.map(_write, tasks)), out)


def archive_truth(archive: Path) -> tuple[TrueFoot, ...]:
    """Truth of an archive (``films`` with ``truth.csv`` beside it), its films called as they lie there.

    Raises
    ------
    UserTableError
        If ``truth.csv`` cannot be used, or names films that are not there.
    """
    names = FilmNames(film_name(one.name) for one in collect([archive / FILMS]).candidates)
    return on_films(read_truth_table(archive / TRUTH), names).feet


def copy_archive(archive: Path, condition: str, out: Path) -> list[TrueFoot]:
    """Copy the films of an archive to those of a suite; gives their truth.

    Raises
    ------
    UserTableError
        See :func:`archive_truth`; nothing was copied then.
    """
    truth = archive_truth(archive)
    for file in copied_films(archive):
        (out / FILMS / condition / file).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(archive / FILMS / file, out / FILMS / condition / file)
    return [replace(foot, film=f"{condition}/{foot.film.removeprefix('./')}") for foot in truth]


def copied_films(archive: Path) -> list[str]:
    """Films of an archive that is handed in, paths below its ``films``."""
    return [one.name for one in collect([archive / FILMS]).candidates if one.path.is_file()]


def generated_films(conditions: Sequence[SuiteCondition], films: int) -> list[str]:
    """Films that :func:`write_suite` will write, paths below its ``films``."""
    return [_film_file(condition, number) for condition in conditions for number in range(films)]


def suite_film(condition: SuiteCondition, seed: int, number: int) -> GeneratedFilm:
    """Film ``number`` of a generated condition: the first of its draws that fits."""
    draw = draw_subject
    if (strange := condition.strange) is not None:
        draw = partial(draw_stranger, length=strange.length_mm, sd=strange.sd_mm)
    settings, request = condition.archive(), FilmRequest(pixel_mm=condition.pixel_mm)
    films = (
        compose_film((*_key(condition, seed, number), attempt), settings, request, draw) for attempt in range(_ATTEMPTS)
    )
    return next(film for film in films if _fits(film, condition))


def _fits(film: GeneratedFilm, condition: SuiteCondition) -> bool:
    """Whether every foot lacks a true value of one of the measures it shall be without."""
    missing = [any(np.isnan(foot.measures[name]) for name in condition.without) for foot in film.feet]
    return not condition.without or all(missing)


def _key(condition: SuiteCondition, seed: int, number: int) -> tuple[int, int, int]:
    return seed, zlib.crc32(condition.name.encode()), number


def _film_file(condition: SuiteCondition, number: int) -> str:
    """Path of a film below ``films``."""
    return f"{condition.name}/film_{number + 1:05d}.{'dcm' if condition.jpeg_quality is None else 'jpg'}"


def _write(task: _Task) -> TruthRows:
    condition, key = task.condition, _key(task.condition, task.seed, task.number)
    film = suite_film(condition, task.seed, task.number)
    name = _film_file(condition, task.number)
    if condition.jpeg_quality is not None:
        grey = np.rint(film.pixels * 255).astype(np.uint8)
        Image.fromarray(grey).save(task.folder / name, quality=condition.jpeg_quality)
    else:
        writing = draw_writing(np.random.default_rng(key), condition.archive().dicom, film)
        film_dataset(film, writing, "suite", *key).save_as(task.folder / name, enforce_file_format=True)
    return truth_rows(film, name, task.seed)
