"""The registry names each measure once, with exactly the landmarks it stands on."""

import numpy as np
import pytest

from raysplay.configs.load import landmark_schema
from raysplay.configs.protocol import reported_measures
from raysplay.measure import MEASURES, Evidence, by_name, cite, measure_values, under
from raysplay.measure.axes import BONES, CONSTRUCTIONS, NO_AXIS, axis
from raysplay.train.reference_page.foot import REFERENCE_FOOT

EVERY = pytest.mark.parametrize("measure", MEASURES, ids=lambda measure: measure.name)


def test_names_are_unique_and_every_measure_is_described():
    names = [measure.name for measure in MEASURES]
    assert len(set(names)) == len(names)
    for measure in MEASURES:
        assert measure.unit in {"deg", "mm", "ratio"}
        assert measure.construction in {*CONSTRUCTIONS, NO_AXIS}
        assert measure.construction in measure.constructions
        assert measure.definition.endswith(".")
        assert measure.source
        assert measure.title


def test_the_tables_of_a_run_keep_their_measures():
    """Names of the output tables as the job states them."""
    assert [measure.name for measure in reported_measures()] == ["hva", "ima", "ima45"]
    assert all(measure.unit == "deg" and measure.construction == "shaft" for measure in reported_measures())


def test_every_length_has_a_ratio_beside_it():
    """Without millimetres a length must still be readable as a ratio (stated by the job)."""
    names = {measure.name for measure in MEASURES}
    lengths = {measure.name for measure in MEASURES if measure.unit == "mm"}
    assert len(lengths) >= 10
    assert {f"{name}_ratio" for name in lengths} <= names
    assert all(by_name(f"{name}_ratio").unit == "ratio" for name in lengths)


def test_the_landmark_list_holds_what_the_measures_stand_on():
    """No measure waits for a landmark, under any construction, and the drawn foot has each point of the list."""
    codes = landmark_schema().codes
    needed = {code for m in MEASURES for c in m.constructions for code in by_name(m.name, c).landmarks}
    assert needed <= set(codes)
    assert set(codes) == set(REFERENCE_FOOT)


def test_long_bones_have_both_cortices_at_both_levels():
    """Shafts of every metatarsal and proximal phalanx, as the definition of an axis by its mid-shaft points asks."""
    schema = landmark_schema()
    for code, bone in [(f"M{k}", f"metatarsal_{k}") for k in range(1, 6)] + [
        ("PP" if k == 1 else f"PP{k}", f"proximal_phalanx_{k}") for k in range(1, 6)
    ]:
        for point in ("p_med", "p_lat", "d_med", "d_lat"):
            assert schema.bones[schema.index(code + point)] == bone


def test_lookup_by_name_and_construction():
    assert [by_name(measure.name) for measure in MEASURES] == list(MEASURES)
    assert by_name("hva", "shaft") is by_name("hva")
    assert by_name("hva", "head_base").construction == "head_base"
    assert under("hia", "head_base") is by_name("hia")
    with pytest.raises(KeyError, match="no measure 'hav'; there are hva, ima"):
        by_name("hav")
    with pytest.raises(ValueError, match="hia cannot be built by 'head_base'; there are shaft, medial_edge"):
        by_name("hia", "head_base")


def test_constructions_that_are_not_there():
    with pytest.raises(ValueError, match="no bone 'M9'"):
        axis("M9")
    with pytest.raises(ValueError, match="no construction 'tangent'"):
        axis("M1", "tangent")
    assert {axis(bone, "head_base") == axis(bone) for bone in BONES if bone != "M1"} == {True}
    assert axis("M1", "head_base") != axis("M1")


def test_what_is_from_memory_says_so():
    for measure in MEASURES:
        assert ("from memory" in measure.cited) >= (measure.evidence is Evidence.MEMORY)
    assert cite("a table", Evidence.SEEN) == "a table"
    assert "not published" in cite("a rule", Evidence.PROPOSED)


@EVERY
def test_landmarks_named_are_those_that_matter(measure, whole_foot, adducted_foot, random_foot, schema):
    """Moving a named landmark changes the value on some foot; moving, or losing, any other does so on none.

    Some feet are needed: adduction counts above 15 degrees only, and a covered surface has ends that are not reached.
    """
    feet = np.concatenate([whole_foot, adducted_foot, *(random_foot(seed) for seed in range(6))])

    def read(points):
        return measure_values(points, schema, measures=[measure], millimetres=True)[measure.name]

    whole = read(feet)
    assert np.isfinite(whole).all()
    assert len(set(measure.landmarks)) == len(measure.landmarks)
    for i, code in enumerate(schema.codes):
        moved, lost = feet.copy(), feet.copy()
        moved[:, i] += 0.7, -0.4
        lost[:, i] = np.nan
        if code in measure.landmarks:
            assert np.abs(read(moved) - whole).max() > 1e-5, code
            assert np.isnan(read(lost)).all(), code
        else:
            np.testing.assert_array_equal(read(moved), whole)
            np.testing.assert_array_equal(read(lost), whole)


@EVERY
def test_a_measure_asks_for_each_landmark_it_names_and_no_other(measure):
    class Asked(dict):
        def __missing__(self, code):
            self[code] = np.random.default_rng(len(self)).normal(size=2)
            return self[code]

    asked = Asked()
    measure.of(asked)
    assert set(asked) == set(measure.landmarks)
