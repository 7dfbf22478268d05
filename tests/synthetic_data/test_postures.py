"""Drawn postures against the distributions of the project's fact sheet, section 4.1."""

import numpy as np
import pytest

from raysplay.synthetic_data.anatomy.posture import draw_posture
from raysplay.synthetic_data.settings import generator_settings


@pytest.fixture(scope="module")
def postures():
    rng = np.random.default_rng(20)
    settings = generator_settings().posture
    return [draw_posture(rng, settings, "dp") for _ in range(2000)]


def values(postures, name):
    return np.array([getattr(posture, name) for posture in postures])


def test_pooled_angles_match_the_suggested_mixture(postures):
    # Mixture of section 4.1 (proposed there, figures from its simulation): HVA 23.8 (12.3), IMA 12.8 (4.2).
    hva, ima = values(postures, "hva"), values(postures, "ima")
    assert hva.mean() == pytest.approx(23.8, abs=2.0)
    assert hva.std() == pytest.approx(12.3, abs=1.5)
    assert ima.mean() == pytest.approx(12.8, abs=1.0)
    assert ima.std() == pytest.approx(4.2, abs=0.6)


def test_hva_and_ima_correlate_as_printed(postures):
    # Hardy and Clapham 1951, abstract: 0.7 over patients and controls; 0.36 and 0.53 within bands of HVA.
    hva, ima = values(postures, "hva"), values(postures, "ima")
    assert np.corrcoef(hva, ima)[0, 1] == pytest.approx(0.7, abs=0.1)
    for band in (hva > 25, hva <= 25):
        assert 0.25 < np.corrcoef(hva[band], ima[band])[0, 1] < 0.65


def test_hallux_valgus_turns_the_first_metatarsal(postures):
    # Cychosz, Johnson, Phisitkul 2018: pronation 15.2 (8.0) in hallux valgus, 7.0 (5.1) in controls.
    hva, pronation = values(postures, "hva"), values(postures, "pronation")
    assert pronation[hva > 25].mean() == pytest.approx(15.2, abs=3.0)
    assert pronation[hva < 15].mean() == pytest.approx(7.0, abs=3.0)


def test_extremes_stay_human(postures):
    # Truncation of section 4.1: HVA to 65, IMA 2 to 28; varus down to -12 is this project's choice.
    hva, ima = values(postures, "hva"), values(postures, "ima")
    assert hva.min() >= -12.0
    assert hva.max() <= 65.0
    assert ima.min() >= 1.0
    assert ima.max() <= 28.0
    assert (hva < 0).any()
    assert (hva > 45).any()
