"""Grades at their borders, by the table of the project's fact sheet, section 2.2; the borders are those of 2.1."""

import numpy as np
import pytest

from raysplay.configs.grades import read_schemes, scheme, schemes
from raysplay.configs.load import ConfigError
from raysplay.configs.reader_error import reader_error
from raysplay.measure.evidence import Evidence
from raysplay.measure.grades import Scale, combine, disagreement, grade

JUST = 1e-9
HVA_SCHEMES = ("pique_vidal", "jrcr", "web_clinical", "coughlin", "mann", "robinson", "road", "juvenile")
HARMLESS = {"normal", "normal or mild", "no hallux valgus", "not adducted", "congruent", "0", "1", "2", "3"}
"""Words that send nobody to a second look. Positions 1 to 3 of seven: normal in 90 % of controls (section 4.1)."""


def word(name, measure, value):
    return grade([value], scheme(name).scale(measure)).words()[0]


@pytest.mark.parametrize(
    ("measure", "value", "outcomes"),
    [
        ("hva", 20.0, {"pique_vidal": "mild", "coughlin": "moderate", "road": "hallux valgus"}),
        ("hva", 40.0, {"pique_vidal": "severe", "road": "severe", "coughlin": "moderate"}),
        ("hva", 40.0 + JUST, {"coughlin": "severe", "web_clinical": "severe"}),
        ("hva", 15.0, {"pique_vidal": "mild", "jrcr": "normal", "coughlin": "mild"}),
        ("hva", 15.0 - JUST, {"pique_vidal": "normal", "jrcr": "normal", "coughlin": "normal"}),
        ("hva", 20.5, {"pique_vidal": "mild", "coughlin": "moderate"}),  # the gap of integer tables
        ("hva", 21.0, {"pique_vidal": "moderate"}),
        ("hva", 25.0, {"coughlin": "moderate", "robinson": "mild"}),
        ("hva", 29.0, {"coughlin": "moderate", "robinson": "mild", "mann": "normal or mild"}),
        ("hva", 30.0, {"robinson": "moderate", "mann": "moderate"}),
        ("ima", 9.0, {"pique_vidal": "mild", "coughlin": "mild", "radiopaedia": "mild", "condon": "normal"}),
        ("ima", 9.0 - JUST, {"pique_vidal": "normal", "coughlin": "normal"}),
        ("ima", 11.5, {"pique_vidal": "mild", "radiopaedia": "mild", "coughlin": "moderate"}),
        ("ima", 11.0, {"coughlin": "mild"}),
        ("ima", 12.0, {"pique_vidal": "moderate", "coughlin": "moderate", "jrcr": "moderate", "robinson": "mild"}),
        ("ima", 13.0, {"robinson": "moderate"}),
        ("ima", 15.0, {"pique_vidal": "moderate", "jrcr": "moderate", "condon": "between normal and severe"}),
        ("ima", 15.0 + JUST, {"pique_vidal": "moderate", "radiopaedia": "moderate", "jrcr": "severe"}),
        ("ima", 16.0, {"pique_vidal": "moderate", "jrcr": "severe", "condon": "severe", "coughlin": "moderate"}),
        ("ima", 17.0, {"pique_vidal": "moderate", "coughlin": "severe"}),
        ("ima", 18.0, {"pique_vidal": "severe", "radiopaedia": "severe"}),
        ("hva", 35.0, {"juvenile": "mild to moderate"}),
        ("hva", 35.0 + JUST, {"juvenile": "severe"}),
        ("dmaa", 8.0, {"jrcr": "normal", "dmaa_wiki": "normal"}),
        ("dmaa", 9.0, {"jrcr": "abnormal", "dmaa_wiki": "normal"}),
        ("ppaa", 6.0, {"pique_vidal": "mild"}),
        ("hia", 10.0, {"hia_text": "abnormal"}),
        ("maa_mc5", 20.0, {"adduction": "not adducted"}),
        ("maa_mc5", 20.0 + JUST, {"adduction": "adducted"}),
        ("mtp1_joint", 10.67, {"joint_surrogates": "congruent"}),
        ("congruency_index", 0.765, {"joint_surrogates": "congruent"}),
        ("hva", 0.0, {"pique_vidal": "normal", "jrcr": "normal", "road": "no hallux valgus", "mann": "normal or mild"}),
        ("hva", -JUST, dict.fromkeys(HVA_SCHEMES, "varus")),
        ("ima", 0.0, {"pique_vidal": "normal"}),
        ("ima", -JUST, {"pique_vidal": "", "coughlin": "", "condon": ""}),
        ("dmaa", 90.0, {"jrcr": "abnormal"}),
        ("dmaa", 90.0 + JUST, {"jrcr": ""}),
        ("mtp1_joint", -10.67, {"joint_surrogates": "congruent"}),
        ("mtp1_joint", -10.67 - JUST, {"joint_surrogates": "incongruent"}),
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


def test_scales_that_leave_out_different_grades_still_compare():
    short = grade([25.0], Scale("hva", ("normal", "severe"), (20.0,), (True,)))
    long = grade([12.0], Scale("ima", ("normal", "mild", "severe"), (9.0, 16.0), (True, True)))
    assert combine(short, long, "max").words == ["severe"]
    crossed = grade([12.0], Scale("ima", ("severe", "normal"), (9.0,), (True,)))
    with pytest.raises(ValueError, match="different orders"):
        combine(short, crossed, "max")


def test_borderline_is_nearer_to_a_border_than_the_error():
    """Distance to the nearest border against the reader error of section 3.2 (HVA 1.77, IMA 1.84 degrees)."""
    scale = scheme("pique_vidal").scale("hva")
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


@pytest.mark.parametrize("scale", [s for one in schemes() for s in one.scales], ids=lambda s: s.measure)
def test_no_scale_calls_a_value_normal_that_no_scheme_was_made_for(scale):
    """Published tables print 0 to 15, below 9, up to 20: of valgus, divergence, adduction, shares (section 2.1). -20 is
    none of these, and neither is it a round head."""
    (word,) = grade([-20.0], scale).words()
    assert word not in HARMLESS
    assert not word.startswith("round")
    expected = {"hva": "varus", "mtp1_joint": "incongruent", "congruency_index": "incongruent"}
    assert word == expected.get(scale.measure, "shorter" if "protrusion" in scale.measure else "")


@pytest.mark.parametrize("measure", ["ima", "hia", "dmaa", "ppaa", "maa_mc5", "maa_mc4"])
def test_the_other_direction_is_outside_of_every_scheme_and_says_so(measure):
    for one in schemes():
        if (scale := one.scale(measure)) is not None:
            graded = grade([-12.0, -1.0, 0.5, np.nan], scale, 1.84)
            assert graded.words()[:2] == ["", ""]
            assert graded.words()[2] != ""
            assert graded.outside.tolist() == [True, True, False, False]
            # The end is a border: on its other side there is a grade.
            assert graded.nearest.tolist()[:3] == [0.0, 0.0, 0.0]
            assert graded.borderline.tolist() == [False, True, True, False]


def test_varus_is_borderline_near_0():
    """Normal feet reach -4 degrees (100 feet, Foot Ankle Int 1996): near 0 the word is said with its doubt."""
    for name in HVA_SCHEMES:
        graded = grade([-15.0, -1.0, 1.0, 8.0], scheme(name).scale("hva"), reader_error("hva").sem)
        assert graded.words()[:2] == ["varus", "varus"]
        assert graded.words()[2] == graded.words()[3] != "varus"
        assert graded.borderline.tolist() == [False, True, True, False]


def test_the_joint_is_congruent_by_the_absolute_angle():
    """As in `joint_congruence`: the two must not call the same joint by different words."""
    scale = scheme("joint_surrogates").scale("mtp1_joint")
    limit = 10.67  # Li, Tao, Tang, J Orthop Surg Res 2022, doi 10.1186/s13018-022-03028-1
    assert scale.borders == (-limit, limit)
    angles = np.linspace(-40.0, 40.0, 161)
    words = grade(angles, scale).words()
    assert [word == "congruent" for word in words] == (np.abs(angles) <= limit).tolist()
    assert set(words) == {"congruent", "incongruent"}
    assert grade([170.0, -100.0], scale).words() == ["", ""]


def test_what_a_measure_cannot_be_has_no_grade_and_is_no_border():
    """A share lies between 0 and 1 by its definition, so at 0 it is not near anything."""
    shares = grade([0.0, 0.02, 1.0, 1.1], scheme("coughlin").scale("tsp"), 0.05)
    assert shares.words() == ["normal or mild", "normal or mild", "severe", ""]
    assert shares.nearest.tolist()[:3] == [0.5, 0.5, 0.75]
    assert not shares.borderline[:2].any()


def test_varus_is_not_weighed_against_a_grade_of_the_intermetatarsal_angle():
    """The worse of varus and normal is not normal."""
    coughlin = scheme("coughlin")
    hva = grade([-20.0, -20.0, -20.0, 32.0], coughlin.scale("hva"))
    ima = grade([5.0, 17.0, -12.0, -12.0], coughlin.scale("ima"))
    for rule, expected in {
        "both": ["", "", "", ""],
        "ima": ["", "", "", ""],
        "hva": ["varus", "varus", "varus", "moderate"],
        "max": ["", "", "", ""],
    }.items():
        together = combine(hva, ima, rule)
        assert together.words == expected
        assert together.conflict.tolist() == [True, True, False, False]


def test_the_line_method_has_no_normal_range_of_another_method():
    """Controls of the line method average -3.39 mm (Arie et al., Rev Bras Ortop 2015;50:438), so that +-2 mm, given
    without a method, would call them short."""
    assert all(one.scale("m1_protrusion_line") is None for one in schemes())


def test_the_table_of_2009_is_told_by_its_authors():
    """J Foot Ankle Res 2009;2:15 is by Pique-Vidal and Vila."""
    assert scheme("pique_vidal").cited == "Pique-Vidal and Vila, J Foot Ankle Res 2009;2:15"
    assert not any("Viladot" in one.title for one in schemes())


def test_every_scheme_says_where_it_comes_from():
    """What is remembered is told as such, wherever a scheme is cited."""
    assert len(schemes()) >= 10
    for one in schemes():
        assert one.source
        assert ("from memory, not verified" in one.cited) == (one.evidence is Evidence.MEMORY)
    remembered = {one.name for one in schemes() if one.evidence is Evidence.MEMORY}
    assert {"coughlin", "mann", "robinson", "tibial_sesamoid_4"} <= remembered
    with pytest.raises(KeyError, match="no scheme 'nobody'; there are pique_vidal"):
        scheme("nobody")


GOOD = "schemes: [{name: a, title: t, source: s, tag: P, scales: {hva: [{grade: low}, {grade: high, from: 20}]}}]"


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("hva", "hav"), "no such measure: hav"),
        (("from: 20", "from: 20, above: 20"), "needs one of from and above"),
        ((", from: 20", ""), "needs one of from and above"),
        (("grade: low", "grade: low, above: 1"), "the lowest grade of hva may begin by from, not by above"),
        (("grade: low", "grade: low, from: 20"), "borders must rise"),
        (("grade: low", "grade: low, up_to: 1"), "only the highest grade of hva may end"),
        (("from: 20", "from: 20, up_to: 20"), "borders must rise"),
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
