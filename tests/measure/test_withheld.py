"""A measure that is withheld says why."""

import numpy as np
import pytest

from raysplay.configs.load import landmark_schema
from raysplay.measure import MEASURES, LandmarkSchema, by_name, measure_values, why_withheld


@pytest.mark.parametrize(
    ("spoil", "measure", "reason"),
    [
        (lambda p, v, i: p.__setitem__((0, i("PP_art_med")), np.nan), "ppaa", "landmark not placed: PP_art_med"),
        (lambda p, v, i: v.__setitem__((0, i("DP_tip")), False), "hia", "landmark not visible: DP_tip"),
        (lambda p, v, i: None, "eminence_width", "no millimetres"),
        (lambda p, v, i: p.__setitem__((0, slice(None)), 1.0), "hva", "not defined on these points"),
    ],
)
def test_reasons(spoil, measure, reason, whole_foot):
    schema = landmark_schema()
    points = np.repeat(whole_foot, 2, axis=0)
    visible = np.ones(points.shape[:2], dtype=bool)
    spoil(points, visible, schema.index)
    values = measure_values(points, schema, visible=visible)
    reasons = why_withheld(values[measure], points, schema, by_name(measure), visible=visible)
    assert reason in reasons[0]
    assert (reasons[1] == "") == np.isfinite(values[measure][1])


def test_landmarks_that_a_list_does_not_hold_are_named(whole_foot, schema):
    kept = [i for i, code in enumerate(schema.codes) if not code.startswith(("M3p", "M3d", "PP3"))]
    shorter = LandmarkSchema(tuple(schema.codes[i] for i in kept), tuple(schema.bones[i] for i in kept))
    points = whole_foot[:, kept]
    values = measure_values(points, shorter)
    assert why_withheld(values["mtp3"], points, shorter, by_name("mtp3")) == [
        "not in the landmark list: M3p_med, M3p_lat, M3d_med, M3d_lat and 4 more"
    ]
    assert why_withheld(values["mtp2"], points, shorter, by_name("mtp2")) == [""]


def test_only_withheld_measures_have_a_reason(whole_foot, schema):
    values = measure_values(whole_foot, schema, millimetres=True)
    for measure in MEASURES:
        assert why_withheld(values[measure.name], whole_foot, schema, measure, millimetres=True) == [""]
