"""Feet that read differently under another construction, and how the joint's surfaces lie."""

import numpy as np
import pytest

from raysplay.configs.load import CONFIG_DIR, ConfigError
from raysplay.configs.protocol import protocol, read_protocol
from raysplay.measure import measure_values
from raysplay.measure.congruence import Congruence, joint_congruence
from raysplay.measure.schema import LandmarkSchema
from raysplay.measure.sensitivity import construction_spread

CUTS = {
    # Li, Tao, Tang, J Orthop Surg Res 2022, doi 10.1186/s13018-022-03028-1
    "parallel_within": 10.67,
    "covered_from": 0.765,
}


def test_the_golden_foot_by_two_constructions(golden_foot, schema):
    """Section 8.5 (tag D): IMA 13.995 and 12.488, HVA 31.995 and 30.489; bounds above and below that."""
    spread = construction_spread(
        golden_foot, schema, constructions=("shaft", "head_base"), bounds={"ima": 3.0, "hva": 1.4}
    )
    assert spread["ima"].spread[0] == pytest.approx(1.507, abs=0.002)
    assert not spread["ima"].sensitive[0]
    assert spread["hva"].spread[0] == pytest.approx(1.506, abs=0.002)
    assert spread["hva"].sensitive[0]
    assert spread["ima"].values["head_base"][0] == pytest.approx(12.488, abs=0.002)


def test_a_moved_head_makes_a_foot_sensitive(golden_foot, schema):
    """After a distal osteotomy the head moves and the shaft does not (section 1.1, from memory)."""
    feet = np.repeat(golden_foot, 3, axis=0)
    feet[1, schema.index("M1_head_c"), 0] += 4.0
    feet[2, schema.index("M1_head_c")] = np.nan
    one = construction_spread(feet, schema, constructions=("shaft", "head_base"), bounds={"ima": 3.0})["ima"]
    assert one.sensitive.tolist() == [False, True, False]
    assert np.isnan(one.spread[2])


def test_the_shipped_bounds_work(whole_foot, schema):
    given = protocol()
    spread = construction_spread(
        whole_foot,
        schema,
        constructions=("shaft", "head_base", "articular_midpoint"),
        bounds=given.sensitivity_bounds(),
    )
    assert set(spread) == {"ima", "hva"}
    assert set(spread["ima"].values) == {"shaft", "head_base", "articular_midpoint"}
    with pytest.raises(ValueError, match="hia has fewer than two"):
        construction_spread(whole_foot, schema, constructions=("shaft", "head_base"), bounds={"hia": 1.0})


def test_a_protocol_answers_what_another_archive_would_read(tmp_path, golden_foot, schema):
    file = tmp_path / "protocol.yaml"
    text = (CONFIG_DIR / "protocol.yaml").read_text(encoding="utf-8")
    file.write_text(text.replace("construction: shaft ", "construction: head_base "), encoding="utf-8")
    other = read_protocol(file)
    measures = other.reported_measures()
    assert [(m.name, m.construction) for m in measures] == [
        ("hva", "head_base"),
        ("ima", "head_base"),
        ("ima45", "shaft"),
    ]
    values = measure_values(golden_foot, schema, measures=measures)
    assert values["ima"][0] == pytest.approx(12.488, abs=0.002)
    file.write_text(text.replace("exceptions: {}", "exceptions: {ima: head_base}"), encoding="utf-8")
    assert read_protocol(file).measure("ima").construction == "head_base"
    assert read_protocol(file).measure("hva").construction == "shaft"
    assert len({m.name for m in other.measures()}) == len(other.measures())


def test_a_protocol_file_holds_only_what_differs(tmp_path):
    file = tmp_path / "other.yaml"
    file.write_text("construction: head_base\n", encoding="utf-8")
    other, shipped = read_protocol(file), protocol()
    assert other.construction == "head_base"
    assert other.model_copy(update={"construction": shipped.construction}) == shipped


def test_the_full_protocol_reports_every_measure_once():
    full = read_protocol("protocol_full.yaml")
    assert full.reported_measures() == protocol().measures()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("reported: [hva,", "reported: [hav,"), "no such measure: hav"),
        (("reported: [hva,", "reported: [hva, hva,"), "reported twice"),
        (("construction: shaft ", "construction: tangent "), "no construction 'tangent'"),
        (("exceptions: {}", "exceptions: {hia: head_base}"), "hia cannot be built by head_base"),
        (("ima: {degrees: 3.0", "eminence_width: {degrees: 3.0"), "bound in degrees for eminence_width"),
    ],
)
def test_a_bad_protocol_is_a_clear_error(change, message, tmp_path):
    file = tmp_path / "protocol.yaml"
    text = (CONFIG_DIR / "protocol.yaml").read_text(encoding="utf-8")
    assert change[0] in text
    file.write_text(text.replace(*change), encoding="utf-8")
    with pytest.raises(ConfigError, match=message) as caught:
        read_protocol(file)
    assert "protocol.yaml" in str(caught.value)


SURFACES = LandmarkSchema(("M1_art_med", "M1_art_lat", "PP_art_med", "PP_art_lat"), ("a", "a", "b", "b"))


@pytest.mark.parametrize(
    ("phalanx", "expected"),
    [
        ([[-9, 63], [8, 63]], Congruence.CONGRUENT),
        ([[-9, 64], [8, 61.5]], Congruence.CONGRUENT),  # 8.4 degrees
        ([[-9, 67], [8, 62]], Congruence.DEVIATED),  # 16 degrees, lines meet lateral of both surfaces
        ([[-9, 66], [13, 58]], Congruence.SUBLUXED),  # 20 degrees, lines cross over the metatarsal
        ([[-1, 63], [16, 63]], Congruence.DISPLACED),
        ([[np.nan, 63], [16, 63]], Congruence.WITHHELD),
    ],
)
def test_congruence_classes(phalanx, expected):
    """Piggott's words (from memory) with the cuts of Li, Tao, Tang 2022 (tag S), on surfaces drawn for each class."""
    found = joint_congruence([[[-10, 60], [10, 60], *phalanx]], SURFACES, **CUTS)
    assert found == [expected]


def test_congruence_of_the_golden_foot(golden_foot, schema):
    """Joint angle 15.025 degrees (section 8.5): beyond the cut, so not congruent."""
    assert joint_congruence(golden_foot, schema, **CUTS)[0] in {Congruence.DEVIATED, Congruence.SUBLUXED}
