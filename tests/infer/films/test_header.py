"""Headers with broken attributes: what is merely descriptive costs a remark, never the film (PS3.5: 6.2, 7.1)."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pydicom.datadict import dictionary_VR, tag_for_keyword
from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset
from pydicom.tag import Tag
from pydicom.uid import SecondaryCaptureImageStorage

from raysplay.infer.films.film import Film, FilmRejected
from raysplay.infer.films.loading import Loading
from raysplay.infer.films.read import read_film
from raysplay.infer.films.remark import RemarkKind
from raysplay.infer.films.settings import FilmLimits

pytestmark = pytest.mark.filterwarnings("ignore")

DESCRIPTIVE = (
    "ImageLaterality",
    "Laterality",
    "FrameLaterality",
    "ViewPosition",
    "BodyPartExamined",
    "SeriesDescription",
    "ProtocolName",
    "AcquisitionProtocolName",
    "StudyDescription",
    "PerformedProcedureStepDescription",
    "RequestedProcedureDescription",
    "AcquisitionDeviceProcessingDescription",
    "CommentsOnThePerformedProcedureStep",
    "AcquisitionComments",
    "ImageComments",
    "ViewCodeSequence",
    "ProcedureCodeSequence",
    "RequestAttributesSequence",
    "AcquisitionContextSequence",
    "PatientOrientationCodeSequence",
    "SharedFunctionalGroupsSequence",
    "PixelSpacing",
    "ImagerPixelSpacing",
    "NominalScannedPixelSpacing",
    "PixelSpacingCalibrationType",
    "EstimatedRadiographicMagnificationFactor",
    "PixelAspectRatio",
    "FieldOfViewDimensions",
    "FieldOfViewDimensionsInFloat",
    "Modality",
    "NumberOfFrames",
    "WindowCenter",
    "WindowWidth",
    "VOILUTFunction",
    "VOILUTSequence",
    "PresentationIntentType",
    "PresentationLUTShape",
    "PixelPaddingValue",
    "PixelPaddingRangeLimit",
    "ShutterShape",
    "PatientName",
    "PatientID",
    "StudyDate",
    "InstanceNumber",
)
NEEDED = (
    "Rows",
    "Columns",
    "BitsAllocated",
    "BitsStored",
    "HighBit",
    "PixelRepresentation",
    "PhotometricInterpretation",
    "SamplesPerPixel",
    "RescaleSlope",
    "RescaleIntercept",
    "ModalityLUTSequence",
)
CONTENTS = (
    b"\xff\xfe\xfd\xfc\xfb\xfa",
    b"abc\\x ",
    b"\x1b$)Z\xe9\xff\x1b",
    b"\\\\\\ ",
    b"9" * 40,
    b"1\\2\\3\\4 ",
    b"\x00\x00\x00",
)
LONG = ("SQ", "UT", "UC", "UN", "OB", "OW")
REPRESENTATIONS = (None, "FD", "US", "SQ", "AT", "LO", "IS", "DS", "UL", "ZZ")


@pytest.fixture
def spoilt(write, make_dicom, grey12):
    """``spoilt(keyword, content, representation=None, **attributes)``: a film with one attribute as raw bytes."""

    def made(keyword: str, content: bytes, representation: str | None = None, **attributes: Any) -> Path:
        ds: Dataset = make_dicom(grey12, **attributes)
        tag = Tag(tag_for_keyword(keyword))
        content += b" " * (len(content) % 2)
        ds[tag] = DataElement(tag, "OB", content)
        path: Path = write(ds)
        at = tag.group.to_bytes(2, "little") + tag.element.to_bytes(2, "little")
        written = at + b"OB\0\0" + len(content).to_bytes(4, "little") + content
        assert path.read_bytes().count(written) == 1
        vr = representation or str(dictionary_VR(tag)).split(" or ")[0]
        length = b"\0\0" + len(content).to_bytes(4, "little") if vr in LONG else len(content).to_bytes(2, "little")
        path.write_bytes(path.read_bytes().replace(written, at + vr.encode() + length + content))
        return path

    return made


def _read(path: Path, limits: FilmLimits) -> Film:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # as the decoding process does
        return read_film(path, limits)


def _reason(path: Path, limits: FilmLimits) -> str | None:
    try:
        _read(path, limits)
    except FilmRejected as refused:
        return str(refused)
    return None


def _of_header(film: Film) -> str:
    return " ".join(remark.text for remark in film.remarks if remark.kind is RemarkKind.UNREADABLE_HEADER)


class TestEveryAttribute:
    @pytest.mark.parametrize("keyword", DESCRIPTIVE)
    def test_what_is_descriptive_does_not_cost_the_film(self, limits, spoilt, grey12, keyword) -> None:
        for content in CONTENTS:
            if keyword == "NumberOfFrames" and content.isdigit():
                continue  # a number, if a large one: refused as a multi-frame object
            for representation in REPRESENTATIONS:
                film = _read(spoilt(keyword, content, representation), limits)
                assert film.pixels.shape == grey12.shape
                assert np.isfinite(film.pixels).all()
                for remark in film.remarks:
                    assert "\\" not in remark.text
                    assert remark.text.isascii()

    @pytest.mark.parametrize("keyword", NEEDED)
    def test_what_is_needed_costs_it_with_a_reason_or_is_made_up_for(self, limits, spoilt, keyword) -> None:
        for content in CONTENTS:
            for representation in REPRESENTATIONS:
                reason = _reason(spoilt(keyword, content, representation), limits)
                assert reason is None or (reason.isascii() and len(reason) > 10)


class TestOneBrokenAttribute:
    def test_is_named_and_everything_else_is_read(self, limits, spoilt) -> None:
        path = spoilt(
            "SeriesDescription", b"\x01\x02\x03\x04\x05\x06\x07\x08", "FD", ImageLaterality="L", ViewPosition="AP"
        )
        film = _read(path, limits)
        assert (film.laterality, film.view, film.loading) == ("L", "AP", Loading.UNKNOWN)
        assert _of_header(film) == "left out what cannot be read in the header: Series Description"

    def test_numbers_as_words(self, limits, spoilt) -> None:
        film = _read(spoilt("ImagerPixelSpacing", b"abc\\0.1 "), limits)
        assert film.spacing.row_mm is None
        assert "Imager Pixel Spacing" in _of_header(film)

    def test_a_number_of_frames_that_is_no_number(self, limits, spoilt) -> None:
        assert "Number of Frames" in _of_header(_read(spoilt("NumberOfFrames", b"x "), limits))

    def test_an_absurd_number_of_frames_is_refused_and_not_repeated(self, limits, spoilt) -> None:
        reason = _reason(spoilt("NumberOfFrames", b"1987041277"), limits)
        assert reason == "a multi-frame object with many frames, not a single film"
        reason = _reason(spoilt("NumberOfFrames", b"198704127777"), limits)
        assert reason == "damaged header: NumberOfFrames is no number of four bytes"

    @pytest.mark.parametrize("keyword", ["RescaleSlope", "RescaleIntercept"])
    def test_rescale_values_that_are_no_numbers_cost_the_film(self, limits, spoilt, keyword) -> None:
        """The picture cannot be shown without them: a slope of -1 turns it round (PS3.3, C.11.1)."""
        assert (
            _reason(spoilt(keyword, b"x "), limits) == "damaged header: modality LUT or rescale values cannot be read"
        )

    def test_a_shape_of_pixels_that_is_no_number_is_a_remark_of_its_own(self, limits, spoilt) -> None:
        film = _read(spoilt("PixelAspectRatio", b"10\\x"), limits)
        assert RemarkKind.PIXEL_SHAPE in {remark.kind for remark in film.remarks}

    def test_a_sound_header_gives_no_remark(self, limits, write, make_dicom, grey12) -> None:
        assert _of_header(_read(write(make_dicom(grey12, PatientName="Harbour^Anna")), limits)) == ""

    def test_inside_an_item(self, limits, write, make_dicom, grey12) -> None:
        item = Dataset()
        item.CodeValue, item.CodeMeaning = "399067008", "weight bearing"
        path = write(make_dicom(grey12, ViewCodeSequence=[item]))
        content = path.read_bytes()
        path.write_bytes(content.replace(b"LO\x0e\x00weight bearing", b"AT\x0e\x00weight bearing"))
        film = _read(path, limits)
        assert film.view == "lateral"
        assert _of_header(film).endswith("Code Meaning")

    @pytest.mark.parametrize("representation", [b"??", b"\x00\x00", b"lo", b"ZZ"])
    def test_a_representation_that_does_not_exist(self, limits, write, make_dicom, grey12, representation) -> None:
        """It may be a damaged one: the length stands where it always does."""
        path = write(make_dicom(grey12, SeriesDescription="Foot NWB", ImageLaterality="R"))
        content = path.read_bytes()
        assert content.count(b"\x08\x00\x3e\x10LO") == 1
        path.write_bytes(content.replace(b"\x08\x00\x3e\x10LO", b"\x08\x00\x3e\x10" + representation))
        film = _read(path, limits)
        assert film.laterality == "R"
        assert "Series Description" in _of_header(film)

    def test_class_of_the_object(self, limits, write, make_dicom, grey12) -> None:
        """The file meta information states it again (PS3.10, 7.1)."""
        path = write(make_dicom(grey12))
        content = path.read_bytes()
        at = content.index(b"\x08\x00\x16\x00UI")
        assert content[at + 8 : at + 10] == b"1."
        path.write_bytes(content[: at + 8] + b"\xff\xfe" + content[at + 10 :])
        assert _read(path, limits).pixels.shape == grey12.shape


class TestCharacterSet:
    @pytest.mark.parametrize(
        "name",
        ["ISO_IR 999", "NONSENSE", "hex", "undefined", "idna", "punycode", "ISO 2022 IR 6\\hex", "\\NONSENSE", "\\hex"],
    )
    @pytest.mark.parametrize("text", [b"Fuss unbelastet ", b"Fu\xdf unbelastet", b"\x1b$Bx\x1b(B unbelastet"])
    def test_an_unknown_one_costs_neither_film_nor_texts(self, limits, spoilt, name, text) -> None:
        path = spoilt("SeriesDescription", text, SpecificCharacterSet="ISO_IR 100")
        content = path.read_bytes()
        stated = name.encode() + b" " * (len(name) % 2)
        known = b"\x08\x00\x05\x00CS\x0a\x00ISO_IR 100"
        assert content.count(known) == 1
        path.write_bytes(content.replace(known, known[:6] + len(stated).to_bytes(2, "little") + stated))
        film = _read(path, limits)
        assert film.loading is Loading.NONE
        assert "character set is unknown" in _of_header(film)

    @pytest.mark.parametrize(
        ("name", "text"),
        [
            ("ISO_IR 100", "Fuß unbelastet".encode("latin-1")),
            ("ISO_IR 192", "Fuß unbelastet".encode()),
            ("ISO_IR 144", "стопа unbelastet".encode("iso8859-5")),
            ("GB18030", "足 unbelastet".encode("gb18030")),
            ("", b"Fuss unbelastet"),
        ],
    )
    def test_known_ones_are_used(self, limits, spoilt, name, text) -> None:
        """Defined terms of PS3.3, C.12.1.1.2."""
        film = _read(spoilt("SeriesDescription", text, SpecificCharacterSet=name), limits)
        assert film.loading is Loading.NONE
        assert _of_header(film) == ""


class TestTextOfTheHeader:
    """Nothing that a header says freely is repeated; only terms of the standard are."""

    @pytest.mark.parametrize("said", ["HARBOUR", "ANNA1987"])
    def test_modality(self, limits, write, make_dicom, grey12, said) -> None:
        ds = make_dicom(grey12, SOPClassUID=SecondaryCaptureImageStorage, Modality=said)
        with pytest.raises(FilmRejected, match=r"^not a projection radiograph \(modality unknown\)$"):
            _read(write(ds), limits)

    def test_modality_in_bytes_that_are_no_text(self, limits, spoilt) -> None:
        path = spoilt("Modality", b"\xff\xfe", SOPClassUID=SecondaryCaptureImageStorage)
        assert _reason(path, limits) == "not a projection radiograph (modality unknown)"

    def test_a_modality_of_the_standard_is_named(self, limits, write, make_dicom, grey12) -> None:
        ds = make_dicom(grey12, SOPClassUID=SecondaryCaptureImageStorage, Modality="MR")
        with pytest.raises(FilmRejected, match=r"modality MR"):
            _read(write(ds), limits)

    def test_a_digital_radiograph_is_one_whatever_its_modality_says(self, limits, write, make_dicom, grey12) -> None:
        film = _read(write(make_dicom(grey12, Modality="HARBOUR")), limits)
        assert _of_header(film) == "the modality is no term of the standard and was ignored"
        with pytest.raises(FilmRejected, match="modality CT"):
            _read(write(make_dicom(grey12, Modality="CT")), limits)

    def test_transfer_syntax_is_not_repeated(self, limits, write, make_dicom, grey12) -> None:
        path = write(make_dicom(grey12))
        path.write_bytes(path.read_bytes().replace(b"1.2.840.10008.1.2.1\x00", b"1.2.276.19870412.77\x00"))
        with pytest.raises(FilmRejected) as refused:
            _read(path, limits)
        assert "19870412" not in str(refused.value)

    def test_nothing_of_any_text_reaches_a_remark(self, limits, write, make_dicom, grey12) -> None:
        said = {
            keyword: "HARBOUR ANNA"
            for keyword in DESCRIPTIVE
            if dictionary_VR(tag_for_keyword(keyword)) in ("CS", "LO", "SH", "LT", "ST", "PN", "UC", "UT")
        }
        film = _read(write(make_dicom(grey12, **said)), limits)
        assert film.view is None
        assert not any("HARBOUR" in remark.text.upper() for remark in film.remarks)
