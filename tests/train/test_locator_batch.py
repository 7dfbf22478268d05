"""Small films of a batch: feet where the targets say, on the side that geometry says; the reader reads them back."""

from pathlib import Path

import numpy as np
import pytest
import torch

import raysplay.train.locator_batch as module
from raysplay.configs.views import VIEWS
from raysplay.infer.films.film import Film
from raysplay.infer.network.graphs import MAP
from raysplay.infer.network.locator_map import UNIT
from raysplay.infer.network.locator_network import STRIDE
from raysplay.infer.settings import reading_settings
from raysplay.infer.warp import transform_points
from raysplay.train.degrade import draw_marks
from raysplay.train.locator_batch import locator_batch

MARKS = draw_marks(4)
CODES = [a.code for a in reading_settings().anchors]
AROUND = 9
"""Cells round a centre that carry its targets."""


def draw(pool, count, seed=1):
    return locator_batch(pool, count, np.random.default_rng(seed), torch.Generator().manual_seed(seed), MARKS, None)


def feet(batch):
    """Film, anchors in pixels, whether left, centre cell (row, column) and view of every foot asked for."""
    target = batch.target
    place = target["cell"][:, [2, 1]] * STRIDE + (STRIDE - 1) / 2
    anchors = target["offsets"] * UNIT + place[:, None]
    groups = anchors.reshape(-1, AROUND, len(CODES), 2)
    for k, group in enumerate(groups):
        # Every cell of the nine names the same anchors, from where it is.
        assert float((group - group[:1]).abs().max()) < 1e-3
        middle = AROUND * k + AROUND // 2
        image, row, column = target["cell"][middle].tolist()
        yield (
            image,
            group[0].double().numpy(),
            bool(target["left"][middle]),
            (row, column),
            int(target["view"][middle]),
        )


@pytest.fixture
def one_foot(monkeypatch):
    """At most one thing on a film."""
    place = module._placements

    def single(*arguments):
        matrix, mirrored, used, pixel = place(*arguments)
        used[:, 1] = False
        return matrix, mirrored, used, pixel

    monkeypatch.setattr(module, "_placements", single)


def test_anchors_lie_where_the_film_shows_them(blob_pool, bare, one_foot, monkeypatch, centre_of_mass):
    bare(module, floor=0.1)
    # The first eight feet show one anchor each.
    monkeypatch.setattr(blob_pool, "draw", lambda count, *_: torch.arange(count) % len(CODES))
    shown, sides = 0, set()
    for seed in range(4):
        batch = draw(blob_pool, 16, seed)
        for image, anchors, left, _, _ in feet(batch):
            at, picture = anchors[image % len(CODES)], batch.images[image].numpy()
            column, row = np.rint(at).astype(int)
            around = picture[max(0, row - 14) : row + 15, max(0, column - 14) : column + 15]
            if around.shape != (29, 29) or around.min() < 0.05:
                continue  # off the film, or under a black band
            assert picture[row, column] > 0.8 * picture.max()
            assert centre_of_mass(picture - 0.1, at, 12) == pytest.approx(at, abs=0.35)
            shown += 1
            sides.add(left)
    assert shown > 15
    assert sides == {True, False}


def test_feet_are_left_where_the_anchors_lie_as_on_a_left_foot(pool, small_reading, monkeypatch):
    # Seen from above with the toes up, the great toe of a right foot is on the left (common knowledge, no source):
    # from heel to toes, then from the first to the fifth ray is a turn to the right as seen, on the left foot to
    # the left.
    monkeypatch.setattr(module, "reading_settings", small_reading)
    seen = []
    for seed in range(6):
        for _, anchors, left, _, view in feet(draw(pool, 12, seed)):
            if view != VIEWS.index("dp"):
                continue
            ahead = anchors[CODES.index("M2_tip")] - anchors[CODES.index("M2_base_c")]
            aside = anchors[CODES.index("M5_lat")] - anchors[CODES.index("M1_head_c")]
            turned_right = ahead[0] * aside[1] - ahead[1] * aside[0] > 0
            assert left == (not turned_right)
            seen.append(left)
    assert len(seen) > 20
    assert 0.2 < np.mean(seen) < 0.8


def test_the_side_label_is_the_determinant_of_the_placement(pool, small_reading):
    matrix, mirrored, used, pixel = module._placements(np.random.default_rng(2), 200, 192)
    # A foot's frame has y upward, a film has it downward: an unmirrored foot has a negative determinant.
    determinant = np.linalg.det(matrix[..., :2, :2])
    assert ((determinant > 0) == mirrored).all()
    assert np.sqrt(np.abs(determinant)) == pytest.approx((1 / pixel)[:, None].repeat(2, 1))
    assert {0, 1, 2} == set(used.sum(1).tolist())


def test_the_heat_is_one_at_every_foot_and_fades_around_it(pool, bare):
    bare(module)
    batch = draw(pool, 16)
    heat = batch.target["heat"]
    weights = reading_settings().anchor_weights
    found = 0
    for image, anchors, _, (row, column), _ in feet(batch):
        assert float(heat[image, row, column]) == 1.0
        middle = (anchors * weights[:, None]).sum(0) / weights.sum()
        cell = (middle - (STRIDE - 1) / 2) / STRIDE
        assert np.abs(cell - (column, row)).max() <= 0.5 + 1e-3
        found += 1
    assert found > 5
    assert int((heat == 1).sum()) <= found
    assert float(heat.max()) <= 1.0
    assert float(heat.float().mean()) < 0.1


def test_only_feet_are_asked_for(pool, small_reading, monkeypatch):
    monkeypatch.setattr(module, "reading_settings", small_reading)
    other = int(torch.nonzero(pool.views == VIEWS.index("other"))[0])
    monkeypatch.setattr(pool, "draw", lambda count, *_: torch.full((count,), other))
    batch = draw(pool, 8)
    assert len(batch.target["cell"]) == 0
    assert float(batch.target["heat"].max()) == 0.0
    assert float(batch.images.amax((1, 2)).median()) > 0.3


def test_sides_of_lateral_views_do_not_count(pool, small_reading, monkeypatch):
    monkeypatch.setattr(module, "reading_settings", small_reading)
    target = {}
    for seed in range(4):
        for key, value in draw(pool, 12, seed).target.items():
            target.setdefault(key, []).append(value)
    view, weight = torch.cat(target["view"]), torch.cat(target["side_weight"])
    assert torch.equal(weight == 0, view == VIEWS.index("lateral"))
    assert (view != VIEWS.index("other")).all()


def test_a_batch_is_the_same_for_the_same_seed_and_holds_grey_values(pool, small_reading, monkeypatch):
    monkeypatch.setattr(module, "reading_settings", small_reading)
    first, again = draw(pool, 5), draw(pool, 5)
    assert torch.equal(first.images, again.images)
    for name, value in first.target.items():
        assert torch.equal(value, again.target[name]), name
    assert first.images.shape == (5, 192, 192)
    assert torch.isfinite(first.images).all()
    assert float(first.images.min()) >= 0
    assert float(first.images.max()) <= 1 + 1e-6


def test_the_reader_lays_its_crops_where_a_perfect_locator_says(pool, untrained_reader):
    """Targets written as a network's answer come back from the reader as feet: training and reading agree."""
    reader = untrained_reader()
    settings = reading_settings()
    batch = draw(pool, 12, 4)
    target = batch.target
    count = len(CODES)
    output = torch.zeros(12, 2 + 2 * count + len(VIEWS), *target["heat"].shape[1:])
    output[:, 0] = torch.logit(target["heat"].clamp(1e-4, 1 - 1e-4))
    image, row, column = target["cell"].unbind(1)
    answer = torch.zeros(len(image), output.shape[1] - 1)
    answer[:, : 2 * count] = target["offsets"].flatten(1)
    answer[:, 2 * count] = torch.where(target["left"] > 0, 6.0, -6.0)
    answer[torch.arange(len(image)), 2 * count + 1 + target["view"]] = 8.0
    output[image, 1:, row, column] = answer

    asked = list(feet(batch))
    found = 0
    for k in range(12):
        reader._locator = lambda _, k=k: {MAP: output[k].numpy()}
        read = reader.find(Film(Path("film.dcm"), batch.images[k].numpy()))
        wanted = [foot for foot in asked if foot[0] == k]
        for foot in read:
            assert foot.side == ("L" if np.linalg.det(foot.film_from_crop[:2, :2]) < 0 else "R")
            middle = transform_points(foot.film_from_crop, settings.anchor_points).mean(0)
            _, anchors, left, _, view = min(wanted, key=lambda w: np.linalg.norm(w[1].mean(0) - middle))
            laid = transform_points(np.linalg.inv(foot.film_from_crop), anchors)
            if view != VIEWS.index("dp"):
                continue
            assert foot.side == ("L" if left else "R")
            assert foot.side_probability > 0.9
            assert max(foot.view, key=foot.view.get) == "dp"
            # An average foot fits its crop to a few percent of the crop's height.
            assert np.sqrt(((laid - settings.anchor_points) ** 2).sum(1).mean()) < 0.08 * settings.crop_rows
            found += 1
    assert found >= 4
