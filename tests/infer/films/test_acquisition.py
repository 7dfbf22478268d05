"""Side, view, loading. Attributes: DICOM PS3.3 C.7.3.1 (Laterality), C.8.11.3 (Image Laterality),
C.7.6.16.2.8 (Frame Laterality), C.8.7.1 and C.8.11.5 (view). Wording of loading: common practice, no source."""

from __future__ import annotations

import pytest
from pydicom.dataset import Dataset
from pydicom.sr.codedict import codes

from raysplay.infer.films.acquisition import read_body_part, read_laterality, read_loading, read_view


def _item(**attributes: object) -> Dataset:
    ds = Dataset()
    for keyword, value in attributes.items():
        setattr(ds, keyword, value)
    return ds


class TestLaterality:
    @pytest.mark.parametrize(
        ("attributes", "side"),
        [
            ({"ImageLaterality": "L"}, "L"),
            ({"Laterality": "R"}, "R"),
            ({"ImageLaterality": "B"}, "B"),
            ({"ImageLaterality": "U"}, None),
            ({"ImageLaterality": "U", "Laterality": "R"}, "R"),
            ({"FrameLaterality": "L"}, "L"),
            ({"ImageLaterality": " l "}, "L"),
            ({"Laterality": ""}, None),
            ({}, None),
        ],
    )
    def test_by_attribute(self, attributes: dict[str, str], side: str | None) -> None:
        found, remarks = read_laterality(_item(**attributes))
        assert found == side
        assert (remarks == ()) == (side is not None)

    def test_frame_laterality_inside_functional_groups(self) -> None:
        ds = _item(SharedFunctionalGroupsSequence=[_item(FrameAnatomySequence=[_item(FrameLaterality="R")])])
        assert read_laterality(ds) == ("R", ())

    def test_conflict_is_remarked_and_the_picture_comes_first(self) -> None:
        side, (remark,) = read_laterality(_item(ImageLaterality="L", Laterality="R"))
        assert side == "L"
        assert "disagree" in remark


class TestView:
    def test_view_position_comes_before_the_code(self) -> None:
        coded = [_item(CodeValue="399348003", CodingSchemeDesignator="SCT", CodeMeaning="antero-posterior")]
        assert read_view(_item(ViewPosition="AP", ViewCodeSequence=coded)) == "AP"
        assert read_view(_item(ViewCodeSequence=coded)) == "antero-posterior"
        assert read_view(_item()) is None

    def test_what_is_no_code_string_is_not_passed_on(self) -> None:
        assert read_view(_item(ViewPosition="")) is None
        coded = [_item(CodeMeaning="<script>alert(1)</script>")]
        assert read_view(_item(ViewCodeSequence=coded)) is None


class TestLoading:
    @pytest.mark.parametrize(
        "text",
        ["Foot DP weight-bearing", "FOOT WB", "Fuss dp stehend", "pied en charge", "STANDING FEET", "W.B. L"],
    )
    def test_stated(self, text: str) -> None:
        assert read_loading(_item(SeriesDescription=text)) == (True, ())

    @pytest.mark.parametrize(
        "text",
        ["Foot non weight bearing", "NWB foot", "Fuss unbelastet", "not weight-bearing", "Foot supine"],
    )
    def test_denied(self, text: str) -> None:
        loaded, (remark,) = read_loading(_item(ProtocolName=text))
        assert loaded is False
        assert "not weight-bearing" in remark

    @pytest.mark.parametrize("text", ["", "Foot DP", "Webb street", "Follow-up"])
    def test_unknown(self, text: str) -> None:
        loaded, (remark,) = read_loading(_item(SeriesDescription=text))
        assert loaded is None
        assert "loading unknown" in remark

    def test_coded_by_snomed(self) -> None:
        """SNOMED CT 87731000 as pydicom's dictionary of DICOM codes lists it."""
        code = codes.SCT.WeightBearing
        assert code.value == "87731000"
        view = _item(CodeValue="x", ViewModifierCodeSequence=[_item(CodeValue=code.value, CodeMeaning="loaded")])
        assert read_loading(_item(ViewCodeSequence=[view]))[0] is True


class TestBodyPart:
    @pytest.mark.parametrize("part", ["FOOT", "LFOOT", "", "TOE", "EXTREMITY"])
    def test_fitting_or_unsaid_gives_no_remark(self, part: str) -> None:
        assert read_body_part(_item(BodyPartExamined=part)) == ()

    def test_other_is_remarked(self) -> None:
        assert "HAND" in read_body_part(_item(BodyPartExamined="HAND"))[0]
