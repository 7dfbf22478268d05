"""Side, view, loading. Attributes: DICOM PS3.3 C.7.3.1 (Laterality), C.8.11.3 (Image Laterality),
C.7.6.16.2.8 (Frame Laterality), C.8.7.1 and C.8.11.5 (view). Wording of loading: common practice, no source."""

from __future__ import annotations

import pytest
from pydicom.dataset import Dataset
from pydicom.sr.codedict import codes

from raysplay.infer.films.acquisition import read_body_part, read_laterality, read_loading, read_view
from raysplay.infer.films.defined_terms import BODY_PARTS, modalities
from raysplay.infer.films.loading import Loading, settle
from raysplay.infer.films.remark import RemarkKind


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
        assert remark.kind is RemarkKind.SIDE_CONFLICT
        assert "disagree" in remark.text

    def test_two_values_where_one_belongs_state_no_side(self) -> None:
        """Image Laterality has one value (PS3.6); two of them do not say which one holds."""
        assert read_laterality(_item(ImageLaterality=["L", "R"]))[0] is None


class TestView:
    def test_view_position_comes_before_the_code(self) -> None:
        coded = [_item(CodeValue="399348003", CodingSchemeDesignator="SCT", CodeMeaning="antero-posterior")]
        assert read_view(_item(ViewPosition="AP", ViewCodeSequence=coded)) == "AP"
        assert read_view(_item(ViewCodeSequence=coded)) == "antero-posterior"
        assert read_view(_item()) is None

    @pytest.mark.parametrize("text", ["", "HARBOUR^ANNA", "ANNA HARBOUR", "1987", "<script>alert(1)</script>"])
    def test_only_words_that_name_a_view_are_passed_on(self, text: str) -> None:
        assert read_view(_item(ViewPosition=text)) is None
        assert read_view(_item(ViewCodeSequence=[_item(CodeValue="H-7", CodeMeaning=text)])) is None
        assert read_view(_item(ViewPosition=f"AP {text}")) == "AP"

    def test_several_values(self) -> None:
        assert read_view(_item(ViewPosition=["AP", "LL"])) == "AP LL"

    def test_meaning_comes_from_the_standard_and_not_from_the_file(self) -> None:
        """CID 4010 of PS3.16 as pydicom lists it, by its SNOMED CT code and by the older one it replaced."""
        for value, scheme in (("399067008", "SCT"), ("R-102CD", "SRT")):
            coded = [_item(CodeValue=value, CodingSchemeDesignator=scheme, CodeMeaning="Anna Harbour, 1987")]
            assert read_view(_item(ViewCodeSequence=coded)) == "lateral"


def _loading(**attributes: object) -> Loading:
    stated, remarks = read_loading(_item(**attributes))
    loading = settle(stated)
    kind = RemarkKind.LOADING_UNKNOWN if loading is Loading.UNKNOWN else RemarkKind.LOADING
    assert all(remark.kind is kind for remark in remarks)
    assert (remarks == ()) == (loading is Loading.FULL)
    return loading


class TestLoading:
    """The phrases themselves: test_loading_words.py."""

    @pytest.mark.parametrize(
        "keyword", ["SeriesDescription", "ProtocolName", "StudyDescription", "ImageComments", "AcquisitionComments"]
    )
    @pytest.mark.parametrize(
        ("text", "loading"),
        [
            ("Foot dp weight-bearing", Loading.FULL),
            ("Foot dp, unable to bear weight", Loading.NONE),
            ("Fuss dp teilbelastet", Loading.PARTIAL),
            ("simulated weight bearing", Loading.SIMULATED),
            ("weight bearing and non weight bearing", Loading.CONTRADICTORY),
            ("Foot dp", Loading.UNKNOWN),
        ],
    )
    def test_in_any_text(self, keyword: str, text: str, loading: Loading) -> None:
        assert _loading(**{keyword: text}) is loading

    @pytest.mark.parametrize(
        ("attributes", "loading"),
        [
            ({"SeriesDescription": "Foot standing", "ImageComments": "unable to stand"}, Loading.CONTRADICTORY),
            ({"SeriesDescription": "WB", "ProtocolName": "Foot NWB"}, Loading.CONTRADICTORY),
            ({"SeriesDescription": "Foot standing", "ImageComments": "PWB left"}, Loading.PARTIAL),
            ({"SeriesDescription": "Foot standing", "ProtocolName": "weight-bearing"}, Loading.FULL),
            ({"SeriesDescription": "Foot dp", "ImageComments": "im Liegen"}, Loading.NONE),
            ({"StudyDescription": ["Foot", "NWB"]}, Loading.NONE),
        ],
    )
    def test_fields_are_taken_together(self, attributes: dict[str, object], loading: Loading) -> None:
        assert _loading(**attributes) is loading

    def test_request_of_the_procedure(self) -> None:
        step = _item(ScheduledProcedureStepDescription="Foot non weight bearing")
        assert _loading(RequestAttributesSequence=[step]) is Loading.NONE

    def test_coded_by_snomed(self) -> None:
        """SNOMED CT 87731000 as pydicom's dictionary of DICOM codes lists it."""
        code = codes.SCT.WeightBearing
        assert code.value == "87731000"
        view = _item(CodeValue="x", ViewModifierCodeSequence=[_item(CodeValue=code.value, CodeMeaning="loaded")])
        assert _loading(ViewCodeSequence=[view]) is Loading.FULL

    @pytest.mark.parametrize(
        ("code", "scheme", "loading"),
        [
            ("10904000", "SCT", Loading.FULL),
            ("C86043", "NCIt", Loading.FULL),
            ("40199007", "SCT", Loading.NONE),
            ("F-10340", "SRT", Loading.NONE),
            ("F-10340", "SNM3", Loading.NONE),
            ("33586001", "SCT", Loading.NONE),
            ("102538003", "SCT", Loading.NONE),
            ("102539006", "", Loading.NONE),
            ("40199007", "99HARBOUR", Loading.UNKNOWN),
            ("12345", "SCT", Loading.UNKNOWN),
        ],
    )
    def test_coded_posture(self, code: str, scheme: str, loading: Loading) -> None:
        """CID 19 and 20 of PS3.16: erect, standing, supine, sitting, recumbent, semi-erect; F-10340 is supine, too."""
        posture = _item(CodeValue=code, CodingSchemeDesignator=scheme, CodeMeaning="posture")
        assert _loading(PatientOrientationCodeSequence=[posture]) is loading

    def test_code_and_words_that_contradict_each_other(self) -> None:
        context = _item(ConceptCodeSequence=[_item(CodeValue="87731000", CodeMeaning="Weight bearing")])
        both = _loading(AcquisitionContextSequence=[context], SeriesDescription="Foot unbelastet")
        assert both is Loading.CONTRADICTORY


class TestBodyPart:
    @pytest.mark.parametrize(
        "part", ["FOOT", "LFOOT", "", "TOE", "EXTREMITY", "FUSS", "PIE", "TOES", "LEG", ["HAND", "FOOT"]]
    )
    def test_fitting_or_unsaid_gives_no_remark(self, part: object) -> None:
        assert read_body_part(_item(BodyPartExamined=part)) == ()

    @pytest.mark.parametrize("part", ["HAND", "SKULL", "TSPINE"])
    def test_a_term_of_the_standard_is_named(self, part: str) -> None:
        """PS3.16, table L-1."""
        (remark,) = read_body_part(_item(BodyPartExamined=part))
        assert remark.kind is RemarkKind.BODY_PART
        assert remark.text.endswith(part)

    @pytest.mark.parametrize("part", ["HARBOUR ANNA", "ANNA1987", "LEGRAND", "COLLEGE", "TOEPFER", "PIERRE"])
    def test_anything_else_is_not_repeated(self, part: str) -> None:
        (remark,) = read_body_part(_item(BodyPartExamined=part))
        assert remark.text == "the file says the body part is something else"


class TestDefinedTerms:
    def test_modalities(self) -> None:
        """PS3.3, C.7.3.1.1.1."""
        assert {"CR", "DX", "RG", "OT", "MR", "CT", "NM", "US", "MG", "SR", "PR", "KO", "XA", "RF"} <= modalities()
        assert "HARBOUR" not in modalities()

    def test_body_parts(self) -> None:
        """Terms of table L-1 of PS3.16 for the regions of the limbs (CID 4031)."""
        assert {"FOOT", "TOE", "ANKLE", "LEG", "KNEE", "HAND", "WRIST", "ELBOW", "SHOULDER", "CALCANEUS"} <= BODY_PARTS
        assert all(part.isalpha() and part.isupper() and len(part) <= 16 for part in BODY_PARTS)
