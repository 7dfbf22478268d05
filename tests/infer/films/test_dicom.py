"""DICOM files: awkward real ones that ship inside pydicom, by name, and small ones made on the spot."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pydicom import dcmread
from pydicom.data import get_testdata_file
from pydicom.dataset import Dataset
from pydicom.pixels import apply_modality_lut, apply_voi_lut
from pydicom.uid import (
    ComputedRadiographyImageStorage,
    JPEG2000Lossless,
    JPEGLSLossless,
    MultiFrameGrayscaleWordSecondaryCaptureImageStorage,
    RLELossless,
    SecondaryCaptureImageStorage,
)

from raysplay.infer.films.film import FilmRejected, SpacingKind
from raysplay.infer.films.loading import Loading
from raysplay.infer.films.polarity import INVERTED
from raysplay.infer.films.read import read_film
from raysplay.infer.films.settings import FilmLimits


def _real(name: str) -> Path:
    path = get_testdata_file(name, download=False)
    assert path is not None
    return Path(str(path))


def _as_radiograph(name: str) -> Dataset:
    """A real file relabelled as a secondary capture, its pixels untouched."""
    ds = dcmread(_real(name))
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = SecondaryCaptureImageStorage
    ds.Modality = "OT"
    return ds


class TestRealFilesThatAreNoFilm:
    @pytest.mark.parametrize(
        ("name", "reason"),
        [
            ("CT_small.dcm", "not a projection radiograph (CT Image Storage)"),
            ("MR_truncated.dcm", "not a projection radiograph (MR Image Storage)"),
            ("JPGExtended.dcm", "modality NM"),
            ("test-SR.dcm", "not a projection radiograph (Comprehensive SR Storage)"),
            ("rtplan_truncated.dcm", "not a projection radiograph"),
            ("waveform_ecg.dcm", "not a projection radiograph"),
            ("DICOMDIR", "DICOM directory"),
            ("DICOMDIR-bigEnd", "DICOM directory"),
            ("empty_charset_LEI.dcm", "no pixel data"),
            ("SC_rgb_rle.dcm", "a colour picture"),
            ("SC_rgb_jpeg_dcmtk.dcm", "a colour picture"),
            ("SC_ybr_full_422_uncompressed.dcm", "a colour picture"),
            ("GDCMJ2K_TextGBR.dcm", "a colour picture"),
            ("SC_rgb_rle_2frame.dcm", "multi-frame object with 2 frames"),
            ("SC_rgb_rle_32bit.dcm", "32 bits a pixel"),
            ("README.txt", "a text file"),
            ("zipMR.gz", "a gzip archive"),
            ("no_meta.dcm", "no DICOM, PNG, JPEG or TIFF"),
            ("meta_missing_tsyntax.dcm", "damaged header"),
        ],
    )
    def test_reason(self, limits: FilmLimits, name: str, reason: str) -> None:
        with pytest.raises(FilmRejected) as refused:
            read_film(_real(name), limits)
        assert reason in str(refused.value)


class TestRealFilesOfEveryTransferSyntax:
    @pytest.mark.parametrize(
        "name",
        [
            "MR_small_implicit.dcm",
            "MR_small_bigendian.dcm",
            "MR_small_RLE.dcm",
            "MR_small_jpeg_ls_lossless.dcm",
            "MR_small_jp2klossless.dcm",
        ],
    )
    def test_same_picture_whatever_the_encoding(self, limits, write, name) -> None:
        plain = read_film(write(_as_radiograph("MR_small.dcm")), limits)
        other = read_film(write(_as_radiograph(name)), limits)
        np.testing.assert_array_equal(other.pixels, plain.pixels)

    def test_padded_pixel_data(self, limits, write) -> None:
        assert read_film(write(_as_radiograph("MR_small_padded.dcm")), limits).pixels.shape == (64, 64)

    def test_deflated(self, limits) -> None:
        film = read_film(_real("image_dfl.dcm"), limits)
        assert film.pixels.shape == (512, 512)

    def test_signedness_that_header_and_codestream_disagree_on(self, limits, write) -> None:
        """The library's own reading of this file is the reference."""
        ds = _as_radiograph("J2K_pixelrep_mismatch.dcm")
        film = read_film(write(ds), limits)
        shown = apply_voi_lut(apply_modality_lut(ds.pixel_array, ds), ds)  # 13 bits, signed
        np.testing.assert_allclose(film.pixels, (shown + 4096) / 8191, atol=1e-6)

    def test_truncated(self, limits, write) -> None:
        with pytest.raises(FilmRejected, match="truncated"):
            read_film(write(_as_radiograph("MR_truncated.dcm")), limits)

    def test_grey_stored_as_colour(self, limits) -> None:
        film = read_film(_real("SC_rgb_jpeg.dcm"), limits)
        assert film.pixels.shape == (256, 256)
        assert "a grey picture stored in colour was converted" in [remark.text for remark in film.remarks]

    def test_computed_radiographs_of_a_real_archive(self, limits) -> None:
        """Three CR images of the media set 77654033 that ships with pydicom; MONOCHROME2 or 1 as stored."""
        folder = _real("DICOMDIR").parent / "77654033" / "CR1"
        assert (folder / "6154").is_file()
        for path in sorted(folder.iterdir()):
            film = read_film(path, limits)
            ds = dcmread(path)
            sign = -1 if ds.PhotometricInterpretation == "MONOCHROME1" else 1
            assert np.corrcoef(film.pixels.ravel(), sign * ds.pixel_array.ravel().astype(float))[0, 1] > 0.9


class TestKindsOfRadiograph:
    @pytest.mark.parametrize(
        ("sop_class", "modality"),
        [
            (ComputedRadiographyImageStorage, "CR"),
            (SecondaryCaptureImageStorage, "OT"),
            (SecondaryCaptureImageStorage, None),
            (MultiFrameGrayscaleWordSecondaryCaptureImageStorage, "RG"),
        ],
    )
    def test_accepted(self, limits, write, make_dicom, grey12, sop_class, modality) -> None:
        ds = make_dicom(grey12, SOPClassUID=sop_class, Modality=modality, NumberOfFrames=1)
        assert read_film(write(ds), limits).pixels.shape == (40, 60)

    def test_everything_the_file_states_arrives(self, limits, write, make_dicom, grey12) -> None:
        ds = make_dicom(
            grey12,
            WindowCenter=2048,
            WindowWidth=4096,
            PixelSpacing=[0.14, 0.14],
            ImagerPixelSpacing=[0.15, 0.15],
            PixelSpacingCalibrationType="FIDUCIAL",
            ImageLaterality="L",
            ViewPosition="AP",
            BodyPartExamined="FOOT",
            SeriesDescription="Foot dp standing",
        )
        film = read_film(write(ds), limits)
        np.testing.assert_allclose(film.pixels, grey12 / 4095, atol=1e-6)
        assert (film.laterality, film.view, film.loading) == ("L", "AP", Loading.FULL)
        assert (film.spacing.row_mm, film.spacing.kind) == (0.14, SpacingKind.FIDUCIAL)
        assert film.remarks == ()

    def test_caveats_arrive(self, limits, write, make_dicom, grey12) -> None:
        film = read_film(write(make_dicom(grey12, BodyPartExamined="HAND")), limits)
        said = " | ".join(remark.text for remark in film.remarks)
        for words in ("no window stated", "no pixel spacing", "not state a side", "loading unknown", "HAND"):
            assert words in said

    @pytest.mark.parametrize("syntax", [JPEGLSLossless, JPEG2000Lossless, RLELossless])
    def test_compressed(self, limits, write, make_dicom, grey12, syntax) -> None:
        ds = make_dicom(grey12, WindowCenter=2048, WindowWidth=4096)
        if syntax == JPEG2000Lossless:
            ds.compress(syntax, generate_instance_uid=False, encoding_plugin="pylibjpeg")
        else:
            ds.compress(syntax, generate_instance_uid=False)
        np.testing.assert_allclose(read_film(write(ds), limits).pixels, grey12 / 4095, atol=1e-6)

    def test_without_preamble(self, limits, tmp_path, write, make_dicom, grey12) -> None:
        content = write(make_dicom(grey12)).read_bytes()
        (tmp_path / "bare").write_bytes(content[132:])
        bare = read_film(tmp_path / "bare", limits)
        assert bare.pixels.shape == (40, 60)

    def test_shutter_is_black(self, limits, write, make_dicom, grey12) -> None:
        ds = make_dicom(
            grey12,
            PhotometricInterpretation="MONOCHROME1",
            ShutterShape="RECTANGULAR",
            ShutterLeftVerticalEdge=11,
            ShutterRightVerticalEdge=50,
            ShutterUpperHorizontalEdge=1,
            ShutterLowerHorizontalEdge=40,
        )
        film = read_film(write(ds), limits)
        assert film.pixels[:, :10].max() == 0
        assert film.pixels[:, 50:].max() == 0
        assert film.pixels[:, 10:50].max() > 0.9

    def test_wrong_photometric_interpretation_is_put_right_and_said(self, limits, write, make_dicom) -> None:
        row, column = np.mgrid[:200, :200]
        disc = np.clip(1.0 - ((row - 100) ** 2 + (column - 100) ** 2) / 4000.0, 0.0, 1.0)
        dark = (4000 - 3000 * disc).astype(np.uint16)
        film = read_film(write(make_dicom(dark, WindowCenter=2048, WindowWidth=4096)), limits)
        np.testing.assert_allclose(film.pixels, 1 - dark / 4095, atol=1e-6)
        assert INVERTED in film.remarks


class TestDamage:
    def test_multi_frame_names_the_number(self, limits, write, make_dicom, grey12) -> None:
        ds = make_dicom(grey12, NumberOfFrames=12)
        with pytest.raises(FilmRejected, match="12 frames"):
            read_film(write(ds), limits)

    def test_true_colour(self, limits, write, make_dicom) -> None:
        pixels = np.random.default_rng(0).integers(0, 256, (40, 60, 3), dtype=np.uint8)
        with pytest.raises(FilmRejected, match="colour picture"):
            read_film(write(make_dicom(pixels, SOPClassUID=SecondaryCaptureImageStorage)), limits)

    def test_grey_palette(self, limits, write, make_dicom) -> None:
        pixels = np.random.default_rng(0).integers(0, 256, (40, 60), dtype=np.uint8)
        ramp = (np.arange(256) * 257).astype("<u2").tobytes()
        ds = make_dicom(pixels, SOPClassUID=SecondaryCaptureImageStorage)
        ds.PhotometricInterpretation = "PALETTE COLOR"
        for colour in ("Red", "Green", "Blue"):
            setattr(ds, f"{colour}PaletteColorLookupTableDescriptor", [256, 0, 16])
            setattr(ds, f"{colour}PaletteColorLookupTableData", ramp)
        film = read_film(write(ds), limits)
        assert np.corrcoef(film.pixels.ravel(), pixels.ravel().astype(float))[0, 1] > 0.99

    def test_attributes_that_are_encrypted(self, limits, write, make_dicom, grey12) -> None:
        """PS3.15 E: Encrypted Attributes Sequence holds what was taken out, here the pixels."""
        sealed = Dataset()
        sealed.EncryptedContentTransferSyntaxUID = "1.2.840.10008.1.2.1"
        sealed.EncryptedContent = bytes(64)
        ds = make_dicom(grey12, PixelData=None, EncryptedAttributesSequence=[sealed])
        with pytest.raises(FilmRejected, match="encrypted"):
            read_film(write(ds), limits)

    @pytest.mark.parametrize(
        ("attributes", "reason"),
        [
            ({"Rows": None}, "Rows is missing"),
            ({"BitsAllocated": 32, "BitsStored": 32}, "32 bits"),
            ({"BitsStored": 1}, "1 bits"),
            ({"PhotometricInterpretation": None}, "photometric interpretation"),
            ({"PhotometricInterpretation": "RGB"}, "three samples|decoded"),
            ({"PixelData": None}, "no pixel data"),
            ({"RescaleSlope": 0, "RescaleIntercept": 5}, "same value"),
            ({"Rows": 41}, r"truncated: 4800 of 4920 bytes"),
            ({"HighBit": 16}, "HighBit lies outside"),
            ({"HighBit": 65535}, "HighBit lies outside"),
        ],
    )
    def test_header(self, limits, write, make_dicom, grey12, attributes, reason) -> None:
        with pytest.raises(FilmRejected, match=reason):
            read_film(write(make_dicom(grey12, **attributes)), limits)

    def test_unknown_transfer_syntax(self, limits, write, make_dicom, grey12) -> None:
        ds = make_dicom(grey12)
        path = write(ds)
        content = path.read_bytes().replace(b"1.2.840.10008.1.2.1\x00", b"1.2.840.99999.1.2.1\x00")
        path.write_bytes(content)
        with pytest.raises(FilmRejected, match=r"transfer syntax .* cannot be decoded"):
            read_film(path, limits)

    @pytest.mark.parametrize("share", [0.99, 0.6, 0.2])
    def test_cut_off_anywhere(self, limits, write, make_dicom, grey12, share) -> None:
        path = write(make_dicom(grey12))
        content = path.read_bytes()
        path.write_bytes(content[: int(share * len(content))])
        with pytest.raises(FilmRejected):
            read_film(path, limits)

    def test_garbage_codestream(self, limits, write, make_dicom, grey12) -> None:
        ds = make_dicom(grey12)
        ds.compress(JPEGLSLossless, generate_instance_uid=False)
        path = write(ds)
        content = bytearray(path.read_bytes())
        content[-500:-100] = bytes(400)
        path.write_bytes(content)
        with pytest.raises(FilmRejected, match="cannot be decoded"):
            read_film(path, limits)

    def test_reason_holds_no_text_of_the_patient(self, limits, write, make_dicom, grey12) -> None:
        ds = make_dicom(grey12, PatientName="SECRET^NAME", PatientID="SECRET-ID", ViewPosition="SECRET")
        ds.BitsStored = 5
        with pytest.raises(FilmRejected) as refused:
            read_film(write(ds), limits)
        assert "SECRET" not in str(refused.value)
