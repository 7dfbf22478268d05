"""Formats by content. Signatures: PNG specification 5.2, ISO/IEC 10918-1 B.1.1.3 (SOI), TIFF 6.0 section 2,
DICOM PS3.10 7.1; real files are those that ship inside pydicom."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from pydicom.data import get_testdata_file

from raysplay.infer.films.sniff import HEAD_BYTES, FileFormat, describe_other, sniff


def _head(name: str) -> bytes:
    path = get_testdata_file(name, download=False)
    assert path is not None
    return Path(str(path)).read_bytes()[:HEAD_BYTES]


class TestDicom:
    @pytest.mark.parametrize("name", ["CT_small.dcm", "MR_small_bigendian.dcm", "image_dfl.dcm", "DICOMDIR"])
    def test_with_preamble(self, name: str) -> None:
        assert sniff(_head(name)) is FileFormat.DICOM

    @pytest.mark.parametrize("name", ["ExplVR_BigEndNoMeta.dcm", "ExplVR_LitEndNoMeta.dcm"])
    def test_without_preamble(self, name: str) -> None:
        assert sniff(_head(name)) is FileFormat.DICOM_BARE

    def test_meta_header_and_implicit_data_set_without_preamble(self) -> None:
        assert sniff(_head("CT_small.dcm")[132:]) is FileFormat.DICOM_BARE
        assert sniff(b"\x08\x00\x05\x00\x0a\x00\x00\x00ISO_IR 100") is FileFormat.DICOM_BARE

    def test_preamble_of_a_tiff_does_not_hide_dicom(self) -> None:
        assert sniff(b"II*\x00" + bytes(124) + b"DICM") is FileFormat.DICOM


class TestPictures:
    @pytest.mark.parametrize("name", ["PNG", "JPEG", "TIFF"])
    def test_as_written_by_a_library(self, name: str) -> None:
        stream = io.BytesIO()
        Image.fromarray(np.zeros((9, 9), np.uint8)).save(stream, format=name)
        assert sniff(stream.getvalue()) is FileFormat[name]

    def test_big_endian_and_big_tiff(self) -> None:
        assert sniff(b"MM\x00*\x00\x00\x00\x08") is FileFormat.TIFF
        assert sniff(b"II+\x00\x08\x00\x00\x00") is FileFormat.TIFF


class TestOthers:
    @pytest.mark.parametrize(
        ("head", "words"),
        [
            (b"", "empty"),
            (bytes(400), "zero bytes"),
            (b"%PDF-1.7\n", "PDF"),
            (b"PK\x03\x04rest", "ZIP"),
            ("Größe des Fußes\n".encode(), "text"),
            (bytes.fromhex("3080 0609 2a864886f70d010703 a080 3080 0201"), "encrypted"),
            (b"-----BEGIN PGP MESSAGE-----\n", "encrypted"),
            (b"Salted__" + bytes(range(200, 250)), "encrypted"),
            (bytes(np.random.default_rng(3).integers(0, 256, 512, dtype=np.uint8)), "damaged, encrypted"),
        ],
    )
    def test_are_named_and_never_taken_for_a_film(self, head: bytes, words: str) -> None:
        assert sniff(head) is None
        assert words in describe_other(head)

    def test_text_that_ends_inside_a_character(self) -> None:
        assert describe_other(("x" + "ß" * 300).encode()[:HEAD_BYTES]) == "a text file"
