"""Pixel spacing of a DICOM film with what it may be trusted for (PS3.3, 10.7)."""

from __future__ import annotations

import math

from pydicom.dataset import Dataset

from raysplay.infer.films.film import Spacing, SpacingKind

_PLAUSIBLE_MM = (0.01, 2.0)
_SAME = 1e-3
"""Relative difference below which two stated spacings count as the same value."""

Pair = tuple[float, float]


def read_spacing(ds: Dataset) -> tuple[Spacing, tuple[str, ...]]:
    """Spacing stated by ``ds`` and remarks on whatever is missing or in conflict.

    Values stand in the order row spacing, column spacing (PS3.3, 10.7.1.3). Pixel Spacing that equals
    Imager Pixel Spacing is uncalibrated; Pixel Spacing that differs is corrected or calibrated; Pixel
    Spacing that stands alone without a calibration type cannot be told apart (PS3.3, 10.7.1.1), so its
    millimetres are withheld and only the aspect is kept.
    """
    remarks: list[str] = []
    patient = _pair(ds, "PixelSpacing", remarks)
    imager = _pair(ds, "ImagerPixelSpacing", remarks)
    scanned = _pair(ds, "NominalScannedPixelSpacing", remarks)
    calibration = str(ds.get("PixelSpacingCalibrationType") or "").strip().upper()
    factor = _magnification(ds, remarks)

    if imager and scanned and not _same(imager, scanned):
        remarks.append("Imager Pixel Spacing and Nominal Scanned Pixel Spacing disagree")
    plain, plain_kind = (imager, SpacingKind.DETECTOR_PLANE) if imager else (scanned, SpacingKind.SCANNED_NOMINAL)

    if patient and plain and _same(patient, plain):
        if calibration:
            remarks.append(f"calibration type {_known(calibration)} stated, but Pixel Spacing is uncorrected")
        patient = None
    if patient:
        if plain:
            _compare(patient, plain, factor, remarks)
        if calibration == "FIDUCIAL":
            spacing = _spacing(patient, SpacingKind.FIDUCIAL)
        elif calibration == "GEOMETRY":
            spacing = _spacing(patient, SpacingKind.GEOMETRY)
        elif plain:
            remarks.append("Pixel Spacing was corrected, but the file does not say how")
            spacing = _spacing(patient, SpacingKind.GEOMETRY)
        else:
            remarks.append(
                "Pixel Spacing without calibration type: magnified or corrected is unknown, lengths withheld"
            )
            spacing = Spacing(aspect=patient[0] / patient[1])
    elif plain and imager and factor is not None and not math.isclose(factor, 1.0):
        remarks.append(f"spacing corrected by the stated magnification factor {factor:g}")
        spacing = _spacing((plain[0] / factor, plain[1] / factor), SpacingKind.GEOMETRY)
    elif plain:
        if plain_kind is SpacingKind.DETECTOR_PLANE:
            remarks.append("spacing holds at the detector: lengths are magnified by an unknown few percent")
        else:
            remarks.append("spacing is the nominal pitch of a film scanner")
        spacing = _spacing(plain, plain_kind)
    else:
        aspect = _aspect_ratio(ds)
        remarks.append(
            "no pixel spacing: lengths withheld"
            + (", pixels taken as square" if aspect is None else ", pixel aspect ratio used")
        )
        spacing = Spacing(aspect=aspect or 1.0)
    if not math.isclose(spacing.aspect, 1.0, rel_tol=_SAME):
        remarks.append(f"pixels are not square (row spacing / column spacing {spacing.aspect:.4g})")
    return spacing, tuple(remarks)


def _spacing(pair: Pair, kind: SpacingKind) -> Spacing:
    return Spacing(row_mm=pair[0], column_mm=pair[1], kind=kind, aspect=pair[0] / pair[1])


def _same(a: Pair, b: Pair) -> bool:
    return all(math.isclose(x, y, rel_tol=_SAME) for x, y in zip(a, b, strict=True))


def _known(calibration: str) -> str:
    return calibration if calibration in ("FIDUCIAL", "GEOMETRY") else "of an undefined kind"


def _pair(ds: Dataset, keyword: str, remarks: list[str]) -> Pair | None:
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
        remarks.append(f"{name} is not a pair of numbers and was ignored")
        return None
    low, high = _PLAUSIBLE_MM
    if not (low <= row <= high and low <= column <= high):
        remarks.append(f"{name} is implausible and was ignored")
        return None
    return row, column


def _magnification(ds: Dataset, remarks: list[str]) -> float | None:
    try:
        value = ds.get("EstimatedRadiographicMagnificationFactor")
        if value is None or value == "":
            return None
        factor = float(value)
    except Exception:
        factor = math.nan
    if not 1.0 <= factor <= 2.0:
        remarks.append("Estimated Radiographic Magnification Factor is implausible and was ignored")
        return None
    return factor


def _compare(patient: Pair, plain: Pair, factor: float | None, remarks: list[str]) -> None:
    """Bones lie between tube and detector, so a corrected spacing is smaller, alike in both directions."""
    ratios = (plain[0] / patient[0], plain[1] / patient[1])
    if not math.isclose(*ratios, rel_tol=0.01):
        remarks.append("spacing values disagree on the shape of a pixel")
    if min(ratios) < 1.0 - _SAME or max(ratios) > 2.0:
        remarks.append(f"spacing values in conflict: they imply a magnification of {ratios[0]:.3g}")
    elif factor is not None and not math.isclose(ratios[0], factor, rel_tol=0.01):
        remarks.append(f"spacing values imply a magnification of {ratios[0]:.3g}, the file states {factor:g}")


def _aspect_ratio(ds: Dataset) -> float | None:
    """Pixel Aspect Ratio: vertical size over horizontal size of a pixel (PS3.3, C.7.6.3.1.7)."""
    try:
        vertical, horizontal = (float(part) for part in ds.PixelAspectRatio)
        ratio = vertical / horizontal
    except Exception:
        return None
    return ratio if 0.1 <= ratio <= 10 else None
