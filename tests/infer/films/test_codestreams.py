"""Compressed data that decoders take without a word: short, too long, of another size. Written by pydicom."""

from __future__ import annotations

import numpy as np
import pytest
from pydicom.encaps import encapsulate, get_frame
from pydicom.uid import JPEG2000Lossless, JPEGLSLossless, RLELossless

from raysplay.infer.films.codestreams import CUT_SHORT, OTHER_SIZE, packed_length
from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.read import read_film

SYNTAXES = {"RLE": RLELossless, "JPEG-LS": JPEGLSLossless, "JPEG 2000": JPEG2000Lossless}


@pytest.fixture
def compressed(make_dicom, grey12):
    def make(syntax):
        ds = make_dicom(grey12)
        plugin = {"encoding_plugin": "pylibjpeg"} if syntax == JPEG2000Lossless else {}
        ds.compress(syntax, generate_instance_uid=False, **plugin)
        return ds, get_frame(ds.PixelData, 0, number_of_frames=1)

    return make


@pytest.mark.parametrize("name", SYNTAXES)
def test_sound_streams_pass(limits, write, compressed, make_dicom, grey12, name) -> None:
    ds, stream = compressed(SYNTAXES[name])
    plain = read_film(write(make_dicom(grey12)), limits)
    np.testing.assert_array_equal(read_film(write(ds), limits).pixels, plain.pixels)
    ds.PixelData = encapsulate([stream + b"\0\0"])  # more padding than PS3.5, A.4 asks for
    np.testing.assert_array_equal(read_film(write(ds), limits).pixels, plain.pixels)


@pytest.mark.parametrize("name", SYNTAXES)
@pytest.mark.parametrize("share", [0.9, 0.4])
@pytest.mark.parametrize("end", [b"", b"\xff\xd9"])
def test_short_streams_are_refused(limits, write, compressed, name, share, end) -> None:
    ds, stream = compressed(SYNTAXES[name])
    ds.PixelData = encapsulate([stream[: int(share * len(stream))] + end])
    with pytest.raises(FilmRejected, match=f"{CUT_SHORT}|cannot be decoded"):
        read_film(write(ds), limits)


def test_jpeg_ls_without_its_end_is_not_decoded(limits, write, compressed, monkeypatch) -> None:
    """T.87, C.1.1: a stream ends with EOI. The decoder took 7 to 12 s for a film of 319 x 162 pixels cut before it."""
    from pydicom.pixels.decoders.base import DecodeRunner

    ds, stream = compressed(JPEGLSLossless)
    path = write(ds)
    read_film(path, limits)
    ds.PixelData = encapsulate([stream[: len(stream) // 2]])
    monkeypatch.setattr(DecodeRunner, "decode", lambda *_: pytest.fail("was decoded"))
    with pytest.raises(FilmRejected, match=CUT_SHORT):
        read_film(write(ds), limits)


class TestRunLengths:
    """PS3.5, G.3: a head of 0 to 127 is followed by that many bytes and one, 129 to 255 by one that stands 257 less."""

    @pytest.mark.parametrize(
        ("packed", "length"),
        [
            (b"", 0),
            (b"\x00A", 1),
            (b"\x02ABC", 3),
            (b"\xfeA", 3),
            (b"\x81A", 128),
            (b"\x80", 0),
            # The example of TIFF 6.0, section 9: 15 bytes become 24.
            (bytes.fromhex("FEAA 0280002A FDAA 0380002A22 F7AA"), 24),
            (b"\x02AB", 2),  # cut off
            (b"\xfe", 0),
        ],
    )
    def test_packed_length(self, packed, length) -> None:
        assert packed_length(packed) == length

    @pytest.mark.parametrize("segment", [0, 1])
    @pytest.mark.parametrize("more", [b"\x01AB", b"\xf0A"])
    def test_more_than_the_picture_is_refused(self, limits, write, compressed, segment, more) -> None:
        """A damaged head moves all that follows and leaves bytes over, which the decoder cuts off with a warning."""
        ds, stream = compressed(RLELossless)
        starts = [int.from_bytes(stream[4 * i : 4 * i + 4], "little") for i in (1, 2)]
        at = starts[segment]
        head = bytearray(stream[:64])
        if segment == 0:
            head[8:12] = (starts[1] + len(more)).to_bytes(4, "little")
        ds.PixelData = encapsulate([bytes(head) + stream[64:at] + more + stream[at:]])
        assert ds.pixel_array.shape == (40, 60)  # the library reads it
        with pytest.raises(FilmRejected, match=CUT_SHORT):
            read_film(write(ds), limits)

    @pytest.mark.parametrize("head", [b"\0\0\0\0", b"\x10\0\0\0", b"\x02\0\0\0\x41\0\0\0"])
    def test_impossible_heads(self, limits, write, compressed, head) -> None:
        ds, stream = compressed(RLELossless)
        ds.PixelData = encapsulate([head + stream[len(head) :]])
        with pytest.raises(FilmRejected, match=CUT_SHORT):
            read_film(write(ds), limits)


class TestDeclaredSizes:
    @pytest.mark.parametrize("name", ["JPEG-LS", "JPEG 2000"])
    def test_another_size_than_the_header_says(self, limits, write, compressed, name) -> None:
        ds, _ = compressed(SYNTAXES[name])
        ds.Rows, ds.Columns = ds.Columns, ds.Rows
        with pytest.raises(FilmRejected, match=OTHER_SIZE):
            read_film(write(ds), limits)

    def test_very_many_components(self, limits, write, compressed) -> None:
        """T.800, A.5.1: up to 16,384, each of which takes memory for the whole picture."""
        ds, stream = compressed(JPEG2000Lossless)
        at = stream.index(b"\xff\x51") + 38
        assert stream[at : at + 2] == b"\0\1"
        ds.PixelData = encapsulate([stream[:at] + b"\x40\0" + stream[at + 2 :]])
        with pytest.raises(FilmRejected, match=OTHER_SIZE):
            read_film(write(ds), limits)

    def test_very_many_tiles(self, limits, write, make_dicom) -> None:
        ds = make_dicom(np.random.default_rng(0).integers(0, 4096, (400, 400)).astype(np.uint16))
        ds.compress(JPEG2000Lossless, generate_instance_uid=False, encoding_plugin="pylibjpeg")
        stream = get_frame(ds.PixelData, 0, number_of_frames=1)
        at = stream.index(b"\xff\x51") + 22
        assert stream[at : at + 8] == (400).to_bytes(4, "big") * 2
        ds.PixelData = encapsulate([stream[:at] + (1).to_bytes(4, "big") * 2 + stream[at + 8 :]])
        with pytest.raises(FilmRejected, match=CUT_SHORT):
            read_film(write(ds), limits)
