"""A small archive of an invented clinic, with the awkward files that real archives hold (``demo.yaml``)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from pathlib import Path, PurePosixPath
from typing import Annotated, Literal

import numpy as np
from pydantic import AfterValidator, Field, model_validator

from raysplay.configs.load import Config, load, shipped
from raysplay.configs.views import FootView
from raysplay.measure.sides import Laterality, Side
from raysplay.synthetic_data.demo_visits import DemoVisits
from raysplay.synthetic_data.dicom_file import draw_writing, film_dataset
from raysplay.synthetic_data.film.compose import FilmRequest, compose_film
from raysplay.synthetic_data.film.settings import Layout, Toes, plain_settings


def _stays_inside(name: str) -> str:
    path = PurePosixPath(name)
    if path.is_absolute() or ".." in path.parts or not path.name:
        raise ValueError("a file must lie inside the archive")
    return name


FileName = Annotated[str, AfterValidator(_stays_inside)]


class DemoFilm(Config):
    """One film: what it shows (see ``FilmRequest``) and how it is written (see ``Writing``)."""

    file: FileName
    number: int = Field(ge=1)
    layout: Layout | None = None
    views: tuple[FootView, ...] | None = None
    sides: tuple[Side, ...] | None = None
    toes: Toes | None = None
    letter: Literal["right", "wrong", "missing"] = "right"
    part: str | None = None
    monochrome1: bool = False
    laterality: Laterality | None = None


class DemoCopy(Config):
    """The bytes of another file once more, the first ``keep`` of them."""

    file: FileName
    of: FileName
    keep: float = Field(default=1.0, gt=0, le=1)


class DemoNote(Config):
    """A text file among the films."""

    file: FileName
    text: str


class DemoSettings(Config):
    """All of ``demo.yaml``."""

    clinic: str
    seed: int = Field(ge=0)
    pixel_mm: float = Field(gt=0)
    films: tuple[DemoFilm, ...]
    copies: tuple[DemoCopy, ...]
    truncated: tuple[DemoCopy, ...]
    notes: tuple[DemoNote, ...]
    visits: DemoVisits

    @model_validator(mode="after")
    def _copies_known_films(self) -> DemoSettings:
        known = {film.file for film in self.films}
        for copy in (*self.copies, *self.truncated):
            if copy.of not in known:
                raise ValueError(f"{copy.file}: copies {copy.of}, which is no film of the archive")
        for copy in self.copies:
            if copy.file.split("/") < copy.of.split("/"):
                raise ValueError(f"{copy.file}: sorts before {copy.of}, which would then count as the copy")
        return self


@lru_cache(maxsize=1)
def demo_settings() -> DemoSettings:
    """The shipped settings."""
    return load(DemoSettings, shipped("demo.yaml"))


def write_demo(
    out: Path, settings: DemoSettings | None = None, progress: Callable[[int, int], None] | None = None
) -> Path:
    """Write the archive into ``out``; files that are there under other names stay. The same bytes every time.

    Parameters
    ----------
    out : Path
        Made where it is missing.
    settings : DemoSettings, optional
        The shipped ones by default.
    progress : callable, optional
        Called with the films done and their number.

    Returns
    -------
    Path
        ``out``.
    """
    settings = settings or demo_settings()
    for number, film in enumerate(settings.films, start=1):
        _write_film(out, film, settings)
        if progress is not None:
            progress(number, len(settings.films))
    for copy in (*settings.copies, *settings.truncated):
        data = (out / copy.of).read_bytes()
        _place(out, copy.file).write_bytes(data[: round(copy.keep * len(data))])
    for note in settings.notes:
        _place(out, note.file).write_bytes(note.text.encode("utf-8"))
    return out


def _place(out: Path, name: str) -> Path:
    path = out / name
    path.parent.mkdir(parents=True, exist_ok=True)
    return path


def _write_film(out: Path, wanted: DemoFilm, settings: DemoSettings) -> None:
    seed = (settings.seed, wanted.number)
    request = FilmRequest(
        layout=wanted.layout,
        views=wanted.views,
        sides=wanted.sides,
        toes=wanted.toes,
        letter=wanted.letter,
        part=wanted.part,
        pixel_mm=settings.pixel_mm,
        whole=True,
    )
    film = compose_film(seed, plain_settings(), request)
    writing = draw_writing(np.random.default_rng(seed), plain_settings().dicom, film)
    writing = replace(writing, monochrome1=wanted.monochrome1, loading=True)
    if wanted.laterality is not None:
        writing = replace(writing, laterality=wanted.laterality)
    ds = film_dataset(film, writing, "demo", *seed)
    ds.InstitutionName = settings.clinic
    ds.save_as(_place(out, wanted.file), enforce_file_format=True)
