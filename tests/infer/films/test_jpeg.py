"""Strict decoding of JPEG: against another library's reading of sound files, and of damaged ones that it reads as well.

Pillow is the reference for what a sound stream holds, and shows of each damage that a usual decoder lets it pass.
"""

from __future__ import annotations

import io

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image, JpegPresets
from pydicom import dcmread
from pydicom.encaps import encapsulate
from pydicom.uid import JPEGBaseline8Bit

from raysplay.infer.films.film import Damage, FilmRejected
from raysplay.infer.films.jpeg import DAMAGED, decode_jpeg, read_frame
from raysplay.infer.films.read import read_film
from raysplay.infer.films.torn import torn

Pixels = npt.NDArray[np.uint8]

WRITINGS = {
    "baseline": {},
    "optimised": {"optimize": True},
    "progressive": {"progressive": True},
    "restarts": {"restart_marker_rows": 1},
    "restarts-within-rows": {"restart_marker_blocks": 3},
}


@pytest.fixture(scope="module")
def picture() -> Pixels:
    """Shafts on an uneven ground, 400 rows and 320 columns."""
    rng = np.random.default_rng(11)
    row, column = np.mgrid[:400, :320]
    grey = 20 + 60 * np.exp(-((column - 160) ** 2) / 11000)
    for middle, lean in ((86, 0.1), (160, 0.0), (230, -0.08)):
        grey += 90 * np.exp(-(((column - middle - lean * row) / 13) ** 4)) * (row > 40) * (row < 340)
    return np.clip(grey + rng.normal(0, 1, grey.shape), 0, 255).astype(np.uint8)


def written(picture: Pixels, **options: object) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(picture).save(stream, "JPEG", **{"quality": 85, **options})
    return stream.getvalue()


def usual(content: bytes) -> Pixels:
    """What a usual decoder makes of it."""
    with Image.open(io.BytesIO(content)) as opened:
        return np.asarray(opened)


def strict(content: bytes, limits) -> Pixels:
    return decode_jpeg(content, read_frame(content, limits))


class TestSound:
    @pytest.mark.parametrize("writing", WRITINGS)
    @pytest.mark.parametrize("quality", [15, 50, 85, 100])
    def test_grey(self, limits, picture, writing, quality) -> None:
        content = written(picture, quality=quality, **WRITINGS[writing])
        np.testing.assert_array_equal(strict(content, limits), usual(content))

    @pytest.mark.parametrize("writing", WRITINGS)
    @pytest.mark.parametrize("subsampling", ["4:4:4", "4:2:2", "4:2:0"])
    def test_grey_stored_in_colour(self, limits, picture, writing, subsampling) -> None:
        content = written(np.stack([picture] * 3, axis=2), subsampling=subsampling, **WRITINGS[writing])
        np.testing.assert_array_equal(strict(content, limits), usual(content))

    @pytest.mark.parametrize("side", range(8, 24))
    @pytest.mark.parametrize("ground", [0, 128, 255])
    def test_however_the_last_block_ends(self, limits, picture, side, ground) -> None:
        """Padding of 0 to 7 bits, a last block that is plain, cut off at black or white, or full of noise."""
        for quality in (30, 75, 95, 100):
            for part in (picture[60 : 60 + side, 70 : 70 + side], np.full((side, side), ground, np.uint8)):
                content = written(part, quality=quality)
                np.testing.assert_array_equal(strict(content, limits), usual(content))

    @pytest.mark.parametrize("writing", WRITINGS)
    @pytest.mark.parametrize("behind", [b"\0", b"\0" * 5000, b"\xff\xd8\xff\xe0 a thumbnail", b"made by a camera" * 99])
    def test_bytes_behind_the_end_are_nobodys_concern(self, limits, picture, writing, behind) -> None:
        """Cameras put previews behind the end marker, archives fill up sectors (common practice, no source)."""
        content = written(picture, **WRITINGS[writing])
        np.testing.assert_array_equal(strict(content + behind, limits), usual(content))

    def test_fill_bytes_before_the_end(self, limits, picture) -> None:
        """T.81, B.1.1.2: any marker may be preceded by bytes of ones."""
        content = written(picture)
        np.testing.assert_array_equal(strict(content[:-2] + b"\xff\xff\xff\xd9", limits), usual(content))

    def test_padding_of_zeros(self, limits, picture) -> None:
        """T.81, F.1.2.3 wants ones; encoders that pad with zeros are known (common practice, no source)."""
        for wide in range(40, 152):
            content = written(picture[:64, :wide])
            last = content[-3]
            ones = (~last & 0xFF & -(~last & 0xFF)).bit_length() - 1  # trailing ones: padding, and perhaps data
            for padding in range(1, min(ones, 7) + 1):
                other = content[:-3] + bytes([last >> padding << padding]) + content[-2:]
                if np.array_equal(usual(other), usual(content)):
                    try:
                        decoded = strict(other, limits)
                    except FilmRejected:
                        # Bits of a last code were turned as well; then a usual decoder met the end too early.
                        assert padding > 1
                        continue
                    np.testing.assert_array_equal(decoded, usual(content))

    def test_application_data_are_passed_over(self, limits, picture) -> None:
        content = written(picture)
        segment = b"\xff\xed" + (2000).to_bytes(2, "big") + b"\xff\xd9\xff\xda\xff\xc0" * 333
        np.testing.assert_array_equal(strict(content[:2] + segment + content[2:], limits), usual(content))


class TestDamaged:
    @pytest.mark.parametrize("writing", WRITINGS)
    @pytest.mark.parametrize("share", [0.98, 0.6, 0.3])
    def test_cut_short(self, limits, picture, writing, share) -> None:
        content = written(picture, **WRITINGS[writing])
        cut = content[: int(share * len(content))]
        for damaged in (cut, cut + b"\xff\xd9", cut + b"\0\0"):
            with pytest.raises(FilmRejected, match=DAMAGED):
                strict(damaged, limits)
        usual(cut + b"\xff\xd9")  # this one a usual decoder reads, and fills the rest

    def test_end_marker_missing(self, limits, picture) -> None:
        with pytest.raises(FilmRejected, match=DAMAGED):
            strict(written(picture)[:-2], limits)

    @pytest.mark.parametrize("lost", [8, 16])
    @pytest.mark.parametrize("wide", [8, 16, 40])
    def test_data_behind_the_last_block(self, limits, lost, wide) -> None:
        """As where blocks were lost: here the height in the frame header is that of fewer blocks than were coded.

        Short of some bytes, no decoder speaks of it.
        """
        ground = np.zeros((64, wide), np.uint8)
        ground[:30] = 200
        content = written(ground)
        at = content.index(b"\xff\xc0")
        assert content[at + 5 : at + 7] == (64).to_bytes(2, "big")
        shorter = content[: at + 5] + (64 - lost).to_bytes(2, "big") + content[at + 7 :]
        assert usual(shorter).shape == (64 - lost, wide)
        with pytest.raises(FilmRejected, match=DAMAGED):
            strict(shorter, limits)

    @pytest.mark.parametrize("writing", ["baseline", "optimised", "progressive"])  # restarts confine damage
    def test_single_bits(self, limits, picture, writing) -> None:
        """Of copies with one bit turned that a usual decoder reads as another picture, nearly none passes as sound."""
        content = written(picture, **WRITINGS[writing])
        sound = usual(content).astype(int)
        rng = np.random.default_rng(3)
        start = content.index(b"\xff\xda") + 12
        other: list[float] = []
        passed: list[float] = []
        for _ in range(150):
            at = int(rng.integers(start, len(content) - 2))
            damaged = content[:at] + bytes([content[at] ^ 1 << int(rng.integers(8))]) + content[at + 1 :]
            try:
                changed = float((np.abs(usual(damaged) - sound) > 8).mean())
            except OSError:
                continue
            if changed <= 0.05:
                continue
            other.append(changed)
            try:
                frame = read_frame(damaged, limits)
                pixels = decode_jpeg(damaged, frame)
            except FilmRejected:
                continue
            if not torn(pixels, frame.unit_rows, frame.level):
                passed.append(changed)
        assert len(other) >= 15
        assert len(passed) <= len(other) / 20
        assert max(passed, default=0.0) < max(other)

    @pytest.mark.parametrize(
        ("change", "reason"),
        [
            (lambda content: content.replace(b"\xff\xda", b"\xff\xda" * 2, 1), DAMAGED),
            (lambda content: content[: content.index(b"\xff\xda")] + b"\xff\xd9", DAMAGED),
            (lambda content: content[:2] + b"\xff\xd9", DAMAGED),
            (lambda content: content[:2], DAMAGED),
            (lambda content: content[:2] + b"\xff" * 5000, DAMAGED),
            (lambda content: content[:2] + b"\xff\xe0\xff\xff" + content[2:], DAMAGED),
            # T.81, B.2.4.1: steps of quantisation are 1 to 255. The eighth one set to 0:
            (
                lambda content: (
                    content[: content.index(b"\xff\xdb") + 12] + b"\0" + content[content.index(b"\xff\xdb") + 13 :]
                ),
                DAMAGED,
            ),
            (lambda content: content.replace(b"\xff\xc0\x00\x0b\x08", b"\xff\xc0\x00\x0b\x0c"), "12 bits"),
        ],
    )
    def test_headers(self, limits, picture, change, reason) -> None:
        with pytest.raises(FilmRejected, match=reason):
            strict(change(written(picture)), limits)

    def test_very_many_scans(self, limits, picture) -> None:
        """Each, of a few bytes, goes over the whole picture (libjpeg-turbo, "Two Issues with the JPEG Standard")."""
        content = written(picture, progressive=True)
        last = content[content.rindex(b"\xff\xda") : -2]
        with pytest.raises(FilmRejected, match="more than 100 scans"):
            read_frame(content[:-2] + last * 120 + b"\xff\xd9", limits)


class TestTables:
    """Bytes of tables that a decoder can do with, but which give every block of the picture another look."""

    @staticmethod
    def _changed(content: bytes, marker: bytes, place: int, value: int) -> bytes:
        at = content.index(marker) + 4 + place
        return content[:at] + bytes([value]) + content[at + 1 :]

    @pytest.mark.parametrize("quality", range(1, 101, 3))
    def test_tables_of_the_independent_jpeg_group(self, limits, picture, quality) -> None:
        for colour in (picture[:40, :40], np.stack([picture[:40, :40]] * 3, axis=2)):
            for writing in ("baseline", "optimised", "progressive"):
                assert not read_frame(written(colour, quality=quality, **WRITINGS[writing]), limits).odd_tables

    @pytest.mark.parametrize("preset", sorted(JpegPresets.presets))
    def test_tables_of_other_programs(self, limits, picture, preset) -> None:
        """As Pillow knows them by name."""
        content = written(np.stack([picture[:40, :40]] * 3, axis=2), quality=preset, subsampling=0)
        assert not read_frame(content, limits).odd_tables

    @pytest.mark.parametrize(("place", "more"), [(2, 64), (5, 128), (12, 32), (20, 64), (33, 128)])
    def test_a_step_that_stands_out(self, limits, tmp_path, picture, place, more) -> None:
        """Bits of steps turned: read by the network, such copies of three films moved angles by 1.0 to 1.9 degrees."""
        content = written(picture)
        step = content[content.index(b"\xff\xdb") + 5 + place]
        path = tmp_path / "film.jpg"
        path.write_bytes(self._changed(content, b"\xff\xdb", 1 + place, step | more))
        usual(path.read_bytes())
        assert read_film(path, limits).damage is Damage.TABLES

    def test_a_symbol_with_two_codes(self, limits, tmp_path, picture) -> None:
        """Of the AC table, the symbol for 37 becomes that for 53, which the table of T.81, K.5 holds already."""
        content = written(picture)
        table = content.index(b"\xff\xc4", content.index(b"\xff\xc4") + 2)
        symbols = content[table + 21 : table + 21 + 162]
        assert len(set(symbols)) == 162
        at = table + 21 + symbols.index(0x25)
        path = tmp_path / "film.jpg"
        path.write_bytes(content[:at] + b"\x35" + content[at + 1 :])
        assert read_film(path, limits).damage is Damage.TABLES

    def test_order_of_a_table(self, limits, picture) -> None:
        """Pillow lays tables out by rows; the first step gives the level of the means."""
        for quality in (10, 60):
            content = written(picture, quality=quality)
            with Image.open(io.BytesIO(content)) as opened:
                assert read_frame(content, limits).level == opened.quantization[0][0] / 8


class TestFiles:
    def test_damaged_file_is_refused(self, limits, tmp_path, picture) -> None:
        content = written(picture)
        path = tmp_path / "film.jpg"
        path.write_bytes(content[: int(0.6 * len(content))] + b"\xff\xd9")
        with pytest.raises(FilmRejected, match=DAMAGED):
            read_film(path, limits)

    def test_the_same_inside_dicom(self, limits, write, make_dicom, picture) -> None:
        content = written(picture)
        ds = make_dicom(picture, TransferSyntaxUID=JPEGBaseline8Bit, PixelData=encapsulate([content]))
        film = read_film(write(ds), limits)
        np.testing.assert_array_equal(dcmread(write(ds)).pixel_array, usual(content))
        assert film.damage is None
        for damaged in (content[: int(0.6 * len(content))] + b"\xff\xd9", content[:-2]):
            ds.PixelData = encapsulate([damaged])
            with pytest.raises(FilmRejected, match=DAMAGED):
                read_film(write(ds), limits)

    def test_colour_inside_dicom(self, limits, write, make_dicom, picture) -> None:
        content = written(np.stack([picture] * 3, axis=2))
        ds = make_dicom(
            np.stack([picture] * 3, axis=2),
            TransferSyntaxUID=JPEGBaseline8Bit,
            PhotometricInterpretation="YBR_FULL_422",
            PixelData=encapsulate([content]),
        )
        assert read_film(write(ds), limits).pixels.shape == picture.shape
        ds.PixelData = encapsulate([content[: int(0.6 * len(content))] + b"\xff\xd9"])
        with pytest.raises(FilmRejected, match=DAMAGED):
            read_film(write(ds), limits)
