"""What happens to films after they were made leaves everything where it is."""

import numpy as np
import pytest
import torch

from raysplay.train.degrade import add_marks, draw_marks, exposed_field, lose_resolution, no_degradation, vary_grey

SIZE = (120, 90)
CPU = torch.device("cpu")
FIELDS = no_degradation().model_copy(update={"field": 1.0, "field_inset": 0.4})


@pytest.fixture
def blobs(draw_blob):
    return torch.as_tensor(np.stack([draw_blob(SIZE, at, 7.0) for at in ((41.3, 60.7), (52.0, 49.4))]).astype("f4"))


@pytest.mark.parametrize("factor", [1.0, 1.3, 2.0, 3.2])
def test_a_loss_of_resolution_moves_nothing(blobs, centre_of_mass, factor):
    out = lose_resolution(blobs, factor)
    assert out.shape == blobs.shape
    for before, after in zip(blobs, out, strict=True):
        assert centre_of_mass(after) == pytest.approx(centre_of_mass(before), abs=0.05)


def test_a_loss_of_resolution_takes_fine_detail():
    noise = torch.rand(1, *SIZE, generator=torch.Generator().manual_seed(1))
    assert float(lose_resolution(noise, 3.0).std()) < 0.4 * float(noise.std())
    assert torch.equal(lose_resolution(noise, 1.0), noise)


def test_fields_are_whole_unless_cut():
    rng = np.random.default_rng(1)
    assert exposed_field(rng, 5, SIZE, CPU, no_degradation()).all()
    cut = exposed_field(rng, 40, SIZE, CPU, FIELDS)
    share = cut.float().mean((1, 2))
    assert cut.shape == (40, *SIZE)
    assert (share < 1).any()
    # Sides cut up to 0.4 of half the picture: at least (1 - 0.4) squared is left, less what the odd angle takes.
    assert (share > 0.25).all()
    assert cut[:, 60, 45].all()


def test_deep_fields_cut_one_side_up_to_the_middle():
    deep = FIELDS.model_copy(update={"field_deep": 1.0})
    share = exposed_field(np.random.default_rng(1), 60, SIZE, CPU, deep).float().mean((1, 2))
    plain = exposed_field(np.random.default_rng(1), 60, SIZE, CPU, FIELDS).float().mean((1, 2))
    assert float(share.mean()) < float(plain.mean()) - 0.1
    # One side in the middle, the others at 0.4 of half the picture, less what the odd angle takes.
    assert float(share.min()) > 0.5 * 0.6**2


def test_a_field_is_one_piece_with_straight_edges():
    for mask in exposed_field(np.random.default_rng(2), 20, SIZE, CPU, FIELDS):
        changes = (mask[:, 1:] != mask[:, :-1]).sum(1)
        assert int(changes.max()) <= 2


def test_marks_are_drawn_the_same_each_time():
    marks = draw_marks(20)
    assert torch.equal(marks, draw_marks(20))
    assert marks.shape == (20, 32, 96)
    assert float(marks.min()) == 0.0
    assert float(marks.max()) == 1.0
    assert (marks.sum((1, 2)) > 5).all()


def test_marks_only_brighten_and_only_a_share_of_the_films():
    images = torch.full((60, *SIZE), 0.3)
    printed = add_marks(images, draw_marks(8), np.random.default_rng(3), 0.5, 16)
    assert (printed >= images).all()
    changed = (printed > images).flatten(1).any(1)
    # Two chances of a half each, less marks that fall off the film.
    assert 0.5 < float(changed.float().mean()) < 0.95
    assert torch.equal(add_marks(images, draw_marks(8), np.random.default_rng(3), 0.0, 16), images)


class Fixed:
    """Numbers that put one mark, ``tall`` times the asked height, turned by ``angle``, amid the film."""

    def __init__(self, angle):
        self.angle = angle
        self.first = True

    def random(self, count):
        values = np.full(count, 0.5 if self.first else 0.9)  # printed once, never mirrored
        self.first = False
        return values

    def integers(self, high, size):
        return np.zeros(size, int)

    def uniform(self, low, high, size):
        return np.full(size, (low + high) / 2)

    def choice(self, values, size, p):
        return np.full(size, self.angle)

    def normal(self, mean, spread, size):
        return np.zeros(size)


@pytest.mark.parametrize("angle", [0.0, np.pi / 2, np.pi, 0.5])
def test_a_mark_keeps_its_shape_on_a_film_that_is_not_square(angle, centre_of_mass):
    height = 20
    plate = add_marks(torch.zeros(1, 200, 140), torch.ones(1, 32, 96), Fixed(angle), 0.6, height)[0]
    y, x = torch.nonzero(plate > 0.4).double().numpy().T
    along = np.array([np.cos(angle), np.sin(angle)])
    # An even rectangle of a by b has standard deviations of a and b over the root of 12.
    tall = 0.9 * height
    assert np.sqrt(12) * (x * along[0] + y * along[1]).std() == pytest.approx(3 * tall, abs=1.5)
    assert np.sqrt(12) * (y * along[0] - x * along[1]).std() == pytest.approx(tall, abs=1.5)
    assert centre_of_mass(plate) == pytest.approx([69.5, 99.5], abs=0.6)


def test_a_mark_is_printed_upright_and_unmirrored():
    mark = torch.zeros(1, 32, 96)
    mark[0, :16, :48] = 1.0  # the upper left quarter
    plate = add_marks(torch.zeros(1, 200, 140), mark, Fixed(0.0), 0.6, 20)[0]
    y, x = torch.nonzero(plate > 0.4).double().numpy().T
    assert x.max() <= 70
    assert y.max() <= 100


def test_another_display_moves_nothing_and_stays_grey(blobs, centre_of_mass):
    shifts = []
    for seed in range(12):
        rng, generator = np.random.default_rng(seed), torch.Generator().manual_seed(seed)
        out = vary_grey(blobs, rng, generator)
        assert float(out.min()) >= 0
        assert float(out.max()) <= 1
        for before, after in zip(blobs, out, strict=True):
            at = centre_of_mass(before)
            after = after.numpy()
            shifts.append(centre_of_mass(np.clip(after - 0.5 * after.max(), 0, None), at, 20) - at)
    assert np.abs(np.mean(shifts, 0)).max() < 0.05
    assert np.abs(shifts).max() < 0.4
