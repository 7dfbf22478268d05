"""How well films without truth are read alike twice: ``raysplay repeatability FILMS``.

Every film is read as it is and again turned, coarser and shown darker. No angle changes by that, so that what is read
should not; how far it does is the within-subject standard deviation of Bland and Altman 1996 ("Measurement error", BMJ
312, 1654). It says nothing of a bias that all readings share.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import typer
from skimage.transform import rescale, rotate

from raysplay.configs import landmark_schema
from raysplay.configs.protocol import protocol
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.films.collect import collect
from raysplay.infer.films.decode import FilmReader
from raysplay.infer.films.film import Film
from raysplay.infer.foot_reader import FootReader
from raysplay.infer.pipeline import FilmPipeline, ReadsFilms
from raysplay.infer.records import FilmRecord, Outcome
from raysplay.infer.shipped_weights import of_network, usual_reader, weights_meant

Picture = npt.NDArray[Any]

CHANGES: Mapping[str, Callable[[Picture], Picture]] = {
    "as it is": lambda grey: grey,
    "turned by 8 degrees": lambda grey: rotate(grey, 8, resize=True),  # type: ignore[no-untyped-call]
    "turned by -8 degrees": lambda grey: rotate(grey, -8, resize=True),  # type: ignore[no-untyped-call]
    "0.8 of the resolution": lambda grey: rescale(grey, 0.8, anti_aliasing=True),
    "darker": lambda grey: grey.clip(0, 1) ** 1.4,
}
"""What is done to the grey values (rows, columns) of a film before each reading."""

REPEATABILITY = 1.96 * np.sqrt(2)
"""Two readings differ by less than this many within-subject standard deviations in 95 % (Bland and Altman 1996)."""


@dataclass(frozen=True)
class _Changed:
    """Opens films and changes their pixels."""

    films: ReadsFilms
    change: Callable[[Picture], Picture]

    def read(self, path: Path) -> Film:
        film = self.films.read(path)
        return replace(film, pixels=np.ascontiguousarray(self.change(film.pixels), np.float32))


def within_subject_sd(values: npt.ArrayLike) -> float:
    """Root of the mean variance of rows (N, K) of repeated readings; rows with a missing one are left out.

    Examples
    --------
    >>> round(within_subject_sd([[10.0, 12.0], [30.0, 30.0]]), 3)
    1.0
    """
    given = np.asarray(values, dtype=float)
    whole = given[np.isfinite(given).all(1)]
    return float(np.sqrt(whole.var(axis=1, ddof=1).mean())) if len(whole) else float("nan")


def repeated(
    folder: Path, films: ReadsFilms, feet: FootReader, measures: Sequence[str]
) -> tuple[npt.NDArray[np.float64], dict[str, int]]:
    """Values of every film on which each reading found one foot to measure, and of how many films that is so.

    Parameters
    ----------
    folder : Path
        Of films; all below it are read, once for each of ``CHANGES``.
    films : ReadsFilms
    feet : FootReader
    measures : sequence of str
        Their names.

    Returns
    -------
    values : ndarray, shape (N, K, M)
        N films, K readings in the order of ``CHANGES``, M measures in their units; ``nan`` where one was withheld.
    counts : dict of str to int
        How many files were read, with those that yielded no film, and N; by the words that are printed.
    """
    readings: list[dict[str, FilmRecord]] = []
    candidates = collect([folder]).candidates
    for change in CHANGES.values():
        pipeline = FilmPipeline(_Changed(films, change), feet, decision_settings(), landmark_schema(), protocol())
        read = pipeline.read(candidates)
        readings.append({reading.record.film: reading.record for reading in read})
    rows = []
    for name in readings[0]:
        values = [_values(reading[name], measures) for reading in readings]
        if all(value is not None for value in values):
            rows.append(values)
    counts = {"films": len(readings[0]), "read as one foot each time": len(rows)}
    return np.array(rows, dtype=float).reshape(len(rows), len(CHANGES), len(measures)), counts


def _values(record: FilmRecord, measures: Sequence[str]) -> list[float] | None:
    """Values of the film's only foot, None if it has not one."""
    shown = [foot for foot in record.feet if foot.decision.outcome is not Outcome.REFUSED]
    if len(shown) != 1:
        return None
    given = {one.measure: one.value for one in shown[0].measurements}
    return [given.get(name, np.nan) for name in measures]


def report(folder: Path, landmark_weights: Path | None = None) -> None:
    """Print how far the readings of one film lie apart, in degrees, for every measure that decides.

    Parameters
    ----------
    folder : Path
        Of films.
    landmark_weights : Path, optional
        A file, or the name of a reader that ships; the usual reader by default.
    """
    weights = weights_meant(landmark_weights) or of_network(usual_reader().landmarks)
    measures = sorted(decision_settings().interval.decides)
    with FilmReader() as films:
        feet = FootReader.by_landmarks(weights)
        values, counts = repeated(folder, films, feet, measures)
    typer.echo("; ".join(f"{name} {count}" for name, count in counts.items()))
    typer.echo("| measure | feet | within-subject standard deviation | two readings within, 95 % |\n|---|---|---|---|")
    for k, name in enumerate(measures):
        whole = int(np.isfinite(values[..., k]).all(1).sum())
        sd = within_subject_sd(values[..., k])
        typer.echo(f"| {name.upper()} | {whole} | {sd:.2f}° | {REPEATABILITY * sd:.2f}° |")
