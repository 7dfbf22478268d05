"""Grey values change, places do not."""

import albumentations
import numpy as np
import pytest
import torch

from raysplay.train.intensity import Intensity, build

SIZE = (128, 112)
REPEATS = 40


def flattened(chain):
    """Every single transform in a chain."""
    for part in chain:
        if isinstance(part, albumentations.BaseCompose):
            yield from flattened(part.transforms)
        else:
            yield part


NAMES = [type(part).__name__ for part in flattened(build(0).transforms)]


def shifts(change, draw_blob, centre_of_mass, seed):
    """How far the bright middle of blobs at random places moves."""
    rng = np.random.default_rng(seed)
    moved = []
    for _ in range(REPEATS):
        at = rng.uniform(45, 65, 2)
        before = np.rint(40 + 150 * draw_blob(SIZE, at, 7.0)).astype(np.uint8)
        after = change(image=before)["image"]
        assert after.shape == before.shape
        assert after.dtype == np.uint8
        centres = []
        for picture in (before.astype(float), after.astype(float)):
            ground, top = np.median(picture), np.sort(picture.ravel())[-40:].mean()
            rise = np.clip(picture - (ground + top) / 2, 0, None)
            centres.append(centre_of_mass(rise, at, 20))
        moved.append(centres[1] - centres[0])
    return np.array(moved)


@pytest.mark.parametrize("number", range(len(NAMES)), ids=NAMES)
def test_no_single_change_moves_anything(number, draw_blob, centre_of_mass):
    part = list(flattened(build(0).transforms))[number]
    part.p = 1.0
    moved = shifts(albumentations.Compose([part], seed=3), draw_blob, centre_of_mass, 5)
    spread = moved.std(0) / np.sqrt(len(moved))
    # On average nothing; single films by what noise does to the middle of a blob, and equalisation in tiles, which
    # lifts one flank of it more than the other.
    assert np.abs(moved.mean(0)).max() < 0.05 + 3 * spread.max()
    assert np.abs(moved).max() < (1.5 if NAMES[number] == "CLAHE" else 0.3)


def test_the_whole_chain_moves_nothing_on_average(draw_blob, centre_of_mass):
    moved = np.concatenate([shifts(build(seed), draw_blob, centre_of_mass, seed) for seed in range(6)])
    assert np.abs(moved.mean(0)).max() < 0.05
    assert np.quantile(np.abs(moved), 0.9) < 0.15


def test_every_change_is_one_of_grey_values():
    assert len(NAMES) >= 10
    for part in flattened(build(0).transforms):
        assert isinstance(part, albumentations.ImageOnlyTransform)


def test_a_share_of_the_batch_is_changed_and_the_rest_is_let_be():
    images = torch.rand(60, 32, 32, generator=torch.Generator().manual_seed(1))
    out = Intensity(0.5, 1, threads=2)(images, np.random.default_rng(2))
    chosen = np.random.default_rng(2).random(60) < 0.5
    assert torch.equal(out[~chosen], images[~chosen])
    assert float((out[chosen] != images[chosen]).flatten(1).any(1).float().mean()) > 0.6
    assert out.dtype == images.dtype
    assert float(out.min()) >= 0
    assert float(out.max()) <= 1
    assert torch.equal(Intensity(0.0, 1, threads=2)(images, np.random.default_rng(2)), images)


def test_the_same_seed_gives_the_same_pictures_whatever_the_threads_do():
    images = torch.rand(12, 32, 32, generator=torch.Generator().manual_seed(1))
    first, again = (Intensity(1.0, 4, threads=3)(images, np.random.default_rng(5)) for _ in range(2))
    assert torch.equal(first, again)
    assert not torch.equal(first, Intensity(1.0, 5, threads=3)(images, np.random.default_rng(5)))


def test_pictures_come_back_in_their_places(draw_blob, centre_of_mass):
    at = np.random.default_rng(1).uniform(20, 44, (10, 2))
    images = torch.as_tensor(np.stack([draw_blob((64, 64), a, 4.0) for a in at]), dtype=torch.float32)
    out = Intensity(1.0, 3, threads=3)(images, np.random.default_rng(1)).numpy()
    for picture, place in zip(out, at, strict=True):
        middle = centre_of_mass(np.clip(picture - (picture.max() + np.median(picture)) / 2, 0, None))
        assert np.abs(middle - place).max() < 2.0
