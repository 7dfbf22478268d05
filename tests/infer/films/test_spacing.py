"""Spacing and its kind against the rules of DICOM PS3.3, 10.7.1 (and C.7.6.3.1.7 for the aspect ratio)."""

from __future__ import annotations

from typing import Any

import pytest
from pydicom.dataset import Dataset

from raysplay.infer.films.film import SpacingKind
from raysplay.infer.films.remark import RemarkKind
from raysplay.infer.films.spacing import read_spacing

KEYWORDS = {
    "P": "PixelSpacing",
    "I": "ImagerPixelSpacing",
    "N": "NominalScannedPixelSpacing",
    "T": "PixelSpacingCalibrationType",
    "M": "EstimatedRadiographicMagnificationFactor",
    "A": "PixelAspectRatio",
    "F": "FieldOfViewDimensions",
    "G": "FieldOfViewDimensionsInFloat",
    "R": "Rows",
    "C": "Columns",
}


def _read(**values: Any) -> tuple[Any, str]:
    ds = Dataset()
    for short, value in values.items():
        setattr(ds, KEYWORDS[short], value)
    spacing, remarks = read_spacing(ds)
    return spacing, " | ".join(remark.text for remark in remarks)


class TestKind:
    @pytest.mark.parametrize(
        ("values", "kind", "row_mm"),
        [
            # 10.7.1.1: same as Imager Pixel Spacing -> not calibrated
            ({"P": [0.15, 0.15], "I": [0.15, 0.15]}, SpacingKind.DETECTOR_PLANE, 0.15),
            ({"I": [0.15, 0.15]}, SpacingKind.DETECTOR_PLANE, 0.15),
            # 10.7.1.1: different -> corrected or calibrated; 10.7.1.2: which of the two
            ({"P": [0.14, 0.14], "I": [0.15, 0.15], "T": "FIDUCIAL"}, SpacingKind.FIDUCIAL, 0.14),
            ({"P": [0.14, 0.14], "I": [0.15, 0.15], "T": "GEOMETRY"}, SpacingKind.GEOMETRY, 0.14),
            ({"P": [0.14, 0.14], "I": [0.15, 0.15]}, SpacingKind.GEOMETRY, 0.14),
            ({"P": [0.14, 0.14], "T": "FIDUCIAL"}, SpacingKind.FIDUCIAL, 0.14),
            # 10.7.1.1: all three absent -> cannot be determined
            ({"P": [0.14, 0.14]}, SpacingKind.UNKNOWN, None),
            ({}, SpacingKind.UNKNOWN, None),
            # digitised film
            ({"N": [0.1, 0.1]}, SpacingKind.SCANNED_NOMINAL, 0.1),
            ({"P": [0.1, 0.1], "N": [0.1, 0.1]}, SpacingKind.SCANNED_NOMINAL, 0.1),
            ({"P": [0.09, 0.09], "N": [0.1, 0.1], "T": "FIDUCIAL"}, SpacingKind.FIDUCIAL, 0.09),
            # a stated magnification corrects the detector's spacing (common practice of viewers)
            ({"I": [0.15, 0.15], "M": 1.25}, SpacingKind.GEOMETRY, 0.12),
            ({"I": [0.15, 0.15], "M": 1.0}, SpacingKind.DETECTOR_PLANE, 0.15),
        ],
    )
    def test_table(self, values: dict[str, Any], kind: SpacingKind, row_mm: float | None) -> None:
        spacing, _ = _read(**values)
        assert spacing.kind is kind
        assert spacing.row_mm == (None if row_mm is None else pytest.approx(row_mm))
        assert spacing.column_mm == (None if row_mm is None else pytest.approx(row_mm))
        assert spacing.aspect == pytest.approx(1.0)


class TestValueOrder:
    def test_first_value_is_the_row_spacing(self) -> None:
        """The example of figure 10.7.1.3-1: 0.30\\0.25 is row spacing 0.30, column spacing 0.25."""
        spacing, remarks = _read(I=[0.30, 0.25])
        assert (spacing.row_mm, spacing.column_mm) == (0.30, 0.25)
        assert spacing.aspect == pytest.approx(1.2)
        assert "not square" in remarks

    def test_aspect_survives_where_millimetres_are_withheld(self) -> None:
        spacing, remarks = _read(P=[0.30, 0.25])
        assert spacing.row_mm is None
        assert spacing.aspect == pytest.approx(1.2)
        assert "withheld" in remarks

    def test_aspect_ratio_is_vertical_over_horizontal(self) -> None:
        """C.7.6.3.1.7: a pixel 0.30 mm high and 0.25 mm wide has the aspect ratio 6\\5."""
        spacing, remarks = _read(A=[6, 5])
        assert spacing.aspect == pytest.approx(1.2)
        assert "aspect ratio used" in remarks
        assert _read(A=[0, 5])[0].aspect == 1.0


def _kinds(unreadable: tuple[str, ...] = (), **values: Any) -> set[RemarkKind]:
    ds = Dataset()
    for short, value in values.items():
        setattr(ds, KEYWORDS[short], value)
    return {remark.kind for remark in read_spacing(ds, unreadable)[1]}


class TestShapeOfPixels:
    """Which statements confirm or contradict each other; the attributes: C.8.11.4 (field of view), from memory."""

    @pytest.mark.parametrize(
        "values",
        [
            {"P": [0.26, 0.22], "I": [0.26, 0.22]},
            {"P": [0.20, 0.17], "I": [0.26, 0.221], "T": "GEOMETRY"},
            {"I": [0.26, 0.22], "N": [0.26, 0.22]},
            {"I": [0.26, 0.22], "A": [13, 11]},
            {"I": [0.26, 0.22]},
            {"A": [10, 13]},
        ],
    )
    def test_statements_that_are_copied_from_each_other_are_one(self, values: dict[str, Any]) -> None:
        spacing, _ = _read(**values)
        assert abs(spacing.aspect - 1.0) > 0.1
        assert not spacing.shape_confirmed
        assert RemarkKind.PIXEL_SHAPE not in _kinds(**values)

    @pytest.mark.parametrize("field", [{"F": [260, 176]}, {"F": [176, 260]}, {"G": [260.4, 176.2]}])
    def test_the_field_of_view_is_a_second_statement(self, field: dict[str, Any]) -> None:
        """1000 rows at 0.26 mm and 800 columns at 0.22 mm make a field of 260 mm by 176 mm, in either order."""
        spacing, remarks = _read(I=[0.26, 0.22], R=1000, C=800, **field)
        assert spacing.shape_confirmed
        assert "as the field of view says" in remarks

    @pytest.mark.parametrize(
        "field",
        [
            {"F": [220, 176]},  # of square pixels
            {"F": [176, 220]},
            {"F": [430, 350]},  # of the whole detector
            {"F": [260]},
            {"F": [0, 176]},
            {},
        ],
    )
    def test_a_field_of_view_that_says_otherwise_confirms_nothing(self, field: dict[str, Any]) -> None:
        assert not _read(I=[0.26, 0.22], R=1000, C=800, **field)[0].shape_confirmed

    def test_a_field_of_square_pixels_that_fits_by_chance_in_the_wrong_order_confirms_nothing(self) -> None:
        """1087 x 1000 pixels of 0.2 mm: read in the wrong order the field says 1.18, which is what the file says."""
        assert not _read(I=[0.26, 0.22], R=1000, C=1087, G=[200.0, 217.4])[0].shape_confirmed

    @pytest.mark.parametrize(
        "values",
        [
            {"P": [0.14, 0.12], "I": [0.15, 0.15], "T": "GEOMETRY"},
            {"I": [0.22, 0.22], "A": [10, 13]},
            {"I": [0.26, 0.22], "A": [1, 1]},
            {"P": [0.22, 0.22], "A": [10, 13]},
            {"I": [0.26, 0.22], "N": [0.22, 0.22]},
        ],
    )
    def test_contradictions_are_remarked_by_kind(self, values: dict[str, Any]) -> None:
        assert RemarkKind.PIXEL_SHAPE in _kinds(**values)

    @pytest.mark.parametrize("values", [{"A": [0, 5]}, {"A": [5]}, {"A": [1, 100]}])
    def test_a_shape_that_cannot_be_read_is_remarked_by_kind(self, values: dict[str, Any]) -> None:
        """Pixel Aspect Ratio is only required where pixels are not square (C.7.6.3.1.7): its presence is a warning."""
        assert RemarkKind.PIXEL_SHAPE in _kinds(**values)
        assert RemarkKind.PIXEL_SHAPE in _kinds(("PixelAspectRatio",))
        assert RemarkKind.PIXEL_SHAPE not in _kinds(("ImagerPixelSpacing",))
        assert RemarkKind.PIXEL_SHAPE not in _kinds(I=[0.2, 0.2], **values)

    @pytest.mark.parametrize("values", [{"A": [1, 1]}, {"A": [0, 0]}, {"I": [0.2, 0.2], "A": [1, 1]}, {}])
    def test_square_or_nothing_is_neither(self, values: dict[str, Any]) -> None:
        assert RemarkKind.PIXEL_SHAPE not in _kinds(**values)
        assert _read(**values)[0].aspect == 1.0

    def test_a_conflict_of_sizes_has_a_kind_of_its_own(self) -> None:
        assert RemarkKind.SPACING_CONFLICT in _kinds(P=[0.2, 0.2], I=[0.15, 0.15], T="FIDUCIAL")
        assert RemarkKind.SPACING_CONFLICT not in _kinds(P=[0.14, 0.14], I=[0.15, 0.15], T="FIDUCIAL")


class TestConflicts:
    @pytest.mark.parametrize(
        ("values", "words"),
        [
            ({"P": [0.15, 0.15], "I": [0.15, 0.15], "T": "FIDUCIAL"}, "uncorrected"),
            ({"P": [0.2, 0.2], "I": [0.15, 0.15], "T": "FIDUCIAL"}, "in conflict"),
            ({"P": [0.05, 0.05], "I": [0.15, 0.15]}, "in conflict"),
            ({"P": [0.14, 0.12], "I": [0.15, 0.15], "T": "GEOMETRY"}, "shape of a pixel"),
            ({"P": [0.14, 0.14], "I": [0.15, 0.15], "M": 1.25, "T": "GEOMETRY"}, "the file states 1.25"),
            ({"I": [0.15, 0.15], "N": [0.1, 0.1]}, "disagree"),
            ({"P": [0.14, 0.14], "I": [0.15, 0.15]}, "does not say how"),
        ],
    )
    def test_are_remarked(self, values: dict[str, Any], words: str) -> None:
        assert words in _read(**values)[1]

    def test_consistent_values_are_not_remarked(self) -> None:
        spacing, remarks = _read(P=[0.12, 0.12], I=[0.15, 0.15], M=1.25, T="GEOMETRY")
        assert spacing.row_mm == 0.12
        assert remarks == ""


class TestUnusableValues:
    @pytest.mark.parametrize("bad", [[0, 0], [-0.1, 0.1], [0.1], [100.0, 100.0], [1e-9, 1e-9], [0.1, 0.1, 0.1]])
    def test_are_ignored_and_remarked(self, bad: list[float]) -> None:
        spacing, remarks = _read(I=bad)
        assert spacing.kind is SpacingKind.UNKNOWN
        assert "Imager Pixel Spacing" in remarks

    @pytest.mark.parametrize("factor", [0.0, -1.0, 0.5, 40.0])
    def test_implausible_magnification(self, factor: float) -> None:
        spacing, remarks = _read(I=[0.15, 0.15], M=factor)
        assert (spacing.row_mm, spacing.kind) == (0.15, SpacingKind.DETECTOR_PLANE)
        assert "Magnification Factor is implausible" in remarks
