"""What a new film of the same foot changes, by geometry alone."""

import numpy as np
import pytest

from raysplay.synthetic_data.repositioning import (
    Pairs,
    RepositioningSettings,
    Stance,
    Technique,
    expose_anew,
    pairs_of_films,
    repositioning_settings,
    true_measures,
)
from raysplay.synthetic_data.subject import draw_subject

STILL = {"side_tilt": (0.0, 0.0), "centring": 0.0, "distance": (1000.0, 1000.0), "gap": (10.0, 10.0)}


def settings(tilt=(12.0, 12.0), pitch=0.0, roll=0.0):
    return RepositioningSettings(technique=Technique(tilt=tilt, **STILL), stance=Stance(pitch=pitch, roll=roll))


def test_nothing_moves_where_nothing_is_varied():
    pairs = pairs_of_films(4, settings=settings())
    for measure, values in pairs.first.items():
        np.testing.assert_allclose(values, pairs.second[measure], atol=1e-3, err_msg=measure)
    assert pairs.within_subject_sd("hva") < 1e-3


def test_tilt_alone_moves_ima_as_computed():
    """Fact sheet, section 5.1 (D): IMA changes by about -0.08 degrees a degree of tilt toward the heel."""
    at = []
    for tilt in (0.0, 15.0):
        found = []
        for k in range(24):
            subject, posture = draw_subject([52361, k])
            found.append(expose_anew(subject, posture, np.random.default_rng(1), settings((tilt, tilt))))
        at.append(true_measures(found)["ima"])
    assert np.median((at[1] - at[0]) / 15.0) == pytest.approx(-0.08, abs=0.03)


def test_a_foot_that_stands_anew_reads_otherwise_and_more_so_the_more_it_rolls():
    little = pairs_of_films(16, settings=settings(roll=1.0)).within_subject_sd("hva")
    much = pairs_of_films(16, settings=settings(roll=4.0)).within_subject_sd("hva")
    assert 0.0 < little < much


def test_within_subject_sd_is_that_of_bland_and_altman():
    """Lancet 1986;i:307, repeated readings by one meter: sqrt(sum(d**2) / 2n) = 15.307 (fact sheet, 8.1)."""
    first = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
    second = [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421]
    pairs = Pairs({"flow": np.array(first, float)}, {"flow": np.array(second, float)})
    assert pairs.within_subject_sd("flow") == pytest.approx(15.307, abs=0.001)


def test_the_shipped_technique_is_the_published_one():
    """10 to 15 degrees from vertical toward the heel: positioning texts (fact sheet, section 5, S)."""
    assert repositioning_settings().technique.tilt == (10.0, 15.0)
