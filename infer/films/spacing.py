"""Pixel spacing of a DICOM film with what it may be trusted for (PS3.3, 10.7), and the shape of its pixels."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, replace

from pydicom.dataset import Dataset
from pydicom.multival import MultiValue

from raysplay.infer.films.film import Spacing, SpacingKind
from raysplay.infer.films.remark import Remark, RemarkKind

_PLAUSIBLE_MM = (0.01, 2.0)
_SAME = 1e-3
"""Relative difference below which two stated spacings count as the same value."""
_SAME_SHAPE = 0.01
"""Relative difference below which two statements give the same shape of a pixel."""

Pair = tuple[float, float]


def read_spacing(ds: Dataset, unreadable: Collection[str] = ()) -> tuple[Spacing, tuple[Remark, ...]]:
    """Spacing stated by ``ds`` and remarks on whatever is missing or in conflict.

    Values stand in the order row spacing, column spacing (PS3.3, 10.7.1.3). Pixel Spacing that equals
    Imager Pixel Spacing is uncalibrated; Pixel Spacing that differs is corrected or calibrated; Pixel
    Spacing that stands alone without a calibration type cannot be told apart (PS3.3, 10.7.1.1), so its
    millimetres are withheld and only the aspect is kept.

    Pixels that are not square bend angles, so their shape wants a second witness. The three spacings and Pixel Aspect
    Ratio are one: exporters copy and compute them from each other, and what is wrong in one is wrong in all. The size
    of the field of view in mm over the number of rows and columns is another, since no spacing goes into it.

    Parameters
    ----------
    ds : Dataset
    unreadable : collection of str
        Names of attributes that could not be read.

    Returns
    -------
    spacing : Spacing
    remarks : tuple of Remark
        Without text of the header.
    """
    remarks: list[Remark] = []
    stated = _read_stated(ds, remarks)
    if stated.patient and stated.plain:
        _compare(stated.patient, stated.plain, stated.factor, remarks)
    spacing = _calibrated(stated, remarks) or _uncorrected(stated, remarks) or _shape_alone(stated, remarks)
    if stated.silent and (_says_something(ds, "PixelAspectRatio") or "PixelAspectRatio" in unreadable):
        # It is only required where pixels are not square (PS3.3, C.7.6.3.1.7).
        said = "the shape of a pixel is stated, but cannot be read: pixels taken as square"
        _note(remarks, said, RemarkKind.PIXEL_SHAPE)
    return _shape_witnessed(ds, spacing, stated, remarks), tuple(remarks)


@dataclass(frozen=True)
class _Stated:
    """What a file says of the size of its pixels, implausible values left out.

    Attributes
    ----------
    patient : (float, float) or None
        Pixel Spacing, mm, where it is not just the uncorrected one again.
    imager, scanned : (float, float) or None
        At the detector, and of a film scanner; mm.
    ratio : float or None
        Pixel Aspect Ratio, row over column.
    calibration : str
        Pixel Spacing Calibration Type, in capitals.
    factor : float or None
        Estimated Radiographic Magnification Factor.
    """

    patient: Pair | None
    imager: Pair | None
    scanned: Pair | None
    ratio: float | None
    calibration: str
    factor: float | None

    @property
    def plain(self) -> Pair | None:
        """The uncorrected spacing."""
        return self.imager or self.scanned

    @property
    def silent(self) -> bool:
        """Whether nothing tells even the shape of a pixel."""
        return not (self.patient or self.plain or self.ratio)


def _read_stated(ds: Dataset, remarks: list[Remark]) -> _Stated:
    patient = _pair(ds, "PixelSpacing", remarks)
    imager = _pair(ds, "ImagerPixelSpacing", remarks)
    scanned = _pair(ds, "NominalScannedPixelSpacing", remarks)
    calibration = str(ds.get("PixelSpacingCalibrationType") or "").strip().upper()
    factor = _magnification(ds, remarks)
    if imager and scanned and not _same(imager, scanned):
        _note(remarks, "Imager Pixel Spacing and Nominal Scanned Pixel Spacing disagree")
    plain = imager or scanned
    if patient and plain and _same(patient, plain):
        if calibration:
            _note(remarks, f"calibration type {_known(calibration)} stated, but Pixel Spacing is uncorrected")
        patient = None
    return _Stated(patient, imager, scanned, _aspect_ratio(ds), calibration, factor)


def _calibrated(stated: _Stated, remarks: list[Remark]) -> Spacing | None:
    """By Pixel Spacing, as far as the file says how it was corrected; None where there is none of its own."""
    if stated.patient is None:
        return None
    if stated.calibration == "FIDUCIAL":
        return _spacing(stated.patient, SpacingKind.FIDUCIAL)
    if stated.calibration != "GEOMETRY" and stated.plain:
        _note(remarks, "Pixel Spacing was corrected, but the file does not say how")
    if stated.calibration == "GEOMETRY" or stated.plain:
        return _spacing(stated.patient, SpacingKind.GEOMETRY)
    _note(remarks, "Pixel Spacing without calibration type: magnified or corrected is unknown, lengths withheld")
    return Spacing(aspect=stated.patient[0] / stated.patient[1])


def _uncorrected(stated: _Stated, remarks: list[Remark]) -> Spacing | None:
    """By the spacing at the detector or of the scanner; None where there is neither."""
    factor = stated.factor
    if stated.imager and factor is not None and not math.isclose(factor, 1.0):
        _note(remarks, f"spacing corrected by the stated magnification factor {factor:g}")
        row, column = stated.imager
        return _spacing((row / factor, column / factor), SpacingKind.GEOMETRY)
    if stated.imager:
        _note(remarks, "spacing holds at the detector: lengths are magnified by an unknown few percent")
        return _spacing(stated.imager, SpacingKind.DETECTOR_PLANE)
    if stated.scanned:
        _note(remarks, "spacing is the nominal pitch of a film scanner")
        return _spacing(stated.scanned, SpacingKind.SCANNED_NOMINAL)
    return None


def _shape_alone(stated: _Stated, remarks: list[Remark]) -> Spacing:
    words = "pixels taken as square" if stated.ratio is None else "pixel aspect ratio used"
    _note(remarks, f"no pixel spacing: lengths withheld, {words}")
    return Spacing(aspect=stated.ratio or 1.0)


def _shape_witnessed(ds: Dataset, spacing: Spacing, stated: _Stated, remarks: list[Remark]) -> Spacing:
    """The spacing, marked where a second witness confirms pixels that are not square; remarks on their shape."""
    pairs = (stated.patient, stated.imager, stated.scanned)
    shapes = [pair[0] / pair[1] for pair in pairs if pair] + ([stated.ratio] if stated.ratio else [])
    if shapes and not math.isclose(min(shapes), max(shapes), rel_tol=_SAME_SHAPE):
        said = f"statements disagree on the shape of a pixel (from {min(shapes):.4g} to {max(shapes):.4g})"
        _note(remarks, said, RemarkKind.PIXEL_SHAPE)
    if math.isclose(spacing.aspect, 1.0, rel_tol=_SAME):
        return spacing
    confirmed = _confirmed(ds, spacing.aspect)
    by_field = ", as the field of view says, too" if confirmed else ""
    _note(remarks, f"pixels are not square (row spacing / column spacing {spacing.aspect:.4g}{by_field})")
    return replace(spacing, shape_confirmed=confirmed)


def _note(remarks: list[Remark], text: str, kind: RemarkKind = RemarkKind.SPACING) -> None:
    remarks.append(Remark(kind, text))


def _spacing(pair: Pair, kind: SpacingKind) -> Spacing:
    return Spacing(row_mm=pair[0], column_mm=pair[1], kind=kind, aspect=pair[0] / pair[1])


def _same(a: Pair, b: Pair) -> bool:
    return all(math.isclose(x, y, rel_tol=_SAME) for x, y in zip(a, b, strict=True))


def _known(calibration: str) -> str:
    return calibration if calibration in ("FIDUCIAL", "GEOMETRY") else "of an undefined kind"


def _pair(ds: Dataset, keyword: str, remarks: list[Remark]) -> Pair | None:
    name = {
        "PixelSpacing": "Pixel Spacing",
        "ImagerPixelSpacing": "Imager Pixel Spacing",
        "NominalScannedPixelSpacing": "Nominal Scanned Pixel Spacing",
    }[keyword]
    try:
        value = ds.get(keyword)
        if value is None or value == "":
            return None
        row, column = (float(part) for part in value)
    except Exception:
        _note(remarks, f"{name} is not a pair of numbers and was ignored")
        return None
    low, high = _PLAUSIBLE_MM
    if not (low <= row <= high and low <= column <= high):
        _note(remarks, f"{name} is implausible and was ignored")
        return None
    return row, column


def _magnification(ds: Dataset, remarks: list[Remark]) -> float | None:
    try:
        value = ds.get("EstimatedRadiographicMagnificationFactor")
        if value is None or value == "":
            return None
        factor = float(value)
    except Exception:
        factor = math.nan
    if not 1.0 <= factor <= 2.0:
        _note(remarks, "Estimated Radiographic Magnification Factor is implausible and was ignored")
        return None
    return factor


def _compare(patient: Pair, plain: Pair, factor: float | None, remarks: list[Remark]) -> None:
    """Bones lie between tube and detector, so a corrected spacing is smaller."""
    ratios = (plain[0] / patient[0], plain[1] / patient[1])
    if min(ratios) < 1.0 - _SAME or max(ratios) > 2.0:
        said = f"spacing values in conflict: they imply a magnification of {ratios[0]:.3g}"
        _note(remarks, said, RemarkKind.SPACING_CONFLICT)
    elif factor is not None and not math.isclose(ratios[0], factor, rel_tol=0.01):
        _note(remarks, f"spacing values imply a magnification of {ratios[0]:.3g}, the file states {factor:g}")


def _aspect_ratio(ds: Dataset) -> float | None:
    """Pixel Aspect Ratio: vertical size over horizontal size of a pixel (PS3.3, C.7.6.3.1.7)."""
    try:
        vertical, horizontal = (float(part) for part in ds.PixelAspectRatio)
        ratio = vertical / horizontal
    except Exception:
        return None
    return ratio if 0.1 <= ratio <= 10 else None


def _says_something(ds: Dataset, keyword: str) -> bool:
    """Whether an attribute holds more than blanks and zeros."""
    value = ds.get(keyword)
    parts = [] if value is None else value if isinstance(value, (list, tuple, MultiValue)) else [value]
    return any(str(part).strip(" 0.") for part in parts)


def _confirmed(ds: Dataset, aspect: float) -> bool:
    """Whether the field of view in mm over the size of the picture gives the same shape of a pixel.

    The order of its two sides is read both ways (row dimension first, PS3.3, C.8.11.4, which devices take for either
    side), so neither of the two may speak for square pixels.
    """
    for keyword in ("FieldOfViewDimensions", "FieldOfViewDimensionsInFloat"):
        try:
            first, second = (float(part) for part in ds[keyword].value)
            rows, columns = int(ds.Rows), int(ds.Columns)
            shapes = [first / rows * columns / second, second / rows * columns / first]
        except Exception:
            continue
        if any(_alike(shape, 1.0) for shape in shapes):
            return False
        if any(_alike(shape, aspect) for shape in shapes):
            return True
    return False


def _alike(a: float, b: float) -> bool:
    return math.isclose(a, b, rel_tol=_SAME_SHAPE)
