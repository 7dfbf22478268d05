"""Grey-scale chain: modality LUT, VOI LUT or window, inversion, padding (DICOM PS3.3 C.11 and C.7.6.3)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from pydicom.dataset import Dataset
from pydicom.pixels import apply_modality_lut, apply_voi_lut
from pydicom.uid import DigitalXRayImageStorageForProcessing

from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.greyscale import colour_to_grey, percentile_grey, to_grey

PERCENTILES = (0.5, 99.5)


def _lut(entries: list[int], first: int, bits: int, keyword: str = "VOILUTSequence") -> dict[str, Any]:
    item = Dataset()
    item.LUTDescriptor = [len(entries), first, bits]
    item["LUTDescriptor"].VR = "SS" if first < 0 else "US"
    item.LUTData = entries
    item["LUTData"].VR = "US"
    if keyword == "ModalityLUTSequence":
        item.ModalityLUTType = "US"
    return {keyword: [item]}


class TestWindowAgainstTheReferenceLibrary:
    @pytest.mark.parametrize("function", ["LINEAR", "LINEAR_EXACT", "SIGMOID", None])
    @pytest.mark.parametrize(("slope", "intercept"), [(None, None), (1.0, -1024.0), (0.5, 10.0)])
    def test_pydicom(self, make_dicom, grey12, function, slope, intercept) -> None:
        ds = make_dicom(
            grey12,
            WindowCenter=900.0,
            WindowWidth=1500.0,
            VOILUTFunction=function,
            RescaleSlope=slope,
            RescaleIntercept=intercept,
        )
        lowest, highest = np.array([0.0, 4095.0]) * (slope or 1.0) + (intercept or 0.0)
        shown = apply_voi_lut(apply_modality_lut(grey12, ds), ds)
        film, remarks = to_grey(grey12, ds, PERCENTILES)
        np.testing.assert_allclose(film, (shown - lowest) / (highest - lowest), atol=1e-6)
        assert film.dtype == np.float32
        assert remarks == ()

    def test_signed_pixels(self, make_dicom, grey12) -> None:
        signed = grey12.astype(np.int16) - 2048
        ds = make_dicom(signed, WindowCenter=-100.0, WindowWidth=1800.0)
        film, _ = to_grey(signed, ds, PERCENTILES)
        np.testing.assert_allclose(film, (apply_voi_lut(signed, ds) + 2048) / 4095, atol=1e-6)

    def test_voi_lut(self, make_dicom, grey12) -> None:
        entries = (np.arange(3000) ** 2 / 3000**2 * 4095).astype(int).tolist()
        ds = make_dicom(grey12, **_lut(entries, 500, 12))
        film, remarks = to_grey(grey12, ds, PERCENTILES)
        np.testing.assert_allclose(film, apply_voi_lut(grey12, ds) / 4095, atol=1e-6)
        assert remarks == ()

    def test_modality_lut(self, make_dicom, grey12) -> None:
        entries = np.arange(4096)[::-1].tolist()
        ds = make_dicom(grey12, WindowCenter=2048.0, WindowWidth=4096.0, **_lut(entries, 0, 16, "ModalityLUTSequence"))
        film, _ = to_grey(grey12, ds, PERCENTILES)
        np.testing.assert_allclose(film, apply_voi_lut(apply_modality_lut(grey12, ds), ds) / 65535, atol=1e-6)


class TestWindowAgainstTheStandard:
    def test_linear_formula(self, make_dicom) -> None:
        """C.11.2.1.2.1: c = 2048, w = 4096 maps 0 to black, 4095 to white, linearly between."""
        ramp = np.arange(4096, dtype=np.uint16).reshape(64, 64)
        film, _ = to_grey(ramp, make_dicom(ramp, WindowCenter=2048, WindowWidth=4096), PERCENTILES)
        np.testing.assert_allclose(film.ravel(), np.arange(4096) / 4095, atol=1e-6)

    def test_linear_threshold_of_width_one(self, make_dicom) -> None:
        """C.11.2.1.2.1: c = 2048, w = 1 turns everything below 2048 black and the rest white."""
        ramp = np.arange(4096, dtype=np.uint16).reshape(64, 64)
        film, _ = to_grey(ramp, make_dicom(ramp, WindowCenter=2048, WindowWidth=1), PERCENTILES)
        np.testing.assert_array_equal(film.ravel(), (np.arange(4096) >= 2048).astype(np.float32))

    def test_sigmoid_formula(self, make_dicom) -> None:
        """C.11.2.1.3.1: 1 / (1 + exp(-4 (x - c) / w))."""
        ramp = np.arange(4096, dtype=np.uint16).reshape(64, 64)
        ds = make_dicom(ramp, WindowCenter=1500, WindowWidth=800, VOILUTFunction="SIGMOID")
        film, _ = to_grey(ramp, ds, PERCENTILES)
        x = np.arange(4096.0)
        np.testing.assert_allclose(film.ravel(), 1 / (1 + np.exp(-4 * (x - 1500) / 800)), atol=1e-6)

    def test_first_of_several_windows(self, make_dicom, grey12) -> None:
        several, _ = to_grey(grey12, make_dicom(grey12, WindowCenter=[900, 3000], WindowWidth=[1500, 200]), PERCENTILES)
        first, _ = to_grey(grey12, make_dicom(grey12, WindowCenter=900, WindowWidth=1500), PERCENTILES)
        np.testing.assert_array_equal(several, first)

    def test_voi_lut_clamps_at_both_ends(self, make_dicom) -> None:
        """C.11.2.1.1: below the first value mapped, the first entry; beyond the last, the last entry."""
        ramp = np.arange(4096, dtype=np.uint16).reshape(64, 64)
        film, _ = to_grey(ramp, make_dicom(ramp, **_lut([0, 100, 255], 2000, 8)), PERCENTILES)
        want = np.where(np.arange(4096) <= 2000, 0, np.where(np.arange(4096) == 2001, 100, 255)) / 255
        np.testing.assert_allclose(film.ravel(), want, atol=1e-6)

    def test_long_table_of_8_bit_entries(self, make_dicom) -> None:
        """4096 entries of 8 bits: an index kept in 8 bits would wrap."""
        ramp = np.arange(4096, dtype=np.uint16).reshape(64, 64)
        film, _ = to_grey(ramp, make_dicom(ramp, **_lut((np.arange(4096) // 16).tolist(), 0, 8)), PERCENTILES)
        np.testing.assert_allclose(film.ravel(), np.arange(4096) // 16 / 255, atol=1e-6)


class TestInversion:
    """C.7.6.3.1.2: MONOCHROME1 - the minimum sample value is intended to be displayed as white after any
    VOI gray scale transformations have been performed."""

    WINDOW = {"WindowCenter": 2048, "WindowWidth": 4096}  # noqa: RUF012

    def test_lowest_value_of_monochrome1_is_white(self, make_dicom, grey12) -> None:
        ds = make_dicom(grey12, PhotometricInterpretation="MONOCHROME1", **self.WINDOW)
        film, _ = to_grey(grey12, ds, PERCENTILES)
        assert film[grey12 == grey12.min()].min() == 1.0
        assert film[grey12 == grey12.max()].max() == 0.0

    @pytest.mark.parametrize("attributes", [WINDOW, {}, {"WindowCenter": 700, "WindowWidth": 500}])
    def test_comes_after_the_window_and_once(self, make_dicom, grey12, attributes) -> None:
        straight, _ = to_grey(grey12, make_dicom(grey12, **attributes), PERCENTILES)
        for shape in (None, "INVERSE"):
            ds = make_dicom(grey12, PhotometricInterpretation="MONOCHROME1", PresentationLUTShape=shape, **attributes)
            film, remarks = to_grey(grey12, ds, PERCENTILES)
            np.testing.assert_allclose(film, 1.0 - straight, atol=1e-6)
            assert not any("disagree" in remark.text for remark in remarks)

    @pytest.mark.parametrize(("photometric", "shape"), [("MONOCHROME1", "IDENTITY"), ("MONOCHROME2", "INVERSE")])
    def test_contradiction_is_remarked(self, make_dicom, grey12, photometric, shape) -> None:
        """C.8.11.3 ties INVERSE to MONOCHROME1 and IDENTITY to MONOCHROME2."""
        ds = make_dicom(grey12, PhotometricInterpretation=photometric, PresentationLUTShape=shape, **self.WINDOW)
        film, remarks = to_grey(grey12, ds, PERCENTILES)
        assert any("disagree" in remark.text for remark in remarks)
        assert film[grey12 == 0].min() == 1.0


class TestFallbackWindow:
    @pytest.mark.parametrize(
        ("attributes", "words"),
        [
            ({}, "no window stated"),
            (
                {"WindowCenter": 2048, "WindowWidth": 4096, "PresentationIntentType": "FOR PROCESSING"},
                "FOR PROC",
            ),
            (
                {"WindowCenter": 9, "WindowWidth": 9, "SOPClassUID": DigitalXRayImageStorageForProcessing},
                "FOR P",
            ),
            ({"WindowCenter": 2048, "WindowWidth": 0}, "unusable"),
            ({"WindowCenter": 2048, "WindowWidth": 4096, "VOILUTFunction": "CUBIC"}, "unusable"),
            ({"WindowCenter": 60000, "WindowWidth": 2}, "shows nothing"),
        ],
    )
    def test_percentiles_and_a_remark(self, make_dicom, grey12, attributes, words) -> None:
        film, remarks = to_grey(grey12, make_dicom(grey12, **attributes), PERCENTILES)
        low, high = np.percentile(grey12, PERCENTILES)
        np.testing.assert_allclose(film, np.clip((grey12 - low) / (high - low), 0, 1), atol=0.02)
        assert any(words in remark.text for remark in remarks)

    def test_percentiles_leave_out_padding(self, make_dicom, grey12) -> None:
        pixels = np.full((80, 120), 4000, np.uint16)
        pixels[:40, :60] = np.clip(grey12, 200, 1800)
        film, _ = to_grey(pixels, make_dicom(pixels, PixelPaddingValue=4000), (0.0, 100.0))
        inside = pixels[:40, :60].astype(float)
        np.testing.assert_allclose(film[:40, :60], (inside - 200) / 1600, atol=1e-6)
        assert (film[40:] == 0).all()

    def test_picture_of_one_value_is_refused(self, make_dicom) -> None:
        flat = np.full((20, 20), 77, np.uint16)
        with pytest.raises(FilmRejected, match="same value"):
            to_grey(flat, make_dicom(flat), PERCENTILES)


class TestPadding:
    """C.7.5.1.1.2: pixels of the padding value or in the padding range are not part of the image."""

    @pytest.mark.parametrize("photometric", ["MONOCHROME1", "MONOCHROME2"])
    def test_is_black_whatever_the_photometric_interpretation(self, make_dicom, grey12, photometric) -> None:
        pixels = np.clip(grey12, 10, 4000)
        pixels[:, :9], pixels[:, -9:] = 0, 5
        ds = make_dicom(pixels, PhotometricInterpretation=photometric, PixelPaddingValue=0, PixelPaddingRangeLimit=5)
        film, _ = to_grey(pixels, ds, PERCENTILES)
        assert (film[:, :9] == 0).all()
        assert (film[:, -9:] == 0).all()

    def test_signed_value_for_unsigned_pixels(self, make_dicom, grey12) -> None:
        pixels = grey12.copy()
        pixels[:5] = 0xF830  # -2000
        ds = make_dicom(pixels, BitsStored=16)
        ds.add_new("PixelPaddingValue", "SS", -2000)
        film, _ = to_grey(pixels, ds, PERCENTILES)
        assert (film[:5] == 0).all()
        assert film[5:].max() > 0.9

    def test_padding_everywhere_is_ignored(self, make_dicom, grey12) -> None:
        ds = make_dicom(grey12, PixelPaddingValue=0, PixelPaddingRangeLimit=4095)
        film, remarks = to_grey(grey12, ds, PERCENTILES)
        assert film.max() > 0.9
        assert any("padding value was ignored" in remark.text for remark in remarks)


class TestStoredBits:
    @pytest.mark.parametrize("bits", range(8, 17))
    def test_each_depth_from_8_to_16(self, make_dicom, bits) -> None:
        top = 2**bits - 1
        ramp = np.linspace(0, top, 4096).astype(np.uint8 if bits == 8 else np.uint16).reshape(64, 64)
        ds = make_dicom(ramp, BitsStored=bits, WindowCenter=(top + 1) / 2, WindowWidth=top + 1)
        film, _ = to_grey(ramp, ds, PERCENTILES)
        np.testing.assert_allclose(film, ramp / top, atol=1e-6)

    def test_bits_beyond_the_stored_ones_carry_no_value(self, make_dicom, grey12) -> None:
        """PS3.5, 8.1.1 (for example an embedded overlay of older files)."""
        dirty = grey12 | np.uint16(0x8000)
        window = {"WindowCenter": 2048, "WindowWidth": 4096}
        film, remarks = to_grey(dirty, make_dicom(dirty, **window), PERCENTILES)
        clean, _ = to_grey(grey12, make_dicom(grey12, **window), PERCENTILES)
        np.testing.assert_array_equal(film, clean)
        assert any("bits beyond" in remark.text for remark in remarks)

    def test_signed_12_bit_value_without_sign_extension(self, make_dicom) -> None:
        pixels = np.array([[0x0FFF, 0x0000], [0x0800, 0x07FF]], np.int16)  # -1, 0, -2048, 2047
        film, _ = to_grey(pixels, make_dicom(pixels, WindowCenter=0, WindowWidth=4096), PERCENTILES)
        np.testing.assert_allclose(film, [[2047 / 4095, 2048 / 4095], [0, 1]], atol=1e-6)


class TestColour:
    def test_equal_channels_are_grey(self) -> None:
        grey = np.random.default_rng(1).integers(0, 256, (30, 30), dtype=np.uint8)
        np.testing.assert_array_equal(colour_to_grey(np.stack([grey] * 3, axis=2), 0.1, 0.005), grey)

    def test_middle_channel_outvotes_noise(self) -> None:
        assert colour_to_grey(np.array([[[100, 104, 90]]], np.uint8), 0.1, 0.005)[0, 0] == 100

    def test_small_coloured_stamp_is_let_pass_and_a_photograph_is_not(self) -> None:
        picture = np.full((100, 100, 3), 90, np.uint8)
        picture[:5, :8, 0] = 255
        assert colour_to_grey(picture, 0.1, 0.005) is not None
        picture[:50, :50, 0] = 255
        assert colour_to_grey(picture, 0.1, 0.005) is None

    def test_percentile_stretch_of_a_picture(self) -> None:
        """Against numpy's percentile."""
        pixels = np.random.default_rng(2).normal(3000, 400, (90, 90)).astype(np.uint16)
        low, high = np.percentile(pixels, (1, 99))
        film = percentile_grey(pixels, (1, 99))
        np.testing.assert_allclose(film, np.clip((pixels - low) / (high - low), 0, 1), atol=0.01)
