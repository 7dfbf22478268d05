"""Losses: nothing at the truth, the density they stand for, and no pull from what is not known."""

from dataclasses import replace

import numpy as np
import pytest
import torch
from scipy.stats import multivariate_t

from raysplay.configs import landmark_schema
from raysplay.configs.conditions import CONDITIONS
from raysplay.configs.views import VIEWS
from raysplay.infer.network.landmark_network import STRIDE, LandmarkPrediction, cell_centres, decode
from raysplay.train.landmark_batch import LandmarkBatch
from raysplay.train.losses import TARGET_SPREAD, TOLERANCE_MM, axis_indices, landmark_loss, locator_loss

COUNT = len(landmark_schema())
ROWS, COLUMNS = 30, 24
DP = VIEWS.index("dp")


def batch_of(points, view=DP, visible=None, labelled=True, pixel_mm=0.4, conditions=None):
    size = len(points)
    unknown = torch.full((size, len(CONDITIONS)), torch.nan)
    visible = torch.ones(points.shape[:2], dtype=torch.bool) if visible is None else visible
    return LandmarkBatch(
        torch.zeros(size, ROWS * STRIDE, COLUMNS * STRIDE),
        points,
        visible,
        torch.full((size,), view),
        torch.full((size,), pixel_mm),
        torch.full((size, COUNT), labelled),
        unknown if conditions is None else conditions,
    )


def maps_of(points):
    x, y = cell_centres(ROWS, COLUMNS, points.device)
    square = ((x - points[..., :1]) ** 2)[..., None, :] + ((y - points[..., 1:]) ** 2)[..., :, None]
    return -square / (2 * (TARGET_SPREAD * STRIDE) ** 2)


def predict(points, maps=None, spread=(1.0, 0.0, 1.0), confidence=0.0, view=DP, conditions=None):
    size = len(points)
    logits = torch.zeros(size, len(VIEWS))
    logits[:, view] = 10.0
    return LandmarkPrediction(
        points,
        torch.tensor(spread).expand(size, COUNT, 3),
        torch.full((size, COUNT), float(confidence)),
        logits,
        torch.zeros(size, len(CONDITIONS)) if conditions is None else conditions,
        torch.zeros(size),
        maps_of(points) if maps is None else maps,
    )


@pytest.fixture
def points():
    low, high = torch.tensor([24.0, 24.0]), torch.tensor([COLUMNS, ROWS]) * STRIDE - 24.0
    return low + torch.rand(2, COUNT, 2, generator=torch.Generator().manual_seed(1)) * (high - low)


def test_the_truth_costs_nothing(points):
    maps = maps_of(points)
    prediction = predict(decode(maps), maps, confidence=20)
    _, parts = landmark_loss(prediction, batch_of(points))
    assert float(parts["place"]) < 1e-4
    assert float(parts["axis"]) < 0.02
    assert float(parts["found"]) < 1e-4
    assert float(parts["view"]) < 1e-3


def test_the_map_loss_is_least_at_the_target(points):
    maps = maps_of(points).requires_grad_()
    _, parts = landmark_loss(predict(points, maps), batch_of(points))
    landmark_loss(predict(points, maps), batch_of(points))[0].backward()
    # Cross entropy at the target is the target's entropy: log(2 pi e sigma^2) of a Gaussian, sigma in cells.
    assert float(parts["map"]) == pytest.approx(np.log(2 * np.pi * np.e * TARGET_SPREAD**2), abs=0.01)
    assert float(maps.grad.abs().max()) < 1e-6
    moved = landmark_loss(predict(points, maps_of(points + 1)), batch_of(points))[1]
    assert float(moved["map"]) > float(parts["map"])


def test_the_place_loss_is_the_distance_in_cells_once_it_is_large(points):
    aside = points + torch.tensor([STRIDE * 2.0, 0.0])
    _, parts = landmark_loss(predict(aside), batch_of(points))
    assert float(parts["place"]) == pytest.approx(2.0, abs=0.07)  # less half of the rounded foot of 0.5 px
    lost = points + torch.tensor([STRIDE * 7.0, 0.0])
    assert float(landmark_loss(predict(lost), batch_of(points))[1]["place"]) == 0.0


@pytest.mark.parametrize("degrees", [-4.0, 1.0, 6.0])
def test_the_axis_loss_is_the_sine_of_the_turn(points, degrees):
    angle = np.radians(degrees)
    turn = torch.tensor([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]], dtype=torch.float32)
    middle = points.mean((0, 1))
    _, parts = landmark_loss(predict((points - middle) @ turn.T + middle), batch_of(points))
    assert float(parts["axis"]) == pytest.approx(10 * abs(np.sin(angle)), rel=1e-3)


def test_axes_are_those_of_the_shafts():
    codes = landmark_schema().codes
    axes = [[codes[k] for k in row] for row in axis_indices().tolist()]
    assert axes.pop() == ["DP_base_c", "DP_base_c", "DP_tip", "DP_tip"]  # a point at either end, for both sides
    bones = [row[0].removesuffix("p_med") for row in axes]
    assert {"M1", "M2", "M4", "M5", "PP"} <= set(bones)
    assert len(set(bones)) == len(bones)
    for bone, row in zip(bones, axes, strict=True):
        assert row == [f"{bone}p_med", f"{bone}p_lat", f"{bone}d_med", f"{bone}d_lat"]


@pytest.mark.parametrize("spread", [(1.0, 0.0, 1.0), (2.0, 0.7, 0.5), (0.4, -1.2, 3.0)])
def test_the_doubt_loss_is_the_likelihood_of_students_distribution(points, spread):
    # Reference: scipy's multivariate t with 4 degrees of freedom. Its covariance is nu / (nu - 2) = 2 times its shape
    # matrix, and the predicted one is the covariance.
    error = torch.randn(points.shape, generator=torch.Generator().manual_seed(2)) * 2
    _, parts = landmark_loss(predict(points + error, spread=spread), batch_of(points))
    factor = np.array([[spread[0], 0], [spread[1], spread[2]]])
    unit = multivariate_t([0, 0], np.eye(2) / 2, df=4)
    other = multivariate_t([0, 0], factor @ factor.T / 2, df=4)
    expected = (unit.logpdf([0, 0]) - other.logpdf(error.reshape(-1, 2).double().numpy())).mean()
    assert float(parts["doubt"]) / 0.15 == pytest.approx(expected, abs=1e-4)


def doubt(error, spread):
    """Doubt loss of (N, 2) errors, N a multiple of the landmarks."""
    errors = torch.as_tensor(error, dtype=torch.float32).reshape(-1, COUNT, 2)
    truth = torch.full_like(errors, 50.0)
    maps = torch.zeros(len(errors), COUNT, ROWS, COLUMNS)
    return float(landmark_loss(predict(truth + errors, maps, spread), batch_of(truth))[1]["doubt"])


def test_the_doubt_loss_is_least_where_spread_and_errors_agree():
    factor = np.array([[1.5, 0], [0.6, 0.8]])
    rng = np.random.default_rng(3)
    error = multivariate_t([0, 0], factor @ factor.T / 2, df=4).rvs(40 * COUNT, random_state=rng)
    at = (1.5, 0.6, 0.8)
    least = doubt(error, at)
    for k in range(3):
        for change in (-0.25, 0.25):
            other = tuple(v + change * (k == j) for j, v in enumerate(at))
            assert doubt(error, other) > least


def test_normal_errors_are_given_a_wider_spread_than_their_own():
    # The least of the expected loss over a common factor s solves E[z^2 / (2 s^2 + z^2)] = 1 / 3 for z^2 of
    # chi-square(2): 1.23. Where errors have no heavy tails the covariance errs on the wide side.
    error = np.random.default_rng(4).normal(0, 1, (60 * COUNT, 2))
    scales = np.arange(1.0, 1.51, 0.01)
    best = scales[np.argmin([doubt(error, (s, 0.0, s)) for s in scales.tolist()])]
    z = np.random.default_rng(5).chisquare(2, 10**6)
    assert np.mean(z / (2 * best**2 + z)) == pytest.approx(1 / 3, abs=0.01)
    assert best == pytest.approx(1.23, abs=0.04)


def gradients(points, batch, **changes):
    """What moves maps, points, spread and confidence."""
    maps = (0.5 * maps_of(points)).requires_grad_()
    place = (points + 3.0).requires_grad_()
    spread = torch.ones(*points.shape[:2], 3).requires_grad_()
    confidence = torch.zeros(points.shape[:2]).requires_grad_()
    prediction = replace(predict(points), points=place, spread=spread, confidence=confidence, maps=maps)
    landmark_loss(prediction, batch)[0].backward()
    return maps.grad, place.grad, spread.grad, confidence.grad


def test_the_doubt_does_not_move_points(points):
    moved = []
    for spread in ((0.3, 0.0, 0.3), (5.0, 0.0, 5.0)):
        place = (points + 3.0).requires_grad_()
        landmark_loss(predict(place, maps_of(points), spread), batch_of(points))[0].backward()
        moved.append(place.grad)
    torch.testing.assert_close(*moved)


def test_crops_of_which_only_the_view_is_known_pull_on_nothing_else(points):
    # As real crops come: no landmark is known, what stands for them is anything.
    whole = batch_of(points)
    unknown = batch_of(points * 0, visible=torch.zeros(2, COUNT, dtype=torch.bool), labelled=False)
    joined = LandmarkBatch(
        *(torch.stack([a[0], b[0]]) for a, b in zip(vars(whole).values(), vars(unknown).values(), strict=True))
    )
    for grad in gradients(points, joined):
        assert float(grad[0].abs().sum()) > 0
        assert float(grad[1].abs().sum()) == 0


def test_hidden_landmarks_pull_on_their_confidence_alone(points):
    visible = torch.ones(2, COUNT, dtype=torch.bool)
    visible[:, ::3] = False
    maps, place, spread, confidence = gradients(points, batch_of(points, visible=visible))
    for grad in (maps.flatten(2), place, spread):
        assert float(grad[:, ::3].abs().sum()) == 0
        assert (grad[:, 1::3].abs().sum(-1) > 0).all()
    # Confidence falls where a landmark is hidden.
    assert (confidence[:, ::3] > 0).all()


@pytest.mark.parametrize("view", ["oblique", "lateral"])
def test_landmarks_of_other_views_count_less(points, view):
    mixed = batch_of(points)
    mixed.view[1] = VIEWS.index(view)
    maps, _, _, _ = gradients(points, mixed)
    even, _, _, _ = gradients(points, batch_of(points))
    ratio = float(maps[1].abs().sum() / maps[0].abs().sum())
    assert ratio == pytest.approx(0.3 * float(even[1].abs().sum() / even[0].abs().sum()), rel=1e-3)


def test_confidence_rises_where_a_landmark_is_within_reach(points):
    reach = TOLERANCE_MM / 0.4
    near, far = points + torch.tensor([0.9 * reach, 0.0]), points + torch.tensor([1.1 * reach, 0.0])
    for place, sign in ((near, -1), (far, 1)):
        confidence = torch.zeros(2, COUNT, requires_grad=True)
        landmark_loss(replace(predict(place), confidence=confidence), batch_of(points))[0].backward()
        assert (sign * confidence.grad > 0).all()


def test_the_sum_is_that_of_the_parts(points):
    loss, parts = landmark_loss(predict(points + 2.0), batch_of(points))
    assert float(loss) == pytest.approx(sum(float(v) for v in parts.values()), rel=1e-5)


GROWTH = CONDITIONS.index("growth_plates")


def answers(size, known=1.0):
    return torch.full((size, len(CONDITIONS)), known)


def test_the_condition_loss_is_the_cross_entropy_of_what_is_known(points):
    # Written out: -log sigmoid(x) for a condition that is there, -log sigmoid(-x) for one that is not.
    said = torch.linspace(-2, 2, 2 * len(CONDITIONS)).reshape(2, -1)
    truth = (torch.arange(2 * len(CONDITIONS)) % 3 == 0).float().reshape(2, -1)
    truth[0, 1], truth[1, 4] = torch.nan, torch.nan
    expected = [
        np.log1p(np.exp(-x)) if y == 1 else np.log1p(np.exp(x))
        for x, y in zip(said.flatten().tolist(), truth.flatten().tolist(), strict=True)
        if not np.isnan(y)
    ]
    parts = landmark_loss(predict(points, conditions=said), batch_of(points, conditions=truth))[1]
    assert float(parts["condition"]) / 1.5 == pytest.approx(np.mean(expected), rel=1e-5)


@pytest.mark.parametrize("view", ["lateral", "other"])
def test_conditions_are_not_asked_of_other_views(points, view):
    said = torch.zeros(2, len(CONDITIONS), requires_grad=True)
    batch = batch_of(points, view=VIEWS.index(view), conditions=answers(2))
    landmark_loss(predict(points, conditions=said), batch)[0].backward()
    assert float(said.grad.abs().sum()) == 0.0


def test_landmarks_of_a_childs_foot_count_half(points):
    child, adult = answers(2, 0.0), answers(2, 0.0)
    child[1, GROWTH] = 1.0
    maps, _, _, _ = gradients(points, batch_of(points, conditions=child))
    even, _, _, _ = gradients(points, batch_of(points, conditions=adult))
    ratio = float(maps[1].abs().sum() / maps[0].abs().sum())
    assert ratio == pytest.approx(0.5 * float(even[1].abs().sum() / even[0].abs().sum()), rel=1e-3)


def test_landmarks_nobody_looked_for_say_nothing_of_confidence(points):
    # As on films that a person gave only some landmarks.
    batch = batch_of(points)
    batch.labelled[:, ::2] = False
    _, _, _, confidence = gradients(points, batch)
    assert float(confidence[:, ::2].abs().sum()) == 0
    assert (confidence[:, 1::2].abs() > 0).all()


class TestLocator:
    ANCHORS = 3

    @pytest.fixture
    def target(self):
        heat = torch.zeros(2, 6, 6)
        heat[0, 2, 3], heat[0, 2, 4], heat[1, 4, 1] = 1.0, 0.6, 1.0
        return {
            "heat": heat,
            "cell": torch.tensor([[0, 2, 3], [1, 4, 1]]),
            "offsets": torch.randn(2, self.ANCHORS, 2, generator=torch.Generator().manual_seed(1)),
            "weight": torch.ones(2, self.ANCHORS),
            "left": torch.tensor([1.0, 0.0]),
            "side_weight": torch.ones(2),
            "view": torch.tensor([0, 2]),
        }

    def perfect(self, target):
        output = torch.zeros(2, 2 + 2 * self.ANCHORS + len(VIEWS), 6, 6)
        output[:, 0] = torch.where(target["heat"] == 1.0, 12.0, -12.0)
        for k, (image, row, column) in enumerate(target["cell"].tolist()):
            cell = output[image, :, row, column]
            cell[1 : 1 + 2 * self.ANCHORS] = target["offsets"][k].flatten()
            cell[1 + 2 * self.ANCHORS] = 15.0 if target["left"][k] else -15.0
            cell[2 + 2 * self.ANCHORS + target["view"][k]] = 15.0
        return output

    def test_the_truth_costs_nothing(self, target):
        loss, parts = locator_loss(self.perfect(target), target, self.ANCHORS)
        assert set(parts) == {"centre", "anchors", "side", "view"}
        assert float(loss) < 1e-3

    @pytest.mark.parametrize("part", ["centre", "anchors", "side", "view"])
    def test_every_mistake_costs_its_own_part(self, target, part):
        output = self.perfect(target)
        first = {"centre": 0, "anchors": 1, "side": 1 + 2 * self.ANCHORS, "view": 2 + 2 * self.ANCHORS}[part]
        output[:, first] = 0.3 - output[:, first]
        parts = locator_loss(output, target, self.ANCHORS)[1]
        assert float(parts[part]) > 0.1
        assert all(float(value) < 1e-2 for name, value in parts.items() if name != part)

    def test_the_centre_loss_is_that_of_objects_as_points(self, target):
        # Zhou and others 2019, equation 1, with alpha 2 and beta 4, written out cell by cell.
        output = torch.randn(2, 2 + 2 * self.ANCHORS + len(VIEWS), 6, 6, generator=torch.Generator().manual_seed(2))
        total = 0.0
        for p, y in zip(
            torch.sigmoid(output[:, 0]).double().flatten().tolist(), target["heat"].flatten().tolist(), strict=True
        ):
            total -= (1 - p) ** 2 * np.log(p) if y == 1 else (1 - y) ** 4 * p**2 * np.log(1 - p)
        assert float(locator_loss(output, target, self.ANCHORS)[1]["centre"]) == pytest.approx(total / 2, rel=1e-4)

    def test_sides_that_cannot_be_seen_do_not_count(self, target):
        output = self.perfect(target)
        output[:, 1 + 2 * self.ANCHORS] *= -1
        target["side_weight"] = torch.tensor([0.0, 0.0])
        assert float(locator_loss(output, target, self.ANCHORS)[1]["side"]) == 0.0

    def test_a_batch_without_a_foot_gives_numbers(self, target):
        empty = {k: v[:0] for k, v in target.items() if k != "heat"} | {"heat": torch.zeros(2, 6, 6)}
        output = torch.zeros(2, 2 + 2 * self.ANCHORS + len(VIEWS), 6, 6, requires_grad=True)
        loss, _ = locator_loss(output, empty, self.ANCHORS)
        loss.backward()
        assert torch.isfinite(loss)
        assert torch.isfinite(output.grad).all()
