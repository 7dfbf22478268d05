"""The same film read again: how far the readings lie apart."""

import numpy as np
import pytest
from PIL import Image
from scipy.stats import f_oneway

from raysplay.infer.films.decode import FilmReader
from raysplay.infer.foot_reader import FootReader
from raysplay.infer.robustness.repeatability import CHANGES, repeated, within_subject_sd
from raysplay.synthetic_data.film.compose import FilmRequest, compose_film
from raysplay.synthetic_data.film.settings import clean_settings


def test_within_subject_sd_is_the_root_of_the_mean_square_within_groups():
    # One-way analysis of variance by scipy: F is the mean square between groups over that within.
    values = np.random.default_rng(1).normal(0, 2, (12, 4)) + np.arange(12)[:, None]
    between = 4 * values.mean(1).var(ddof=1)
    assert within_subject_sd(values) ** 2 == pytest.approx(between / f_oneway(*values).statistic)


def test_a_film_with_a_withheld_reading_does_not_count():
    values = [[1.0, 3.0], [np.nan, 50.0]]
    assert within_subject_sd(values) == pytest.approx(np.sqrt(2))
    assert np.isnan(within_subject_sd(values[1:]))


def test_readings_of_a_film_turned_or_coarser_lie_together(tmp_path):
    film = compose_film(5, clean_settings(), FilmRequest(pixel_mm=0.4))
    Image.fromarray(np.rint(film.pixels * 255).astype(np.uint8)).save(tmp_path / "foot.png")
    Image.fromarray(np.zeros((400, 300), np.uint8)).save(tmp_path / "nothing.png")
    with FilmReader() as films:
        values, counts = repeated(tmp_path, films, FootReader.shipped(threads=1), ("hva", "ima"))
    assert counts == {"films": 2, "read as one foot each time": 1}
    assert values.shape == (1, len(CHANGES), 2)
    (foot,) = film.feet
    for k, name in enumerate(("hva", "ima")):
        assert values[0, :, k] == pytest.approx(foot.measures[name], abs=3.0)
        assert 0 < within_subject_sd(values[..., k]) < 1.0
