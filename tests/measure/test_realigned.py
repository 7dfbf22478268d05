"""The first ray laid at given angles: what turns, what stays."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import MultiPoint
from shapely.affinity import rotate

from raysplay.measure import measure_values
from raysplay.measure.axes import CONSTRUCTIONS
from raysplay.measure.realigned import realigned
from raysplay.measure.registry import under


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), hva=st.floats(-20, 50), ima=st.floats(0, 22))
@pytest.mark.parametrize("construction", CONSTRUCTIONS)
def test_the_foot_measures_what_it_was_laid_at(construction, random_foot, schema, seed, hva, ima):
    laid = realigned(random_foot(seed)[0], schema, hva=hva, ima=ima, construction=construction)
    for name, wanted in (("hva", hva), ("ima", ima)):
        found = measure_values(laid[None], schema, measures=[under(name, construction)])[name][0]
        assert (found - wanted + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-6)


def test_bones_and_all_that_is_no_first_ray_stay(whole_foot, schema):
    before, after = (
        measure_values(one, schema, millimetres=True)
        for one in (
            whole_foot,
            realigned(whole_foot[0], schema, hva=11.0, ima=8.7)[None],
        )
    )
    for name in ("dmaa", "hia", "ppaa", "ima45", "mtp2", "mtp5", "maa_mc4", "eminence_width", "m1_m2_length"):
        if name in before:
            assert after[name][0] == pytest.approx(before[name][0], abs=1e-6), name
    still = [
        i
        for i, bone in enumerate(schema.bones)
        if bone not in ("metatarsal_1", "proximal_phalanx_1", "distal_phalanx_1")
    ]
    laid = realigned(whole_foot[0], schema, hva=11.0, ima=8.7)
    np.testing.assert_array_equal(laid[still], whole_foot[0][still])
    assert any(schema.bones[i] == "medial_sesamoid" for i in still)


def test_the_metatarsal_turns_about_its_base_as_a_reference_library_turns_it(golden_foot, schema):
    """Golden foot, IMA 13.995 (fact sheet, 8.5) to 9: shapely turns by 4.995 degrees, clockwise as lateral is."""
    foot = golden_foot[0]
    shaft = [schema.index(code) for code in ("M1p_med", "M1p_lat", "M1d_med", "M1d_lat", "M1_head_c")]
    turned = rotate(MultiPoint(foot[shaft]), -4.995, origin=tuple(foot[schema.index("M1_base_c")]))
    laid = realigned(foot, schema, hva=31.995, ima=9.0)
    np.testing.assert_allclose(laid[shaft], [(p.x, p.y) for p in turned.geoms], atol=2e-3)


def test_without_an_axis_or_a_pivot_nothing_is_laid(whole_foot, schema):
    for code in ("M2p_med", "PPd_lat", "M1_base_c", "M1_head_c"):
        foot = whole_foot[0].copy()
        foot[schema.index(code)] = np.nan
        assert np.isnan(realigned(foot, schema, hva=11.0, ima=8.7)).all(), code
