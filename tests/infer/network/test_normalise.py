"""What a network sees does not depend on exposure and window."""

import numpy as np
import pytest
import torch
from scipy.ndimage import uniform_filter
from skimage.exposure import rescale_intensity

from raysplay.infer.network.normalise import LOCAL, normalise


@pytest.fixture
def pictures(draw_blob):
    rng = np.random.default_rng(1)
    blobs = [draw_blob((96, 80), rng.uniform(20, 60, 2), 12) for _ in range(3)]
    return torch.as_tensor(np.stack(blobs) + rng.normal(0, 0.05, (3, 96, 80)), dtype=torch.float32)


@pytest.mark.parametrize(("gain", "offset"), [(0.2, 0.0), (1.0, 0.5), (0.4, -0.3), (30.0, 100.0)])
def test_brightness_and_contrast_do_not_matter(pictures, gain, offset):
    torch.testing.assert_close(normalise(gain * pictures + offset), normalise(pictures), rtol=1e-2, atol=2e-2)
    # The bound is for the change of 30 and 100, where single precision is spent; as a rule it is far smaller:
    assert float((normalise(gain * pictures + offset) - normalise(pictures)).abs().mean()) < 1e-3


def test_each_picture_is_taken_by_itself(pictures):
    mixed = pictures * torch.tensor([0.3, 1.0, 0.5])[:, None, None]
    torch.testing.assert_close(normalise(mixed), normalise(pictures), rtol=1e-3, atol=1e-3)


def test_the_first_channel_spans_the_2nd_to_98th_percentile(pictures):
    # Reference: scikit-image's rescaling by numpy's percentiles, here over all pixels instead of every seventh.
    shown = normalise(pictures)[:, 0].numpy()
    for picture, got in zip(pictures.numpy(), shown, strict=True):
        low, high = np.percentile(picture, [2, 98])
        expected = rescale_intensity(picture, (low, high), (-1, 1))
        inside = (picture > low) & (picture < high)
        assert got[inside] == pytest.approx(expected[inside], abs=0.12)
    assert shown.min() >= -1.6 - 1e-5
    assert shown.max() <= 1.6 + 1e-5


def test_the_second_channel_is_the_local_score(pictures):
    # Reference: scipy's moving averages; 3 percent of the picture's span is added to the spread.
    local = normalise(pictures)[:, 1].numpy()
    for picture, got in zip(pictures.double().numpy(), local, strict=True):
        mean = uniform_filter(picture, LOCAL, mode="nearest")
        spread = np.sqrt(uniform_filter(picture**2, LOCAL, mode="nearest") - mean**2)
        low, high = np.percentile(picture.ravel()[::7], [2, 98])
        expected = np.clip((picture - mean) / (spread + 0.03 * (high - low)), -3, 3)
        assert got == pytest.approx(expected, abs=2e-3)


def test_an_empty_picture_gives_numbers():
    for level in (0.0, 0.5, 1.0):
        assert torch.isfinite(normalise(torch.full((1, 64, 64), level))).all()
