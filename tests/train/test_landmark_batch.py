"""Crops of a batch show each landmark where the batch says it is."""

from dataclasses import replace

import numpy as np
import pytest
import torch

import raysplay.train.exposed_batch as exposed_batch
import raysplay.train.landmark_batch as module
from raysplay.configs import landmark_schema
from raysplay.configs.conditions import CONDITIONS
from raysplay.configs.views import VIEWS
from raysplay.infer.warp import similarity, transform_points
from raysplay.train.degrade import archive, draw_marks, no_degradation
from raysplay.train.landmark_batch import join, landmark_batch, lay_crops, real_batch
from raysplay.train.real_crops.real_films import MARGIN, RealCrops

from .conftest import shown_landmarks

MARKS = draw_marks(4)


def sources():
    return np.random.default_rng(1), torch.Generator().manual_seed(1)


def without_conditions(pool, monkeypatch):
    """Feet of the pool lie alone; some that are drawn at random have crossed toes of their own."""
    monkeypatch.setattr(pool, "conditions", torch.zeros_like(pool.conditions))


def take_in_order(pool, monkeypatch):
    """Feet leave the pool in order, so that a test knows which one a crop shows."""
    monkeypatch.setattr(pool, "draw", lambda count, *_: torch.arange(count) % pool.filled)


def test_landmarks_lie_where_the_crops_show_them(blob_pool, bare, monkeypatch, centre_of_mass):
    bare(module)
    take_in_order(blob_pool, monkeypatch)
    shown = 0
    for seed in range(3):
        rng, generator = np.random.default_rng(seed), torch.Generator().manual_seed(seed)
        batch = landmark_batch(blob_pool, blob_pool.filled, rng, generator, MARKS, None)
        for k, landmark in enumerate(shown_landmarks()):
            at = batch.points[k, landmark].numpy()
            rows, columns = batch.images.shape[1:]
            if not (14 < at[0] < columns - 15 and 14 < at[1] < rows - 15):
                continue
            picture = batch.images[k].numpy()
            assert picture[tuple(np.rint(at[::-1]).astype(int))] > 0.8 * picture.max()
            assert centre_of_mass(picture, at, 14) == pytest.approx(at, abs=0.2)
            shown += 1
    assert shown > 30


def test_a_pixel_has_the_size_that_it_says(blob_pool, bare, monkeypatch, coarse):
    bare(module)
    take_in_order(blob_pool, monkeypatch)
    batch = landmark_batch(blob_pool, 8, *sources(), MARKS, None)
    stored, cut = blob_pool.points[:8] * coarse.pitch_mm, batch.points
    for mm, pixels, size in zip(stored, cut, batch.pixel_mm, strict=True):
        assert torch.pdist(mm).numpy() == pytest.approx((torch.pdist(pixels) * size).numpy(), rel=1e-3, abs=1e-2)


def test_crops_lie_over_feet_as_the_reader_lays_them(pool, small_reading, monkeypatch):
    settings, schema = small_reading(), landmark_schema()
    monkeypatch.setattr(module, "reading_settings", small_reading)
    index = [schema.index(a.code) for a in settings.anchors]
    feet = pool.points[pool.views == 0]
    for matrix, points in zip(lay_crops(feet).double().numpy(), feet.double().numpy(), strict=True):
        expected = similarity(settings.anchor_points, points[index], settings.anchor_weights)
        assert matrix == pytest.approx(expected, abs=1e-3)
        # And upright: toes up, medial side on the left, within the crop.
        laid = transform_points(np.linalg.inv(matrix), points)
        assert laid[schema.index("M2_tip"), 1] < laid[schema.index("M2_base_c"), 1]
        assert laid[schema.index("M1_head_c"), 0] < laid[schema.index("M5_lat"), 0]
        assert (laid[index] > 0).all()
        assert (laid[index] < np.array(settings.crop_size)[::-1]).all()


def test_landmarks_outside_the_field_or_the_crop_are_hidden(blob_pool, bare, monkeypatch):
    bare(module)
    take_in_order(blob_pool, monkeypatch)
    half = torch.ones(16, 288, 192, dtype=torch.bool)
    half[..., 96:] = False
    monkeypatch.setattr("raysplay.train.exposed_batch.exposed_field", lambda *_: half)
    batch = landmark_batch(blob_pool, 16, *sources(), MARKS, None)
    x, y = batch.points.unbind(-1)
    inside = (x > 0) & (x < 191) & (y > 0) & (y < 287)
    expected = inside & (x.round() < 96)
    assert torch.equal(batch.visible, expected)
    assert 0 < int(expected.sum()) < int(inside.sum()) < expected.numel()
    covered = batch.images[..., 96:].flatten(1)
    assert (covered == covered[:, :1]).all()


def test_things_that_are_no_feet_have_no_landmarks(pool, bare, small_reading, monkeypatch):
    bare(module)
    take_in_order(pool, monkeypatch)
    batch = landmark_batch(pool, pool.filled, *sources(), MARKS, None)
    assert torch.equal(batch.view, pool.views)
    other = batch.view == VIEWS.index("other")
    assert 0 < int(other.sum()) < len(other)
    assert not batch.visible[other].any()
    assert batch.visible[~other].float().mean() > 0.7
    assert batch.labelled.all()
    assert (batch.images[other].amax((1, 2)) > 0.2).all()


def test_a_batch_is_the_same_for_the_same_seed_and_holds_grey_values(pool, small_reading, monkeypatch):
    monkeypatch.setattr(module, "reading_settings", small_reading)
    first, again = (landmark_batch(pool, 5, *sources(), MARKS, None) for _ in range(2))
    for name, value in vars(first).items():
        assert torch.equal(value.nan_to_num(7), getattr(again, name).nan_to_num(7)), name
    assert first.images.shape == (5, 288, 192)
    assert torch.isfinite(first.images).all()
    assert float(first.images.min()) >= 0
    assert float(first.images.max()) <= 1 + 1e-6


@pytest.fixture
def real(draw_blob):
    """Crops as ``gather_real_crops`` stores them: six with a blob at landmark 3, two of a side view."""
    rng = np.random.default_rng(3)
    rows, columns = 288 + 2 * MARGIN, 192 + 2 * MARGIN
    points = torch.zeros(8, len(landmark_schema()), 2)
    known = torch.zeros(8, len(landmark_schema()), dtype=torch.bool)
    images = torch.zeros(8, rows, columns, dtype=torch.uint8)
    for k in range(6):
        at = rng.uniform([130, 150], [190, 260])
        points[k, 3] = torch.as_tensor(at)
        known[k, 3] = True
        images[k] = torch.as_tensor(np.rint(200 * draw_blob((rows, columns), at, 5.0)), dtype=torch.uint8)
    unknown = torch.full((8, len(CONDITIONS)), torch.nan)
    return RealCrops(images, points, known, torch.tensor([0] * 6 + [2] * 2), unknown)


def test_landmarks_of_real_crops_lie_where_the_crops_show_them(real, bare, monkeypatch, centre_of_mass):
    bare(module)
    monkeypatch.setattr(module, "vary_grey", lambda images, *_: images)
    batch = real_batch(real, 24, *sources(), None)
    assert batch.images.shape == (24, 288, 192)
    shown = 0
    for image, points, visible, view in zip(batch.images, batch.points, batch.visible, batch.view, strict=True):
        if view == 2:
            assert not visible.any()
            continue
        assert visible.nonzero().flatten().tolist() in ([3], [])
        if visible[3] and (points[3] > 15).all() and points[3, 0] < 176 and points[3, 1] < 272:
            assert centre_of_mass(image, points[3].numpy(), 15) == pytest.approx(points[3].numpy(), abs=0.2)
            shown += 1
    assert shown > 5
    assert torch.equal(batch.labelled.any(1), batch.view == 0)
    assert (batch.labelled.sum(1) == (batch.view == 0)).all()
    assert torch.isnan(batch.conditions).all()


def test_views_of_real_crops_are_drawn_equally_often(real, bare):
    bare(module)
    views = torch.cat([real_batch(real, 40, np.random.default_rng(k), sources()[1], None).view for k in range(3)])
    # 120 draws of one half: four standard errors.
    assert float((views == 2).float().mean()) == pytest.approx(0.5, abs=4 * 0.5 / np.sqrt(120))


def test_two_batches_are_joined_in_order(real, pool, bare):
    bare(module)
    a, b = landmark_batch(pool, 3, *sources(), MARKS, None), real_batch(real, 2, *sources(), None)
    both = join(a, b)
    for name, value in vars(both).items():
        assert torch.equal(value[:3], getattr(a, name))
        assert torch.equal(value[3:].nan_to_num(7), getattr(b, name).nan_to_num(7))


def only(**shares):
    """Degradations with these shares alone."""
    nothing = no_degradation()
    return nothing.model_copy(
        update={
            part: getattr(nothing, part).model_copy(
                update={k: v for k, v in shares.items() if k in type(getattr(nothing, part)).model_fields}
            )
            for part in ("conditions", "wear")
        }
    )


PLACED = 0.25
"""How well the middle of a blob is found, in pixels of the coarse crop."""


def test_a_screen_photographed_at_an_angle_moves_points_with_the_picture(blob_pool, bare, monkeypatch, centre_of_mass):
    # Points and pictures go through one projective matrix: blobs must lie where the points say.
    bare(module)
    take_in_order(blob_pool, monkeypatch)
    monkeypatch.setattr("raysplay.train.exposed_batch.spoil_display", lambda images, *_: images)
    shown, moved = 0, []
    for seed in range(3):
        plain = landmark_batch(blob_pool, 16, np.random.default_rng(seed), sources()[1], MARKS, None)
        batch = landmark_batch(
            blob_pool, 16, np.random.default_rng(seed), sources()[1], MARKS, None, only(photographed=1.0)
        )
        moved.append((batch.points - plain.points).norm(dim=-1).flatten())
        for k, landmark in enumerate(shown_landmarks()):
            at = batch.points[k, landmark].numpy()
            if (at > 14).all() and at[0] < 177 and at[1] < 273:
                assert centre_of_mass(batch.images[k].numpy(), at, 14) == pytest.approx(at, abs=PLACED)
                shown += 1
    assert shown > 25
    # Points move further than the place of a blob is known, so that a picture left behind would show.
    assert float(torch.cat(moved).quantile(0.25)) > 2 * PLACED


@pytest.mark.parametrize("name", ["metal", "cast", "splint"])
def test_what_a_foot_carries_brightens_it_and_is_told(pool, bare, monkeypatch, name):
    bare(module)
    take_in_order(pool, monkeypatch)
    looks = exposed_batch.draw_looks
    soft_too = lambda rng, count: replace(looks(rng, count), soft=torch.full((count,), 0.01))  # noqa: E731
    monkeypatch.setattr("raysplay.train.exposed_batch.draw_looks", soft_too)
    plain = landmark_batch(pool, 16, *sources(), MARKS, None)
    batch = landmark_batch(pool, 16, *sources(), MARKS, None, only(**{name: 1.0}))
    foot = batch.view != VIEWS.index("other")
    assert torch.equal(batch.conditions[:, CONDITIONS.index(name)], foot.float())
    others = [k for k, c in enumerate(CONDITIONS) if c != name]
    torch.testing.assert_close(batch.conditions[:, others], plain.conditions[:, others], rtol=0, atol=0, equal_nan=True)
    assert torch.equal(batch.points, plain.points)
    brighter = (batch.images - plain.images).flatten(1)
    assert float(brighter.min()) >= -1e-5
    assert (brighter.amax(1) > 0.02)[foot].float().mean() > 0.8
    assert float(brighter[~foot].abs().max()) < 1e-5


def test_a_field_that_ends_within_what_is_measured_is_told_as_cut_off(pool, bare, monkeypatch):
    bare(module)
    without_conditions(pool, monkeypatch)
    number = CONDITIONS.index("cut_off")
    whole = landmark_batch(pool, 16, *sources(), MARKS, None)
    assert not (whole.conditions[:, number] == 1).any()
    narrow = no_degradation().model_copy(update={"field": 1.0, "field_inset": 0.3, "field_deep": 1.0})
    batch = landmark_batch(pool, 16, *sources(), MARKS, None, narrow)
    told, schema = batch.conditions[:, number], landmark_schema()
    # HVA and IMA by shaft axes stand on these three bones (common practice, no source).
    axes = [
        schema.index(f"{bone}{end}_{side}") for bone in ("M1", "M2", "PP") for end in "pd" for side in ("med", "lat")
    ]
    missing = (whole.visible & ~batch.visible)[:, axes].any(1)
    assert 4 <= int(missing.sum()) < 16
    assert (told[missing] == 1).all()
    assert not (told[~missing] == 1).any()


def test_overlap_is_told_of_feet_under_another_and_not_of_feet_beside_one(pool, bare, monkeypatch):
    bare(module)
    without_conditions(pool, monkeypatch)
    over = only(overlap=1.0)
    under = torch.cat(
        [landmark_batch(pool, 16, np.random.default_rng(k), sources()[1], MARKS, None, over).conditions for k in (1, 2)]
    )[:, CONDITIONS.index("overlap")]
    beside = no_degradation().model_copy(update={"beside": 1.0})
    free = landmark_batch(pool, 16, *sources(), MARKS, None, beside)
    next_to = free.conditions[:, CONDITIONS.index("overlap")]
    assert float((under == 1).float().mean()) > 0.6
    assert float((next_to == 1).float().mean()) < 0.1
    assert float((next_to == 0).float().mean()) > 0.7


def test_half_of_a_batch_has_the_pixels_of_open_films():
    # 0.6 to 1 mm on the foot; measured as the width to which a bright point is spread.
    settings = no_degradation().model_copy(
        update={"coarse_share": 0.5, "coarse_mm": (0.6, 1.0), "fine_mm": (0.1, 0.35)}
    )
    images = torch.zeros(64, 96, 96)
    images[:, 48, 48] = 1.0
    archived = archive(images, 0.35, np.random.default_rng(1), settings)
    spread = archived.flatten(1).amax(1) < 0.5
    assert int(spread.sum()) == 32
    assert torch.equal(archived[~spread], images[~spread])


def test_a_batch_without_degradation_is_what_the_store_holds(pool, bare, monkeypatch):
    bare(module)
    without_conditions(pool, monkeypatch)
    batch = landmark_batch(pool, 8, *sources(), MARKS, None)
    assert torch.equal(batch.conditions, torch.zeros_like(batch.conditions))
    given = landmark_batch(pool, 8, *sources(), MARKS, None, no_degradation())
    assert torch.equal(batch.images, given.images)
