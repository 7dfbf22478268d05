"""Polarity rule on phantoms that follow the law of attenuation, and on open radiographs where given."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image

from raysplay.infer.films.polarity import INVERTED, looks_inverted, polarity_doubtful


def _phantom(seed: int) -> npt.NDArray[np.float64]:
    """Bone-bright log film of five bone rods in a soft ellipsoid (Beer-Lambert, thickness in cm)."""
    rng = np.random.default_rng(seed)
    row, column = np.mgrid[:300, :240]
    reach = ((row - 160) / 110) ** 2 + ((column - 120) / 70) ** 2
    soft = 3.0 * np.sqrt(np.clip(1 - reach, 0, None))
    bone = np.zeros_like(soft)
    for centre in (75, 97, 119, 141, 163):
        radius = rng.uniform(5, 8)
        width = np.sqrt(np.clip(radius**2 - (column - centre) ** 2, 0, None)) / 8
        bone += width * ((row > 80) & (row < 230))
    film = 0.2 * soft + 0.5 * np.where(soft > 0, bone, 0)
    film = film / film.max() + rng.normal(0, 0.004, film.shape)
    return np.clip(film, 0, 1)


class TestPhantoms:
    @pytest.mark.parametrize("seed", range(6))
    def test_film_and_negative(self, seed: int) -> None:
        film = _phantom(seed)
        assert not looks_inverted(film)
        assert not polarity_doubtful(film)
        assert looks_inverted(1 - film)

    @pytest.mark.parametrize("margin", [12, 40])
    def test_grey_margin_hides_an_inversion_but_leaves_doubt(self, margin: int) -> None:
        """Unexposed margin of middle grey: only the flat air of the field tells the two apart."""
        film = np.pad(_phantom(0), margin, constant_values=0.5)
        assert not polarity_doubtful(film)
        assert not looks_inverted(1 - film)
        assert polarity_doubtful(1 - film)

    @pytest.mark.parametrize("margin", [12, 40])
    def test_bright_unexposed_margin_is_no_inversion(self, margin: int) -> None:
        assert not looks_inverted(np.pad(_phantom(0), margin, constant_values=0.95))

    def test_black_shutter_around_a_film(self) -> None:
        assert not looks_inverted(np.pad(_phantom(0), 40, constant_values=0.0))

    def test_flat_or_tiny_pictures_are_left_alone(self) -> None:
        for rule in (looks_inverted, polarity_doubtful):
            assert not rule(np.full((200, 200), 0.9))
            assert not rule(np.array([[0.0, 1.0]]))


@pytest.mark.open_films
@pytest.mark.skipif(
    "RAYSPLAY_OPEN_FILMS" not in os.environ,
    reason="RAYSPLAY_OPEN_FILMS is not set: the polarity rule was NOT checked on open films",
)
def test_open_films() -> None:
    """FracAtlas foot films (doi 10.6084/m9.figshare.22363012), all bone-bright."""
    paths = sorted(Path(os.environ["RAYSPLAY_OPEN_FILMS"]).glob("*.jpg"))
    assert len(paths) > 100
    films = [np.asarray(Image.open(path).convert("L")) for path in paths]
    assert sum(looks_inverted(film) for film in films) == 0
    assert sum(looks_inverted(255 - film) for film in films) >= 0.98 * len(films)
    assert sum(polarity_doubtful(film) for film in films) <= 0.01 * len(films)


def test_the_words_by_which_a_review_knows_a_turned_film_stay_as_they_are() -> None:
    """They stand in films.csv of finished runs: a review of one would show its films the other way round."""
    assert INVERTED.text == "inverted: a bright background means that bone was shown dark"
