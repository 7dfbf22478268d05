"""Every transfer syntax of an archive of radiographs, against what was stored and against decoders of others.

References: dcmtk (``dcmconv``, ``dcmdrle``, ``dcmdjpeg``, ``dcmdjpls``) for all that it reads; for JPEG 2000, which it
does not, the picture that was encoded and pairs of real files that ship with pydicom and pydicom-data; for HTJ2K the
encoder and decoder of OpenJPH, while films are decoded by OpenJPEG.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
from pydicom import dcmread
from pydicom.data import get_testdata_file
from pydicom.encaps import encapsulate
from pydicom.pixels.decoders.base import Decoder
from pydicom.uid import (
    HTJ2K,
    JPEG2000,
    UID,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    HTJ2KLossless,
    HTJ2KLosslessRPCL,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGExtended12Bit,
    JPEGLossless,
    JPEGLosslessSV1,
    JPEGLSLossless,
    JPEGLSNearLossless,
    RLELossless,
    SecondaryCaptureImageStorage,
)

from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.read import read_film
from raysplay.infer.reason import ReasonKind

dcmtk = pytest.mark.skipif(shutil.which("dcmcjpeg") is None, reason="dcmtk is not installed: NOT compared with it")

NATIVE = (ExplicitVRLittleEndian, ImplicitVRLittleEndian, ExplicitVRBigEndian, DeflatedExplicitVRLittleEndian)
BY_DCMTK = {
    RLELossless: (["dcmcrle"], "dcmdrle", 0),
    # Decoders of lossy JPEG may differ by one level (ITU-T T.83 allows for errors of the inverse transform).
    JPEGBaseline8Bit: (["dcmcjpeg", "+eb"], "dcmdjpeg", 1),
    JPEGExtended12Bit: (["dcmcjpeg", "+ee"], "dcmdjpeg", 1),
    JPEGLossless: (["dcmcjpeg", "+el", "+sv", "6"], "dcmdjpeg", 0),
    JPEGLosslessSV1: (["dcmcjpeg", "+e1"], "dcmdjpeg", 0),
    JPEGLSLossless: (["dcmcjpls", "+el"], "dcmdjpls", 0),
    JPEGLSNearLossless: (["dcmcjpls", "+en", "+md", "3"], "dcmdjpls", 0),
}


def _levels(film, top: int):
    """Stored values of a film whose window spans them all."""
    return np.rint(film.pixels * top).astype(int)


def _window(pixels) -> dict[str, int]:
    top = 255 if pixels.dtype == np.uint8 else 4095
    return {"WindowCenter": (top + 1) // 2, "WindowWidth": top + 1, "BitsStored": 8 if top == 255 else 12}


@pytest.fixture
def picture(grey12):
    """A larger one: coders of blocks and tiles need some."""
    return np.kron(grey12, np.ones((4, 4), dtype=np.uint16)) // 17 * 17


@pytest.mark.parametrize("syntax", NATIVE, ids=lambda uid: uid.name)
def test_uncompressed(limits, write, make_dicom, picture, tmp_path, syntax) -> None:
    """Byte order: the picture is stored swapped in big endian (PS3.5, 7.3)."""
    ds = make_dicom(picture, **_window(picture))
    if syntax == ExplicitVRBigEndian:
        ds.PixelData = picture.astype(">u2").tobytes()
    ds.file_meta.TransferSyntaxUID = syntax
    path = tmp_path / "film.dcm"
    ds.save_as(path, enforce_file_format=True)
    np.testing.assert_array_equal(_levels(read_film(path, limits), 4095), picture)
    if shutil.which("dcmconv") is None:
        pytest.skip("dcmtk is not installed: NOT compared with it")
    subprocess.run(["dcmconv", "+te", path, tmp_path / "plain.dcm"], check=True)
    np.testing.assert_array_equal(_native(tmp_path / "plain.dcm"), picture)


def _native(path: Path):
    """Samples of an uncompressed file, from its bytes."""
    ds = dcmread(path)
    assert ds.file_meta.TransferSyntaxUID == ExplicitVRLittleEndian
    form = {8: "u1", 16: "<i2" if ds.PixelRepresentation else "<u2"}[ds.BitsAllocated]
    count = ds.Rows * ds.Columns
    return np.frombuffer(ds.PixelData, form, count).reshape(ds.Rows, ds.Columns)


@dcmtk
@pytest.mark.parametrize("syntax", BY_DCMTK, ids=lambda uid: uid.name)
def test_as_another_program_encodes_and_decodes_it(limits, write, make_dicom, picture, tmp_path, syntax) -> None:
    encode, decode, tolerance = BY_DCMTK[syntax]
    stored = (picture >> 4).astype(np.uint8) if syntax == JPEGBaseline8Bit else picture
    plain = write(make_dicom(stored, **_window(stored)))
    subprocess.run([*encode, plain, tmp_path / "packed.dcm"], check=True, capture_output=True)
    assert dcmread(tmp_path / "packed.dcm").file_meta.TransferSyntaxUID == syntax
    subprocess.run([decode, tmp_path / "packed.dcm", tmp_path / "plain.dcm"], check=True, capture_output=True)
    seen = _native(tmp_path / "plain.dcm").astype(int)
    film = _as_window(tmp_path / "packed.dcm", stored, write)
    got = _levels(read_film(film, limits), 255 if stored.dtype == np.uint8 else 4095)
    assert np.abs(got - seen).max() <= tolerance
    assert np.abs(seen - stored).max() <= {JPEGLSNearLossless: 3}.get(syntax, 60 if tolerance else 0)


def _as_window(path: Path, stored, write) -> Path:
    """The same film with the whole range for its window: dcmtk adapts it when it packs lossily."""
    ds = dcmread(path)
    for keyword, value in _window(stored).items():
        setattr(ds, keyword, value)
    for keyword in ("VOILUTFunction", "RescaleSlope", "RescaleIntercept", "RescaleType", "SmallestImagePixelValue"):
        if keyword in ds:
            del ds[keyword]
    return write(ds)


@pytest.mark.parametrize("syntax", [JPEG2000Lossless, HTJ2KLossless, HTJ2KLosslessRPCL], ids=lambda uid: uid.name)
def test_reversible_wavelets_give_back_what_was_stored(limits, write, make_dicom, picture, syntax) -> None:
    ds = make_dicom(picture, **_window(picture))
    if syntax == JPEG2000Lossless:
        ds.compress(syntax, generate_instance_uid=False, encoding_plugin="pylibjpeg")
    else:
        ds.PixelData = encapsulate([bytes(imagecodecs.htj2k_encode(picture, reversible=True))])
        ds.file_meta.TransferSyntaxUID = syntax
    np.testing.assert_array_equal(_levels(read_film(write(ds), limits), 4095), picture)


@pytest.mark.parametrize("syntax", [JPEG2000, HTJ2K], ids=lambda uid: uid.name)
def test_irreversible_wavelets(limits, write, make_dicom, picture, syntax) -> None:
    # Away from black and white: OpenJPH wraps what the transform throws beyond them, OpenJPEG cuts it off.
    eight = (20 + (picture >> 4) * 0.8).astype(np.uint8)
    ds = make_dicom(eight, **_window(eight))
    if syntax == JPEG2000:
        stream = imagecodecs.jpeg2k_encode(eight, level=40, reversible=False, codecformat="J2K")
        other = imagecodecs.jpeg2k_decode(stream)
    else:
        stream = imagecodecs.htj2k_encode(eight, level=0.01, reversible=False)
        other = imagecodecs.htj2k_decode(stream)
    ds.PixelData = encapsulate([bytes(stream)])
    ds.file_meta.TransferSyntaxUID = syntax
    got = _levels(read_film(write(ds), limits), 255)
    assert np.abs(got - other.astype(int)).max() <= 1
    assert 0 < np.abs(got - eight.astype(int)).max() < 40


def _relabelled(name: str):
    path = get_testdata_file(name, download=False)
    if path is None:
        pytest.skip(f"{name} of pydicom-data is not installed: NOT checked")
    ds = dcmread(path)
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = SecondaryCaptureImageStorage
    ds.Modality = "OT"
    return ds, Path(str(path))


@dcmtk
@pytest.mark.parametrize(
    ("name", "decode", "tolerance"),
    [
        ("JPEG-LL.dcm", "dcmdjpeg", 0),
        ("JPGLosslessP14SV1_1s_1f_8b.dcm", "dcmdjpeg", 0),
        ("JPGExtended.dcm", "dcmdjpeg", 1),
        ("JPEGLSNearLossless_08.dcm", "dcmdjpls", 0),
        ("JPEGLSNearLossless_16.dcm", "dcmdjpls", 0),
        ("MR_small_jpeg_ls_lossless.dcm", "dcmdjpls", 0),
        ("MR_small_RLE.dcm", "dcmdrle", 0),
    ],
)
def test_real_files_as_another_program_decodes_them(limits, write, tmp_path, name, decode, tolerance) -> None:
    ds, path = _relabelled(name)
    subprocess.run([decode, path, tmp_path / "plain.dcm"], check=True, capture_output=True)
    plain = dcmread(tmp_path / "plain.dcm")
    plain.SOPClassUID = plain.file_meta.MediaStorageSOPClassUID = SecondaryCaptureImageStorage
    plain.Modality = "OT"
    bits = ds.BitsStored
    for one in (ds, plain):  # a window of the whole range, so that grey levels are stored values
        middle = 0 if one.PixelRepresentation else 2 ** (bits - 1)
        one.WindowCenter, one.WindowWidth = middle, 2**bits
        for keyword in ("RescaleSlope", "RescaleIntercept", "VOILUTFunction", "PixelPaddingValue"):
            if keyword in one:
                del one[keyword]
    got, expected = (_levels(read_film(write(one), limits), 2**bits - 1) for one in (ds, plain))
    assert np.unique(expected).size >= 7
    assert np.abs(got - expected).max() <= tolerance


@pytest.mark.parametrize(
    ("packed", "plain", "tolerance"),
    [("RG1_J2KR.dcm", "RG1_UNCR.dcm", 0), ("RG1_J2KI.dcm", "RG1_UNCI.dcm", 1), ("RG3_J2KR.dcm", "RG3_UNCR.dcm", 0)],
)
def test_real_computed_radiographs_in_jpeg_2000(limits, packed, plain, tolerance) -> None:
    """Pairs of the NEMA's test files, published as pydicom-data: the same film with and without compression."""
    got, expected = (read_film(_relabelled(name)[1], limits).pixels for name in (packed, plain))
    levels = 2 ** dcmread(_relabelled(plain)[1]).BitsStored - 1
    assert np.abs(got - expected).max() * levels <= tolerance + 0.5


class TestDamagedLosslessJpeg:
    """The decoder goes on with zeros where data are missing, and says nothing of data left over; both are refused."""

    def _film(self, make_dicom, picture, stream: bytes):
        ds = make_dicom(picture, **_window(picture))
        ds.PixelData = encapsulate([stream])
        ds.file_meta.TransferSyntaxUID = JPEGLosslessSV1
        return ds

    @pytest.fixture
    def stream(self, picture) -> bytes:
        noisy = picture + np.random.default_rng(3).integers(0, 8, picture.shape).astype(np.uint16)
        return bytes(imagecodecs.jpeg8_encode(np.minimum(noisy, 4095), lossless=True, predictor=1, bitspersample=12))

    def test_sound(self, limits, write, make_dicom, picture, stream) -> None:
        film = read_film(write(self._film(make_dicom, picture, stream)), limits)
        assert np.abs(_levels(film, 4095) - picture).max() < 8

    @pytest.mark.parametrize("lost", [3, 40, 2000])
    def test_short_of_data(self, limits, write, make_dicom, picture, stream, lost) -> None:
        with pytest.raises(FilmRejected, match="truncated or damaged"):
            read_film(write(self._film(make_dicom, picture, stream[: -lost - 2] + b"\xff\xd9")), limits)

    def test_data_left_over(self, limits, write, make_dicom, picture, stream) -> None:
        more = stream[:-2] + bytes(range(1, 40)) + stream[-2:]
        with pytest.raises(FilmRejected, match="truncated or damaged"):
            read_film(write(self._film(make_dicom, picture, more)), limits)

    def test_most_lost_bytes_are_noticed(self, limits, write, make_dicom, picture, stream) -> None:
        rng, noticed = np.random.default_rng(1), 0
        for at in rng.integers(len(stream) // 10, len(stream) - 100, 20):
            ds = self._film(make_dicom, picture, stream[: int(at)] + stream[int(at) + 1 :])
            try:
                read_film(write(ds), limits)
            except FilmRejected:
                noticed += 1
        assert noticed >= 15


class TestNoDecoder:
    """A package that is missing is named, with the syntax; the row has a kind of its own."""

    @pytest.mark.parametrize("syntax", [JPEGLosslessSV1, JPEGExtended12Bit], ids=lambda uid: uid.name)
    def test_jpeg(self, limits, write, make_dicom, picture, monkeypatch, syntax) -> None:
        options = {"lossless": True} if syntax == JPEGLosslessSV1 else {"level": 95}
        ds = make_dicom(picture, **_window(picture))
        ds.PixelData = encapsulate([bytes(imagecodecs.jpeg8_encode(picture, bitspersample=12, **options))])
        ds.file_meta.TransferSyntaxUID = syntax
        path = write(ds)
        assert read_film(path, limits).pixels.shape == picture.shape
        monkeypatch.setitem(sys.modules, "imagecodecs", None)
        with pytest.raises(FilmRejected, match="install imagecodecs") as refused:
            read_film(path, limits)
        assert syntax.name in str(refused.value)
        assert refused.value.kind is ReasonKind.NO_DECODER

    @pytest.mark.parametrize(
        ("syntax", "package"),
        [(JPEGLSLossless, "pyjpegls"), (JPEG2000Lossless, "pylibjpeg-openjpeg"), (HTJ2K, "pylibjpeg-openjpeg")],
    )
    def test_others(self, limits, write, make_dicom, picture, monkeypatch, syntax: UID, package: str) -> None:
        ds = make_dicom(picture, **_window(picture))
        if syntax == HTJ2K:
            ds.PixelData = encapsulate([bytes(imagecodecs.htj2k_encode(picture, reversible=True))])
            ds.file_meta.TransferSyntaxUID = syntax
        else:
            ds.compress(syntax, generate_instance_uid=False)
        path = write(ds)
        read_film(path, limits)
        monkeypatch.setattr(Decoder, "is_available", property(lambda _: False))
        with pytest.raises(FilmRejected, match=f"install {package}") as refused:
            read_film(path, limits)
        assert refused.value.kind is ReasonKind.NO_DECODER
        assert syntax.name in str(refused.value)


@pytest.mark.parametrize("photometric", ["RGB", "YBR_FULL"])
def test_grey_stored_as_lossless_colour(limits, write, make_dicom, picture, photometric) -> None:
    """Samples of a lossless stream are colours as the header names them, not as a decoder guesses."""
    eight = (picture >> 4).astype(np.uint8)
    neutral = np.full_like(eight, 128)
    colour = np.stack([eight, eight, eight] if photometric == "RGB" else [eight, neutral, neutral], axis=-1)
    ds = make_dicom(colour, PhotometricInterpretation=photometric)
    ds.PixelData = encapsulate([bytes(imagecodecs.jpeg8_encode(colour, lossless=True, colorspace="UNKNOWN"))])
    ds.file_meta.TransferSyntaxUID = JPEGLosslessSV1
    film = read_film(write(ds), limits)
    assert np.corrcoef(film.pixels.ravel(), eight.ravel())[0, 1] > 0.999
