"""Where the deformity sits: sums that hold exactly, shares, and what is said in words."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from raysplay.measure.axes import CONSTRUCTIONS
from raysplay.measure.deformity import HALLUX_VALGUS, INTERMETATARSAL, LEVELS, sentences, where_deformity_sits

SPREAD = 0.04


def broken_down(foot, schema, construction="shaft", spread=SPREAD, **more):
    covariance = np.broadcast_to(spread * np.eye(2), (len(foot), len(schema), 2, 2))
    return where_deformity_sits(foot, covariance, schema, construction=construction, **more)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
@pytest.mark.parametrize("construction", CONSTRUCTIONS)
def test_the_sums_hold_exactly(construction, random_foot, schema, seed):
    """HVA = DMAA + joint angle + PPAA and IMA = TMT angle + obliquity (section 1.2, tag D), to 1e-9 degrees."""
    sits = broken_down(random_foot(seed), schema, construction)
    assert sits.construction == construction
    for whole, links in ((sits.hva, HALLUX_VALGUS), (sits.levels["ima"], INTERMETATARSAL)):
        total = sum(sits.levels[name].value[0] for name in links)
        assert (total - whole.value[0] + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-9)
    assert sum(share.value[0] for share in sits.shares.values()) == pytest.approx(1.0, abs=1e-9)


def test_golden_parts(golden_foot, schema):
    """Section 8.5: 11.972 + 15.025 + 4.997 = 31.995, within the rounding of its points."""
    sits = broken_down(golden_foot, schema)
    parts = [sits.levels[name].value[0] for name in HALLUX_VALGUS]
    np.testing.assert_allclose(parts, [11.972, 15.025, 4.997], atol=0.0011)
    assert sits.hva.value[0] == pytest.approx(31.995, abs=0.0011)


def test_shares_hold_the_truth(whole_foot, schema):
    """Coverage of the 90 % interval of every share by simulation."""
    rng = np.random.default_rng(6)
    foot = np.repeat(whole_foot, 6000, axis=0)
    exact = broken_down(whole_foot, schema)
    read = broken_down(foot + rng.normal(0.0, np.sqrt(SPREAD), foot.shape), schema)
    for name, share in read.shares.items():
        held = np.mean((share.low <= exact.shares[name].value) & (exact.shares[name].value <= share.high))
        assert 0.88 <= held <= 0.92, (name, held)


def test_words_tell_every_level_with_its_interval(whole_foot, schema):
    sits = broken_down(whole_foot, schema, spread=0.01)
    told = sentences(sits, 0, small=15.0)
    text = "\n".join(told)
    assert told[0].startswith("Hallux valgus angle 32.0 degrees (")
    assert "by the shaft construction" in told[0]
    for name, level in sits.levels.items():
        number = f"{level.value[0]:.1f} degrees ({level.low[0]:.1f} to {level.high[0]:.1f})"
        assert f"{LEVELS[name]}: {number}".lower() in text.lower()
    assert "47 % of it" in text  # 15.0 of 32.0 degrees
    assert "Most of it sits at the metatarsophalangeal joint." in told
    assert text.count("low confidence") == 2


def test_parts_that_cannot_be_told_apart_are_not_ranked(whole_foot, schema):
    told = sentences(broken_down(whole_foot, schema, spread=0.25), 0, small=15.0)
    assert any("their intervals overlap" in line for line in told)
    assert not any(line.startswith("Most of it") for line in told)


def test_shares_of_a_small_angle_are_not_stated(whole_foot, schema):
    told = "\n".join(sentences(broken_down(whole_foot, schema, spread=0.01), 0, small=40.0))
    assert "shares are not stated" in told
    assert "%" not in told


def test_varus_ranks_by_the_lean_medially(whole_foot, schema):
    foot = whole_foot.copy()
    for code in ("PPp_med", "PPp_lat", "PPd_med", "PPd_lat", "PP_art_med", "PP_art_lat"):
        c, s = np.cos(np.radians(70.0)), np.sin(np.radians(70.0))
        pivot = np.array([-31.0, 66.0])
        foot[0, schema.index(code)] = pivot + np.array([[c, -s], [s, c]]) @ (foot[0, schema.index(code)] - pivot)
    sits = broken_down(foot, schema, spread=0.01)
    assert sits.hva.value[0] < -30.0
    assert "Most of it sits at the metatarsophalangeal joint." in sentences(sits, 0, small=15.0)


def test_a_missing_surface_is_told_and_not_guessed(whole_foot, schema):
    visible = np.ones((1, len(schema)), dtype=bool)
    visible[0, schema.index("PP_art_med")] = False
    sits = broken_down(whole_foot, schema, visible=visible)
    told = "\n".join(sentences(sits, 0, small=15.0))
    assert np.isnan(sits.levels["ppaa"].value[0])
    assert np.isfinite(sits.shares["dmaa"].value[0])
    assert "cannot be broken down: landmarks are missing at" in told
    assert "base surface of the proximal phalanx" in told
    visible[0, schema.index("M1p_med")] = False
    assert "withheld" in sentences(broken_down(whole_foot, schema, visible=visible), 0, small=15.0)[0]
