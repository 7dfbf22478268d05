"""Cuts real films into crops for training: ``python -m raysplay.train.real_crops.gather FILMS LIST OUT``.

LIST is a CSV with the columns film (path below FILMS), view (dp, oblique, lateral, other) and trusted (yes or no), and
optionally one for each condition that is known (growth_plates, metal, ...: yes, no, or empty where nobody looked).
The foot that the present weights find becomes a crop of its film's view. Where they find several, each may show another
view: such a film is left out unless a column foot names the one meant (L or R). Of trusted dorsoplantar films the
landmarks of the present weights are kept as targets (self-training): trust only what was looked at.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

from raysplay.configs import landmark_schema
from raysplay.configs.conditions import CONDITIONS
from raysplay.configs.views import VIEWS
from raysplay.infer.film_names import FilmNames
from raysplay.infer.films.collect import collect
from raysplay.infer.films.decode import FilmReader
from raysplay.infer.films.film import FilmRejected
from raysplay.infer.foot_reader import FootReader
from raysplay.infer.outputs.names import film_name, film_path, given_film
from raysplay.infer.outputs.owner_only import owner_only
from raysplay.infer.user_table import UserTableError, read_user_table
from raysplay.train.real_crops.real_films import CropFolder

CONFIDENT = 0.5
"""Landmarks below this confidence are not used as targets."""


@owner_only()
def gather(films: Path, table: Path, out: Path, reader: FootReader) -> int:
    """Write the crops and tables that ``load_real_crops`` reads; returns the number of crops.

    Raises
    ------
    UserTableError
        If the list cannot be used; nothing was cut then.
    """
    codes = landmark_schema().codes
    folder = CropFolder(out)
    listed = _read_list(films, table)
    with FilmReader() as opener:
        for one in listed:
            try:
                film = opener.read(films / film_path(one.film))
            except FilmRejected as reason:
                print(f"{one.film}: {reason}", file=sys.stderr)
                continue
            found = reader.find(film)
            if len(found) > 1:
                found = [foot for foot in found if foot.side == one.side]
            if len(found) != 1:
                print(f"{one.film}: no foot, or not clear which is meant", file=sys.stderr)
                continue
            (foot,) = found
            read = reader.landmarks(film, foot)
            sure = {}
            if one.view == "dp" and one.trusted:
                told = zip(codes, read.points, read.confidence, strict=True)
                sure = {code: place for code, place, confidence in told if confidence >= CONFIDENT}
            folder.add(film.pixels, read.foot.film_from_crop, one.film, one.view, one.known, sure)
    folder.write()
    return len(folder)


@dataclass(frozen=True)
class _Listed:
    """A row of the list; ``known`` holds yes, no or nothing of every condition."""

    film: str
    view: str
    trusted: bool
    side: str
    known: Mapping[str, str]


def _read_list(films: Path, path: Path) -> list[_Listed]:
    table = read_user_table(path, ("film", "view", "trusted"))
    table.refuse_misspelt(("film", "view", "trusted", "foot", *CONDITIONS))
    names = FilmNames(film_name(one.name) for one in collect([films]).candidates) if films.is_dir() else FilmNames(())
    listed = []
    for row in table.rows:
        meant = names.meant(row["film"])
        if len(meant) > 1:
            raise table.error(f"{row['film']} could be {' or '.join(meant[:3])}; write the whole path", row, "film")
        listed.append(
            _Listed(
                meant[0] if meant else given_film(row["film"]),
                table.one_of(row, "view", VIEWS),
                table.one_of(row, "trusted", ("yes", "no")) == "yes",
                table.side(row, "foot", needed=False),
                {name: table.one_of(row, name, ("yes", "no", "")) for name in CONDITIONS},
            )
        )
    return listed


def main(
    films: Annotated[Path, typer.Argument(metavar="FILMS", help="Folder of films.")],
    listed: Annotated[Path, typer.Argument(metavar="LIST", help="CSV with film, view and trusted.")],
    out: Annotated[Path, typer.Argument(metavar="OUT", help="Folder for the crops.")],
) -> None:
    """Cut real films into crops for training."""
    try:
        print(gather(films, listed, out, FootReader.shipped()))
    except UserTableError as error:
        print(f"Error: {error}", file=sys.stderr)
        raise typer.Exit(2) from error


if __name__ == "__main__":
    typer.run(main)
