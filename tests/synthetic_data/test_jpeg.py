"""Compression against the library that films are usually compressed with."""

import io

import numpy as np
import pytest
import torch
from PIL import Image

from raysplay.synthetic_data.film.jpeg import compress, quantisation


@pytest.fixture(scope="module")
def pictures():
    rng = np.random.default_rng(1)
    y, x = np.mgrid[:61, :83]
    waves = 0.5 + 0.3 * np.sin(x / 5) * np.cos(y / 9) + rng.normal(0, 0.05, (3, 61, 83))
    return np.rint(waves.clip(0, 1) * 255).astype(np.uint8)


def by_pillow(picture, quality):
    file = io.BytesIO()
    Image.fromarray(picture).save(file, "JPEG", quality=quality)
    image = Image.open(file)
    return np.asarray(image).astype(float), np.array(image.quantization[0]).reshape(8, 8)


@pytest.mark.parametrize("quality", [10, 35, 50, 60, 90])
def test_grey_values_are_those_of_libjpeg(pictures, quality):
    # Reference: Pillow (libjpeg), grey, whose integer transforms round a little otherwise.
    ours = compress(torch.from_numpy(pictures / 255).float(), torch.full((3,), float(quality))).numpy() * 255
    for mine, picture in zip(ours, pictures, strict=True):
        theirs, _ = by_pillow(picture, quality)
        # A coefficient on the edge of a step can fall the other way; compression itself changes 3 to 11 grey levels.
        assert np.abs(mine - theirs).mean() < min(0.5, 0.15 * np.abs(picture - theirs).mean())
        assert (np.abs(mine - theirs) > 2).mean() < 0.08


@pytest.mark.parametrize("quality", [1, 10, 49, 50, 75, 100])
def test_steps_are_those_of_libjpeg(pictures, quality):
    _, theirs = by_pillow(pictures[0], quality)
    assert (quantisation(torch.tensor([float(quality)]))[0].numpy() == theirs).all()


def test_each_film_has_its_own_quality(pictures):
    images = torch.from_numpy(pictures / 255).float()
    loss = (compress(images, torch.tensor([5.0, 40.0, 95.0])) - images).abs().mean((1, 2))
    assert loss[0] > loss[1] > loss[2]
