"""Grades at their borders, by the table of the project's fact sheet, section 2.2; the borders are those of 2.1."""

import numpy as np
import pytest

from raysplay.configs.grades import read_schemes, scheme, schemes
from raysplay.configs.load import ConfigError
from raysplay.configs.protocol import protocol
from raysplay.configs.reader_error import reader_error
from raysplay.measure.evidence import Evidence
from raysplay.measure.grades import Scale, combine, disagreement, grade

JUST = 1e-9


def word(name, measure, value):
    return grade([value], scheme(name).scale(measure)).words()[0]


@pytest.mark.parametrize(
    ("measure", "value", "outcomes"),
    [
        ("hva", 20.0, {"viladot": "mild", "coughlin": "moderate", "road": "hallux valgus"}),
        ("hva", 40.0, {"viladot": "severe", "road": "severe", "coughlin": "moderate"}),
        ("hva", 40.0 + JUST, {"coughlin": "severe", "web_clinical": "severe"}),
        ("hva", 15.0, {"viladot": "mild", "jrcr": "normal", "coughlin": "mild"}),
        ("hva", 15.0 - JUST, {"viladot": "normal", "jrcr": "normal", "coughlin": "normal"}),
        ("hva", 20.5, {"viladot": "mild", "coughlin": "moderate"}),  # the gap of integer tables
        ("hva", 21.0, {"viladot": "moderate"}),
        ("hva", 25.0, {"coughlin": "moderate", "robinson": "mild"}),
        ("hva", 29.0, {"coughlin": "moderate", "robinson": "mild", "mann": "normal or mild"}),
        ("hva", 30.0, {"robinson": "moderate", "mann": "moderate"}),
        ("ima", 9.0, {"viladot": "mild", "coughlin": "mild", "radiopaedia": "mild", "condon": "normal"}),
        ("ima", 9.0 - JUST, {"viladot": "normal", "coughlin": "normal"}),
        ("ima", 11.5, {"viladot": "mild", "radiopaedia": "mild", "coughlin": "moderate"}),
        ("ima", 11.0, {"coughlin": "mild"}),
        ("ima", 12.0, {"viladot": "moderate", "coughlin": "moderate", "jrcr": "moderate", "robinson": "mild"}),
        ("ima", 13.0, {"robinson": "moderate"}),
        ("ima", 15.0, {"viladot": "moderate", "jrcr": "moderate", "condon": "between normal and severe"}),
        ("ima", 15.0 + JUST, {"viladot": "moderate", "radiopaedia": "moderate", "jrcr": "severe"}),
        ("ima", 16.0, {"viladot": "moderate", "jrcr": "severe", "condon": "severe", "coughlin": "moderate"}),
        ("ima", 17.0, {"viladot": "moderate", "coughlin": "severe"}),
        ("ima", 18.0, {"viladot": "severe", "radiopaedia": "severe"}),
        ("hva", 35.0, {"juvenile": "mild to moderate"}),
        ("hva", 35.0 + JUST, {"juvenile": "severe"}),
        ("dmaa", 8.0, {"jrcr": "normal", "dmaa_wiki": "normal"}),
        ("dmaa", 9.0, {"jrcr": "abnormal", "dmaa_wiki": "normal"}),
        ("ppaa", 6.0, {"viladot": "mild"}),
        ("hia", 10.0, {"hia_text": "abnormal"}),
        ("maa_mc5", 20.0, {"adduction": "not adducted"}),
        ("maa_mc5", 20.0 + JUST, {"adduction": "adducted"}),
        ("mtp1_joint", 10.67, {"joint_surrogates": "congruent"}),
        ("congruency_index", 0.765, {"joint_surrogates": "congruent"}),
        ("m1_protrusion_arc", -2.0, {"protrusion": "normal"}),
        ("m1_protrusion_arc", 2.0 + JUST, {"protrusion": "longer"}),
    ],
)
def test_borders(measure, value, outcomes):
    for name, expected in outcomes.items():
        assert word(name, measure, value) == expected, (name, value)


def test_grades_that_conflict_are_shown_apart_and_flagged():
    """HVA 32 with IMA 17: moderate by one, severe by the other (Coughlin; borders from memory)."""
    coughlin = scheme("coughlin")
    hva = grade([32.0, 32.0, 10.0, np.nan], coughlin.scale("hva"))
    ima = grade([17.0, 14.0, np.nan, 14.0], coughlin.scale("ima"))
    for rule, expected in {
        "both": ["", "", "", ""],
        "ima": ["severe", "moderate", "", "moderate"],
        "hva": ["moderate", "moderate", "normal", ""],
        "max": ["severe", "moderate", "", ""],
    }.items():
        together = combine(hva, ima, rule)
        assert together.words == expected
        assert together.conflict.tolist() == [True, False, False, False]
    with pytest.raises(ValueError, match="no rule 'ima governs'"):
        combine(hva, ima, "ima governs")
    assert protocol().combined_grade.value == "both"


def test_scales_that_leave_out_different_grades_still_compare():
    short = grade([25.0], Scale("hva", ("normal", "severe"), (20.0,), (True,)))
    long = grade([12.0], Scale("ima", ("normal", "mild", "severe"), (9.0, 16.0), (True, True)))
    assert combine(short, long, "max").words == ["severe"]
    crossed = grade([12.0], Scale("ima", ("severe", "normal"), (9.0,), (True,)))
    with pytest.raises(ValueError, match="different orders"):
        combine(short, crossed, "max")


def test_borderline_is_nearer_to_a_border_than_the_error():
    """Distance to the nearest border against the reader error of section 3.2 (HVA 1.77, IMA 1.84 degrees)."""
    scale = scheme("viladot").scale("hva")
    graded = grade([15.0, 16.76, 16.78, 30.0, 13.5, np.nan], scale, reader_error("hva").sem)
    assert graded.borderline.tolist() == [True, True, False, False, True, False]
    assert graded.nearest.tolist()[:5] == [15.0, 15.0, 15.0, 21.0, 15.0]
    np.testing.assert_allclose(graded.distance[:5], [0.0, 1.76, 1.78, 9.0, 1.5])
    assert np.isnan(graded.distance[5])
    assert graded.words()[5] == ""
    assert grade([16.0, 16.0], scale, [0.5, 1.5]).borderline.tolist() == [False, True]


def test_schemes_that_disagree_on_a_foot():
    hva = [10.0, 27.0, 50.0, np.nan]
    by_scheme = {name: grade(hva, scheme(name).scale("hva")) for name in ("coughlin", "robinson")}
    assert disagreement(by_scheme).tolist() == [False, True, False, False]


def test_every_scheme_says_where_it_comes_from():
    """What is remembered is told as such, wherever a scheme is cited."""
    assert len(schemes()) >= 10
    for one in schemes():
        assert one.source
        assert ("from memory, not verified" in one.cited) == (one.evidence is Evidence.MEMORY)
    remembered = {one.name for one in schemes() if one.evidence is Evidence.MEMORY}
    assert {"coughlin", "mann", "robinson", "tibial_sesamoid_4"} <= remembered
    with pytest.raises(KeyError, match="no scheme 'nobody'; there are viladot"):
        scheme("nobody")


GOOD = "schemes: [{name: a, title: t, source: s, tag: P, scales: {hva: [{grade: low}, {grade: high, from: 20}]}}]"


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("hva", "hav"), "no such measure: hav"),
        (("from: 20", "from: 20, above: 20"), "needs one of from and above"),
        ((", from: 20", ""), "needs one of from and above"),
        (("grade: low", "grade: low, from: 1"), "the lowest grade of hva has a border"),
        (("{grade: high, from: 20}", "{grade: high, from: 20}, {grade: top, from: 20}"), "borders must rise"),
        (("tag: P", "tag: X"), "tag"),
        (("title: t", "title: t, colour: red"), "colour"),
        ((", {grade: high, from: 20}", ""), "scales"),
    ],
)
def test_a_bad_file_is_a_clear_error(change, message, tmp_path):
    file = tmp_path / "grades.yaml"
    file.write_text(GOOD, encoding="utf-8")
    assert read_schemes(file)[0].scale("hva").borders == (20.0,)
    file.write_text(GOOD.replace(*change), encoding="utf-8")
    with pytest.raises(ConfigError, match=message) as caught:
        read_schemes(file)
    assert "grades.yaml" in str(caught.value)


def test_a_scheme_that_stands_twice_is_an_error(tmp_path):
    file = tmp_path / "grades.yaml"
    file.write_text(GOOD[:-1] + ", " + GOOD[len("schemes: [") :], encoding="utf-8")
    with pytest.raises(ConfigError, match="stands twice"):
        read_schemes(file)
