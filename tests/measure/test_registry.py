"""The registry names each measure once, with exactly the landmarks it stands on."""

import numpy as np
import pytest

from raysplay.measure import MEASURES, by_name, measure_values


def test_names_are_unique_and_those_of_the_tables():
    """Names of the output tables as the job states them."""
    assert [measure.name for measure in MEASURES] == ["hva", "ima", "hia", "ima45"]
    assert all(measure.unit == "deg" and measure.construction == "shaft" for measure in MEASURES)
    assert all(measure.definition and measure.source and measure.title for measure in MEASURES)


def test_lookup_by_name():
    assert [by_name(measure.name) for measure in MEASURES] == list(MEASURES)
    with pytest.raises(KeyError, match="no measure 'hav'; there are hva, ima"):
        by_name("hav")


@pytest.mark.parametrize("measure", MEASURES, ids=lambda measure: measure.name)
def test_landmarks_named_are_those_that_matter(measure, golden_foot, schema):
    """Moving a named landmark changes the value; moving, or losing, any other does not."""
    foot = np.nan_to_num(golden_foot)
    whole = measure_values(foot, schema)[measure.name][0]
    assert len(set(measure.landmarks)) == len(measure.landmarks)
    for i, code in enumerate(schema.codes):
        moved, lost = foot.copy(), foot.copy()
        moved[0, i] += 0.7, -0.4
        lost[0, i] = np.nan
        after = measure_values(moved, schema)[measure.name][0]
        without = measure_values(lost, schema)[measure.name][0]
        if code in measure.landmarks:
            assert abs(after - whole) > 0.1, code
            assert np.isnan(without), code
        else:
            assert after == whole == without, code


@pytest.mark.parametrize("measure", MEASURES, ids=lambda measure: measure.name)
def test_a_measure_asks_for_each_landmark_it_names_and_no_other(measure):
    class Asked(dict):
        def __missing__(self, code):
            self[code] = np.random.default_rng(len(self)).normal(size=2)
            return self[code]

    asked = Asked()
    measure.function(asked)
    assert set(asked) == set(measure.landmarks)
