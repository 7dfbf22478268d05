"""PNG, JPEG, TIFF written by reference libraries (Pillow, tifffile) and read back."""

from __future__ import annotations

import zlib
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import tifffile
from PIL import Image

from raysplay.infer.films.film import FilmRejected, SpacingKind
from raysplay.infer.films.loading import Loading
from raysplay.infer.films.read import read_film
from raysplay.infer.films.remark import RemarkKind
from raysplay.infer.films.settings import FilmLimits

Pixels = npt.NDArray[np.uint8]


@pytest.fixture(scope="module")
def grey8() -> Pixels:
    """Bright disc on a dark ground, off centre, 80 rows and 60 columns."""
    row, column = np.mgrid[:80, :60]
    disc = np.clip(1.0 - ((row - 50) ** 2 + (column - 22) ** 2) / 500.0, 0.0, 1.0)
    return (10 + 230 * disc).astype(np.uint8)


def _save(picture: Image.Image, path: Path, **options: object) -> Path:
    picture.save(path, **options)
    return path


class TestGrey:
    @pytest.mark.parametrize("suffix", ["png", "tif"])
    def test_lossless_8_bit_comes_back_exactly(self, limits: FilmLimits, tmp_path, grey8, suffix) -> None:
        film = read_film(_save(Image.fromarray(grey8), tmp_path / f"a.{suffix}"), limits)
        np.testing.assert_allclose(film.pixels, grey8 / 255.0, atol=1e-6)
        assert film.pixels.dtype == np.float32

    def test_jpeg(self, limits, tmp_path, grey8) -> None:
        film = read_film(_save(Image.fromarray(grey8), tmp_path / "a.jpg", quality=95), limits)
        assert np.abs(film.pixels - grey8 / 255.0).max() < 0.04

    def test_extension_does_not_matter(self, limits, tmp_path, grey8) -> None:
        path = _save(Image.fromarray(grey8), tmp_path / "a.png").rename(tmp_path / "a.dcm")
        np.testing.assert_allclose(read_film(path, limits).pixels, grey8 / 255.0, atol=1e-6)

    @pytest.mark.parametrize("suffix", ["png", "tif"])
    def test_16_bit_is_stretched_between_percentiles(self, limits, tmp_path, grey8, suffix) -> None:
        wide = grey8.astype(np.uint16) * 16
        film = read_film(_save(Image.fromarray(wide), tmp_path / f"a.{suffix}"), limits)
        low, high = np.percentile(wide, (0.5, 99.5))
        np.testing.assert_allclose(film.pixels, np.clip((wide - low) / (high - low), 0, 1), atol=0.01)
        assert any(remark.kind is RemarkKind.WINDOW_GUESSED for remark in film.remarks)

    @pytest.mark.parametrize("byteorder", ["<", ">"])
    @pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
    def test_tiff_whose_zero_is_white(self, limits, tmp_path, grey8, dtype, byteorder) -> None:
        """TIFF 6.0, PhotometricInterpretation 0 (WhiteIsZero)."""
        negative = np.iinfo(dtype).max - grey8.astype(dtype)
        path = tmp_path / "a.tif"
        tifffile.imwrite(path, negative, photometric="miniswhite", byteorder=byteorder)
        try:
            film = read_film(path, limits)
        except FilmRejected:
            # Pillow knows no big-endian 16-bit variant of it: a refusal, never a wrong picture.
            assert (dtype, byteorder) == (np.uint16, ">")
            return
        assert np.corrcoef(film.pixels.ravel(), grey8.ravel().astype(float))[0, 1] > 0.99

    def test_palette(self, limits, tmp_path, grey8) -> None:
        picture = Image.fromarray(grey8).convert("RGB").quantize(256)
        film = read_film(_save(picture, tmp_path / "a.png"), limits)
        assert np.abs(film.pixels - grey8 / 255.0).max() < 0.06

    def test_transparent_parts_are_black(self, limits, tmp_path, grey8) -> None:
        alpha = np.full(grey8.shape, 255, np.uint8)
        alpha[:, 40:] = 0
        picture = Image.merge("LA", [Image.fromarray(grey8), Image.fromarray(alpha)])
        film = read_film(_save(picture, tmp_path / "a.png"), limits)
        np.testing.assert_allclose(film.pixels[:, :40], grey8[:, :40] / 255.0, atol=1e-6)
        assert film.pixels[:, 40:].max() == 0
        assert any("transparent" in remark.text for remark in film.remarks)

    @pytest.mark.parametrize("orientation", range(1, 9))
    def test_exif_orientation(self, limits, tmp_path, grey8, orientation) -> None:
        """EXIF 2.32, tag 274: where row 0 and column 0 of the stored picture belong."""
        stored = {
            1: grey8,
            2: grey8[:, ::-1],
            3: grey8[::-1, ::-1],
            4: grey8[::-1],
            5: grey8.T,
            6: np.rot90(grey8, 1),
            7: np.rot90(grey8, 2).T,
            8: np.rot90(grey8, -1),
        }[orientation]
        exif = Image.Exif()
        exif[274] = orientation
        path = _save(Image.fromarray(np.ascontiguousarray(stored)), tmp_path / "a.png", exif=exif)
        film = read_film(path, limits)
        np.testing.assert_allclose(film.pixels, grey8 / 255.0, atol=1e-6)
        assert any("EXIF" in remark.text for remark in film.remarks) == (orientation != 1)

    def test_resolution_tags_are_not_millimetres(self, limits, tmp_path, grey8) -> None:
        film = read_film(_save(Image.fromarray(grey8), tmp_path / "a.png", dpi=(254, 254)), limits)
        assert film.spacing.kind is SpacingKind.UNKNOWN
        assert film.spacing.row_mm is None
        assert (film.laterality, film.view, film.loading) == (None, None, Loading.UNKNOWN)
        assert any("no trustworthy pixel spacing" in remark.text for remark in film.remarks)


class TestResolution:
    """Tags that differ along columns and rows: TIFF 6.0 (282, 283), JFIF 1.02 (densities), PNG (pHYs)."""

    @pytest.mark.parametrize(
        ("suffix", "dpi", "aspect"),
        [
            ("tif", (300, 600), 0.5),
            ("jpg", (300, 254), 300 / 254),
            ("png", (300, 254), 300 / 254),
            ("tif", (300, 300), 1.0),
            ("png", (300, 301), 1.0),
            ("jpg", (72, 72), 1.0),
        ],
    )
    def test_their_ratio_is_the_shape_of_a_pixel(self, limits, tmp_path, grey8, suffix, dpi, aspect) -> None:
        """More dots along than down: columns lie closer than rows."""
        film = read_film(_save(Image.fromarray(grey8), tmp_path / f"a.{suffix}", dpi=dpi), limits)
        assert film.spacing.aspect == pytest.approx(aspect, rel=1e-3)
        assert film.spacing.row_mm is None
        assert not film.spacing.shape_confirmed
        assert any("not square" in remark.text for remark in film.remarks) == (aspect != 1.0)

    @pytest.mark.parametrize("suffix", ["jpg", "png"])
    def test_without_a_unit_they_state_the_shape_alone(self, limits, tmp_path, grey8, suffix) -> None:
        """JFIF 1.02: units 0 means that the densities are an aspect ratio; PNG pHYs: unit 0, the same."""
        path = _save(Image.fromarray(grey8), tmp_path / f"a.{suffix}", dpi=(254, 254))
        content = path.read_bytes()
        if suffix == "jpg":
            at = content.index(b"JFIF\0") + 7
            content = content[:at] + bytes([0, 0, 4, 0, 3]) + content[at + 5 :]
        else:
            at = content.index(b"pHYs")
            chunk = b"pHYs" + (4).to_bytes(4, "big") + (3).to_bytes(4, "big") + b"\0"
            content = content[:at] + chunk + zlib.crc32(chunk).to_bytes(4, "big") + content[at + 17 :]
        path.write_bytes(content)
        assert read_film(path, limits).spacing.aspect == pytest.approx(4 / 3)

    @pytest.mark.parametrize(("orientation", "aspect"), [(1, 0.5), (3, 0.5), (6, 2.0), (8, 2.0)])
    def test_it_turns_with_the_picture(self, limits, tmp_path, grey8, orientation, aspect) -> None:
        exif = Image.Exif()
        exif[274] = orientation
        film = read_film(_save(Image.fromarray(grey8), tmp_path / "a.png", dpi=(300, 600), exif=exif), limits)
        assert film.spacing.aspect == pytest.approx(aspect, rel=1e-3)

    @pytest.mark.parametrize("dpi", [(0, 300), (300, 0), (0, 0)])
    def test_nonsense_is_nothing(self, limits, tmp_path, grey8, dpi) -> None:
        tifffile.imwrite(tmp_path / "a.tif", grey8, resolution=dpi)
        assert read_film(tmp_path / "a.tif", limits).spacing.aspect == 1.0


class TestColour:
    def test_grey_stored_in_colour_is_converted(self, limits, tmp_path, grey8) -> None:
        film = read_film(_save(Image.fromarray(grey8).convert("RGB"), tmp_path / "a.jpg"), limits)
        assert np.abs(film.pixels - grey8 / 255.0).max() < 0.06
        assert "a grey picture stored in colour was converted" in [remark.text for remark in film.remarks]

    @pytest.mark.parametrize("mode", ["RGB", "CMYK"])
    def test_photograph_is_refused(self, limits, tmp_path, mode) -> None:
        noise = np.random.default_rng(0).integers(0, 256, (60, 60, 3), dtype=np.uint8)
        path = _save(Image.fromarray(noise).convert(mode), tmp_path / "a.jpg")
        with pytest.raises(FilmRejected, match="colour picture"):
            read_film(path, limits)


class TestPolarityOfPictures:
    def test_negative_is_turned_back_with_a_remark(self, limits, tmp_path, grey8) -> None:
        large = np.asarray(Image.fromarray(grey8).resize((240, 320)))
        film = read_film(_save(Image.fromarray(255 - large), tmp_path / "a.png"), limits)
        np.testing.assert_allclose(film.pixels, large / 255.0, atol=1e-6)
        assert any(remark.kind is RemarkKind.INVERTED for remark in film.remarks)


class TestRefused:
    @pytest.mark.parametrize("suffix", ["png", "jpg", "tif"])
    @pytest.mark.parametrize("share", [0.9, 0.5, 0.1])
    def test_truncated(self, limits, tmp_path, suffix, share) -> None:
        noise = np.random.default_rng(0).integers(0, 256, (90, 90), dtype=np.uint8)
        path = _save(Image.fromarray(noise), tmp_path / f"a.{suffix}")
        content = path.read_bytes()
        path.write_bytes(content[: int(share * len(content))])
        with pytest.raises(FilmRejected, match="truncated or damaged"):
            read_film(path, limits)

    def test_several_pages(self, limits, tmp_path, grey8) -> None:
        page = Image.fromarray(grey8)
        path = _save(page, tmp_path / "a.tif", save_all=True, append_images=[page, page])
        with pytest.raises(FilmRejected, match="several pages"):
            read_film(path, limits)

    @pytest.mark.parametrize("dtype", [np.float32, np.int32])
    def test_other_sample_formats(self, limits, tmp_path, dtype) -> None:
        tifffile.imwrite(tmp_path / "a.tif", np.ones((40, 40), dtype))
        with pytest.raises(FilmRejected, match=r"32-bit|floating"):
            read_film(tmp_path / "a.tif", limits)

    def test_bilevel(self, limits, tmp_path, grey8) -> None:
        with pytest.raises(FilmRejected, match="black and white"):
            read_film(_save(Image.fromarray(grey8).convert("1"), tmp_path / "a.png"), limits)

    def test_blank(self, limits, tmp_path) -> None:
        with pytest.raises(FilmRejected, match="same value"):
            read_film(_save(Image.new("L", (50, 50), 9), tmp_path / "a.png"), limits)
