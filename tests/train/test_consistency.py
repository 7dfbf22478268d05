"""Self-training on real crops: two pictures of one crop agree about where things lie, and only sure points count."""

from dataclasses import replace

import numpy as np
import pytest
import torch

import raysplay.train.consistency as consistency
from raysplay.configs import landmark_schema
from raysplay.configs.conditions import CONDITIONS
from raysplay.configs.views import VIEWS
from raysplay.infer.network.landmark_network import STRIDE, LandmarkPrediction
from raysplay.infer.settings import reading_settings
from raysplay.train.consistency import CONFIDENT, SPREAD_MAX, CropPairs, consistency_loss, crop_pairs, split, unlabelled
from raysplay.train.real_crops.real_films import MARGIN, RealCrops

COUNT = len(landmark_schema())
ROWS, COLUMNS = 120, 96


def crops_of(images):
    size = len(images)
    known = torch.zeros(size, COUNT, dtype=torch.bool)
    conditions = torch.full((size, len(CONDITIONS)), torch.nan)
    return RealCrops(images, torch.zeros(size, COUNT, 2), known, torch.zeros(size, dtype=torch.long), conditions)


def test_only_crops_from_above_without_landmarks_are_used():
    real = crops_of(torch.zeros(4, 8, 8, dtype=torch.uint8))
    real.known[1, 3] = True
    real.view[2] = VIEWS.index("oblique")
    assert unlabelled(real).tolist() == [0, 3]


def test_the_matrix_carries_what_one_picture_shows_to_the_other(draw_blob, centre_of_mass, monkeypatch):
    for name in ("vary_grey", "archive"):
        monkeypatch.setattr(consistency, name, lambda images, *_: images)
    rows, columns = reading_settings().crop_size
    at = (columns / 2 + MARGIN + 11.0, rows / 2 + MARGIN - 23.0)
    blob = 250 * draw_blob((rows + 2 * MARGIN, columns + 2 * MARGIN), at, 5.0)
    real = crops_of(torch.from_numpy(np.rint(blob).astype(np.uint8))[None])
    pairs = crop_pairs(real, 6, np.random.default_rng(2), torch.Generator().manual_seed(2), None)
    moved = []
    for k in range(6):
        first, second = pairs.seen[k].double().numpy(), pairs.shown[k].double().numpy()
        start = np.array(np.unravel_index(first.argmax(), first.shape))[::-1]
        seen = centre_of_mass(first, start, 40)
        matrix = pairs.shown_from_seen[k].double().numpy()
        shown = matrix[:2, :2] @ seen + matrix[:2, 2]
        assert centre_of_mass(second, shown, 40) == pytest.approx(shown, abs=0.3)
        moved.append(np.linalg.norm(shown - seen))
    assert max(moved) > 5
    # The teacher's own crop is laid nearly as stored.
    assert float((pairs.seen.flatten(1).argmax(1) // columns - (at[1] - MARGIN)).abs().max()) < 25


def predict(points, sure=3.0, spread=1.0, maps=None):
    size = len(points)
    return LandmarkPrediction(
        points,
        torch.tensor([spread, 0.0, spread]).expand(size, COUNT, 3),
        torch.full((size, COUNT), sure),
        torch.zeros(size, len(VIEWS)),
        torch.zeros(size, len(CONDITIONS)),
        torch.zeros(size),
        torch.zeros(size, COUNT, ROWS // STRIDE, COLUMNS // STRIDE) if maps is None else maps,
    )


@pytest.fixture
def pairs():
    """Two crops; the second is shown turned by a quarter about its middle and then shifted by ten pixels."""
    turn = torch.tensor([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    middle = torch.tensor([(COLUMNS - 1) / 2, (ROWS - 1) / 2])
    turn[:2, 2] = middle - turn[:2, :2] @ middle + torch.tensor([10.0, 0.0])
    pictures = torch.zeros(2, ROWS, COLUMNS)
    return CropPairs(pictures, pictures, torch.stack([torch.eye(3), turn]))


@pytest.fixture
def points():
    middle = torch.tensor([(COLUMNS - 1) / 2, (ROWS - 1) / 2])
    return middle + 20 * (torch.rand(2, COUNT, 2, generator=torch.Generator().manual_seed(1)) - 0.5)


def mapped(pairs, points):
    linear, shift = pairs.shown_from_seen[:, :2, :2], pairs.shown_from_seen[:, :2, 2]
    return torch.einsum("bij,blj->bli", linear, points) + shift[:, None]


def place_part(teacher, student, pairs):
    """The loss less its map part, which does not depend on the points."""
    agreed = replace(student, points=mapped(pairs, teacher.points))
    return float(consistency_loss(teacher, student, pairs) - consistency_loss(teacher, agreed, pairs))


def test_the_student_is_held_to_the_teachers_points_as_the_matrices_map_them(pairs, points):
    teacher = predict(points)
    assert place_part(teacher, predict(mapped(pairs, points)), pairs) == pytest.approx(0, abs=1e-5)
    aside = mapped(pairs, points) + torch.tensor([2.0 * STRIDE, 0.0])
    # Distance in cells less half of the rounded foot of 0.5 px, as in the place loss.
    assert place_part(teacher, predict(aside), pairs) == pytest.approx(2.0 - 0.25 / STRIDE, abs=0.01)


@pytest.mark.parametrize(
    "doubtful", [{"sure": float(np.log(CONFIDENT / (1 - CONFIDENT))) - 0.01}, {"spread": SPREAD_MAX * 1.01}]
)
def test_what_the_teacher_doubts_does_not_count(pairs, points, doubtful):
    maps = torch.randn(2, COUNT, ROWS // STRIDE, COLUMNS // STRIDE, generator=torch.Generator().manual_seed(3))
    aside = predict(mapped(pairs, points) + 5, maps=maps)
    assert float(consistency_loss(predict(points), aside, pairs)) > 1
    assert float(consistency_loss(predict(points, **doubtful), aside, pairs)) == 0


def test_points_that_leave_the_picture_do_not_count(pairs, points):
    out = points.clone()
    out[:, ::2, 0] = COLUMNS + 30
    some, student = predict(out), predict(mapped(pairs, points) + 6)
    maps = student.maps.clone().requires_grad_()
    consistency_loss(some, replace(student, maps=maps), pairs).backward()
    assert float(maps.grad[0, ::2].abs().sum()) == 0
    assert (maps.grad[0, 1::2].abs().flatten(1).sum(1) > 0).all()


def test_predictions_are_split_where_the_crops_are(points):
    whole = predict(torch.cat([points, points + 1]))
    first, rest = split(whole, 3)
    assert torch.equal(torch.cat([first.points, rest.points]), whole.points)
    assert (len(first.view), len(rest.maps)) == (3, 1)
