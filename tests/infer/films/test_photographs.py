"""Grey scenes photographed in colour become films; colour scenes, pictures that scikit-image ships, do not."""

from __future__ import annotations

import io

import numpy as np
import pytest
import skimage.data
from PIL import Image

from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.greyscale import photograph_to_grey
from raysplay.infer.films.read import read_film
from raysplay.infer.films.remark import PHOTOGRAPH
from raysplay.infer.reason import ReasonKind


def _photographed(grey, gains, noise=4.0):
    """A screen of one tint, with noise in each colour."""
    rng = np.random.default_rng(5)
    scene = (grey[..., None] * 0.8 + 0.06) ** np.array([1.08, 1.0, 0.95]) * np.asarray(gains)
    return np.clip(255 * scene + rng.normal(0, noise, scene.shape), 0, 255).astype(np.uint8)


@pytest.fixture
def grey():
    row, column = np.mgrid[:200, :160]
    return np.clip(1.0 - ((row - 100) ** 2 / 9000 + (column - 80) ** 2 / 5000), 0.0, 1.0) ** 2


@pytest.mark.parametrize("gains", [(0.86, 0.97, 1.1), (1.05, 0.98, 0.9)], ids=["bluish", "warm"])
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF"])
def test_a_photographed_screen_is_made_grey_and_said(limits, tmp_path, grey, gains, kind) -> None:
    picture = _photographed(grey, gains)
    path = tmp_path / "screen"
    Image.fromarray(picture).save(path, kind)
    film = read_film(path, limits)
    assert PHOTOGRAPH in film.remarks
    assert np.corrcoef(film.pixels.ravel(), grey.ravel())[0, 1] > 0.99


def test_within_dicom(limits, write, make_dicom, grey) -> None:
    film = read_film(write(make_dicom(_photographed(grey, (0.86, 0.97, 1.1)))), limits)
    assert PHOTOGRAPH in film.remarks


@pytest.mark.parametrize("name", ["astronaut", "coffee", "chelsea", "rocket"])
def test_colour_scenes_are_not(limits, tmp_path, name) -> None:
    picture = np.asarray(getattr(skimage.data, name)())
    assert photograph_to_grey(picture, limits.photograph_tint, *limits.photograph_spread) is None
    stream = io.BytesIO()
    Image.fromarray(picture).save(stream, "JPEG", quality=90)
    (tmp_path / "a.jpg").write_bytes(stream.getvalue())
    with pytest.raises(FilmRejected, match="a colour picture") as refused:
        read_film(tmp_path / "a.jpg", limits)
    assert refused.value.kind is ReasonKind.OTHER_FILE


def test_skin_is_no_screen(limits, grey) -> None:
    """A bare foot on a dark ground has one hue, too, but a strong one (224, 172, 140; common practice)."""
    skin = np.clip(grey[..., None] * np.array([224, 172, 140]), 0, 255).astype(np.uint8)
    assert photograph_to_grey(skin, limits.photograph_tint, *limits.photograph_spread) is None
