"""Films of one invented person over time, with the table that states how they were taken (``demo.yaml``)."""

from __future__ import annotations

import csv
import datetime
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Literal

import numpy as np
from pydantic import Field

from raysplay.configs.load import Config
from raysplay.measure.sides import Side
from raysplay.synthetic_data.anatomy.posture import Posture
from raysplay.synthetic_data.dicom_file import draw_writing, film_dataset
from raysplay.synthetic_data.film.compose import FilmRequest, compose_film
from raysplay.synthetic_data.film.settings import plain_settings
from raysplay.synthetic_data.projection.shadow import Subject
from raysplay.synthetic_data.repositioning import expose_anew, repositioning_settings
from raysplay.synthetic_data.subject import draw_subject

FILMS, CONDITIONS = "films", "conditions.csv"
"""What lies in the folder of a person."""

_VISIT = 611953
"""Keeps the random numbers of visits apart from those of films and feet."""


class DemoVisit(Config):
    """One film of the person.

    Attributes
    ----------
    file, date, worn, loading, stance, beam, note
        As the table of conditions states them; ``worn: splint`` is also on the film.
    tilt : float
        Of the tube toward the heel, degrees; the film is exposed so.
    hva, ima : float
        By how much the foot is posed otherwise than at first, degrees in space.
    """

    file: str = Field(pattern=r"^[a-z0-9-]+\.dcm$")
    date: datetime.date
    worn: Literal["nothing", "splint"]
    loading: Literal["full", "partial", "none"] = "full"
    tilt: float = Field(ge=0, le=40)
    stance: Literal["gait", "parallel", "other"] = "gait"
    beam: Literal["one foot", "between feet"] = "one foot"
    note: str = ""
    hva: float = 0.0
    ima: float = 0.0


class DemoVisits(Config):
    """A person with the films of one foot.

    Attributes
    ----------
    person : str
    number : int
        Draws the foot.
    side : {'L', 'R'}
    pitch : float
        Of the sole against the plate, degrees; each film varies about it.
    """

    person: str
    number: int = Field(ge=1)
    side: Side
    pitch: float = Field(ge=-20, le=20)
    films: tuple[DemoVisit, ...]


def write_visits(
    out: Path,
    visits: DemoVisits,
    seed: int,
    pixel_mm: float,
    clinic: str,
    progress: Callable[[int, int], None] | None = None,
) -> Path:
    """Write the films and their table into ``out``. The same bytes every time.

    Parameters
    ----------
    out : Path
        Made where it is missing.
    visits : DemoVisits
    seed : int
        Of the archive.
    pixel_mm : float
    clinic : str
        Stands in the files.
    progress : callable, optional
        Called with the films done and their number.

    Returns
    -------
    Path
        The table of conditions.
    """
    films = out / FILMS
    films.mkdir(parents=True, exist_ok=True)
    for number, visit in enumerate(visits.films, start=1):
        film = compose_film(
            (seed, _VISIT, number),
            plain_settings(),
            FilmRequest(
                layout="single",
                views=("dp",),
                sides=(visits.side,),
                toes="up",
                letter="right",
                pixel_mm=pixel_mm,
                whole=True,
                condition="splint" if visit.worn == "splint" else None,
            ),
            partial(_drawn, visits, visit, (seed, visits.number), number),
        )
        writing = draw_writing(np.random.default_rng((seed, _VISIT, number)), plain_settings().dicom, film)
        ds = film_dataset(film, replace(writing, monochrome1=False, loading=False), "visits", seed, number)
        ds.PatientID, ds.InstitutionName = visits.person, clinic
        ds.save_as(films / visit.file, enforce_file_format=True)
        if progress is not None:
            progress(number, len(visits.films))
    table = out / CONDITIONS
    columns = ("date", "worn", "loading", "tilt", "stance", "beam", "note")
    with table.open("w", encoding="utf-8", newline="") as stream:
        rows = csv.writer(stream, lineterminator="\n")
        rows.writerow(("film", "person", *columns))
        rows.writerows(
            (one.file, visits.person, *(_cell(getattr(one, name)) for name in columns)) for one in visits.films
        )
    return table


def foot_at(visits: DemoVisits, visit: DemoVisit, key: tuple[int, int], number: int) -> tuple[Subject, Posture]:
    """The person's foot as it stands for one film: the same bones, stood up and exposed anew.

    Parameters
    ----------
    visits : DemoVisits
    visit : DemoVisit
    key : tuple of int
        Draws the foot.
    number : int
        Of the film, from 1.
    """
    subject, posture = draw_subject(key)
    changed = replace(posture, hva=posture.hva + visit.hva, ima=posture.ima + visit.ima, foot_pitch=visits.pitch)
    settings = repositioning_settings()
    technique = settings.technique.model_copy(update={"tilt": (visit.tilt, visit.tilt)})
    settings = settings.model_copy(update={"technique": technique})
    rng = np.random.default_rng([*key, _VISIT, number])
    return expose_anew(subject, changed, rng, settings), changed


def _drawn(
    visits: DemoVisits, visit: DemoVisit, key: tuple[int, int], number: int, _seed: tuple[int, ...], _view: str
) -> tuple[Subject, Posture]:
    return foot_at(visits, visit, key, number)


def _cell(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
