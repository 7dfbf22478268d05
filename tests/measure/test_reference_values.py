"""Published values of measures without a grade: the shipped file and what is wrong with bad ones."""

import pytest

from raysplay.configs.grades import schemes
from raysplay.configs.load import ConfigError
from raysplay.configs.protocol import reported_measures
from raysplay.configs.reference_values import read_reference_values, reference_values

GOOD = "references: [{measure: ima45, brief: b, says: [{text: t, source: s, tag: M}]}]"


def test_every_reported_measure_has_a_grade_or_a_reference():
    """A number that a person meets by default must not stand alone."""
    for measure in reported_measures():
        graded = any(one.scale(measure.name) for one in schemes())
        assert graded or measure.name in reference_values(), measure.name


def test_what_is_from_memory_is_marked(tmp_path):
    file = tmp_path / "reference_values.yaml"
    file.write_text(GOOD, encoding="utf-8")
    assert read_reference_values(file)["ima45"].sentences == ("t; s (from memory, not verified)",)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("ima45", "ima54"), "no such measure: ima54"),
        (("says: [{text: t, source: s, tag: M}]", "says: []"), "says"),
        (("tag: M", "tag: X"), "tag"),
        (("[{measure", "[{measure: ima45, brief: c, says: [{text: t, source: s, tag: S}]}, {measure"), "stands twice"),
    ],
)
def test_a_bad_file_is_a_clear_error(change, message, tmp_path):
    file = tmp_path / "reference_values.yaml"
    file.write_text(GOOD.replace(*change), encoding="utf-8")
    with pytest.raises(ConfigError, match=message) as caught:
        read_reference_values(file)
    assert "reference_values.yaml" in str(caught.value)
