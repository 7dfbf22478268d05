"""One generated film as a DICOM object: DX for presentation, or CR for storage plates."""

from __future__ import annotations

import uuid
from dataclasses import dataclass

import numpy as np
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.sequence import Sequence
from pydicom.sr.codedict import codes
from pydicom.sr.coding import Code
from pydicom.uid import (
    UID,
    ComputedRadiographyImageStorage,
    DigitalXRayImageStorageForPresentation,
    ExplicitVRLittleEndian,
)

from raysplay.synthetic_data.film.compose import GeneratedFilm, GeneratedFoot
from raysplay.synthetic_data.film.settings import DicomSettings

_NAMESPACE = uuid.UUID("5f0c0b7e-6a53-5d0c-9c3a-2f1d7c1e4b90")
"""Names below it turn into UIDs; drawn once for this generator."""

_VIEW_WORDS = {"dp": "DP", "oblique": "oblique", "lateral": "lateral"}
_VIEW_CODES = {
    "dp": codes.SCT.DorsoplantarProjection,
    "oblique": codes.SCT.ObliqueProjection,
    "lateral": codes.SCT.LateralProjection,
}


@dataclass(frozen=True)
class Writing:
    """How a film is written.

    ``kind`` is ``DX`` or ``CR``; ``low`` and ``high`` are the stored values shown as black and white (before
    MONOCHROME1 turns them round); ``laterality`` is R, L, B or ``None`` for not stated; ``pixel_spacing`` is
    ``none``, ``same`` or ``corrected`` by ``magnification``.
    """

    kind: str
    monochrome1: bool
    bits: int
    low: int
    high: int
    window: bool
    laterality: str | None
    view_position: str
    loading: bool
    imager_spacing: bool
    pixel_spacing: str
    magnification: float


def uid(*parts: object) -> UID:
    """A UID under the root for UUIDs (2.25, PS3.5 B.2) that always stands for the same ``parts``."""
    return UID(f"2.25.{uuid.uuid5(_NAMESPACE, '/'.join(map(str, parts))).int}")


def shown_side(film: GeneratedFilm) -> str | None:
    """R, L, or B where feet of both sides are on the film; ``None`` without a foot."""
    sides = {foot.side for foot in film.feet}
    return "B" if len(sides) == 2 else next(iter(sides), None)


def draw_writing(rng: np.random.Generator, settings: DicomSettings, film: GeneratedFilm) -> Writing:
    """Draw how ``film`` is written."""
    plate = bool(rng.random() < settings.computed_radiography)
    bits = int(rng.choice(settings.bits))
    full = 2**bits - 1
    views = {foot.view for foot in film.feet}
    position = ""
    if views == {"dp"}:
        names = list(settings.dp_view_position)
        position = names[int(rng.choice(len(names), p=[settings.dp_view_position[n] for n in names]))]
    elif len(views) == 1:
        position = {"oblique": "OBLIQUE", "lateral": "LATERAL"}[views.pop()]
    side = shown_side(film)
    kinds = list(settings.pixel_spacing)
    spacing = kinds[int(rng.choice(len(kinds), p=[settings.pixel_spacing[k] for k in kinds]))]
    imager = not (plate and rng.random() < settings.spacing_missing)
    return Writing(
        kind="CR" if plate else "DX",
        monochrome1=bool(rng.random() < settings.monochrome1),
        bits=bits,
        low=int(full * rng.uniform(0, 0.12)),
        high=int(full * rng.uniform(0.7, 1.0)),
        window=not (plate and rng.random() < settings.window_missing),
        laterality=None if plate and rng.random() < settings.laterality_missing else side,
        view_position=position,
        loading=bool(rng.random() < settings.loading_stated),
        imager_spacing=imager,
        pixel_spacing=str(spacing) if imager else "none",
        magnification=round(float(rng.uniform(*settings.magnification)), 3),
    )


def stored_values(film: GeneratedFilm, writing: Writing) -> np.ndarray:
    """Pixels as stored, uint16, so that the window of ``writing`` shows the film as it is."""
    span = writing.high - writing.low
    shown = np.rint(film.pixels.astype(np.float64) * span).astype(np.uint16)
    values: np.ndarray = writing.high - shown if writing.monochrome1 else writing.low + shown
    return values.astype("<u2")


def _item(code: Code) -> Dataset:
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = (
        code.value,
        code.scheme_designator,
        code.meaning,
    )
    return item


def patient_orientation(foot: GeneratedFoot) -> list[str]:
    """Patient directions of the rows (to the right) and columns (down) of the film (PS3.3 C.7.6.1.1.1)."""
    lateral = ("R", "L") if foot.side == "R" else ("L", "R")
    letters = (lateral, ("A", "P"), ("H", "F"))
    along = [foot.axes[0], foot.axes[1]]
    right = int(np.abs(along[0]).argmax())
    strength = np.abs(along[1])
    strength[right] = -1.0
    down = int(strength.argmax())
    return [letters[k][0 if way[k] > 0 else 1] for k, way in ((right, along[0]), (down, along[1]))]


def film_dataset(film: GeneratedFilm, writing: Writing, *name: object) -> Dataset:
    """The DICOM object of a film: Digital X-Ray or Computed Radiography Image Storage (DICOM PS3.3, A.26 and A.2).

    Everything about the patient is invented or empty; nothing depends on the clock.

    Parameters
    ----------
    film : GeneratedFilm
    writing : Writing
        Kind, polarity, bits, and what the header states.
    *name
        Seed, number and the like; they make the UIDs.
    """
    ds = Dataset()
    _state_whose(ds, writing, name)
    _state_what(ds, film, writing)
    if writing.kind == "DX":
        _state_digital_xray(ds, film, writing)
    _state_spacing(ds, film, writing)
    _store_pixels(ds, film, writing)
    return ds


def _state_whose(ds: Dataset, writing: Writing, name: tuple[object, ...]) -> None:
    """Kind of the object, its UIDs, and the invented patient, study and maker."""
    dx = writing.kind == "DX"
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.SOPClassUID = DigitalXRayImageStorageForPresentation if dx else ComputedRadiographyImageStorage
    ds.SOPInstanceUID = uid(*name, "image")
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID

    number = uuid.uuid5(_NAMESPACE, "/".join(map(str, name))).int % 10**8
    ds.PatientName, ds.PatientID = "Generated^Film", f"GEN{number:08d}"
    ds.PatientBirthDate = ds.PatientSex = ""
    ds.StudyInstanceUID, ds.SeriesInstanceUID = uid(*name, "study"), uid(*name, "series")
    ds.StudyDate = ds.StudyTime = ds.ReferringPhysicianName = ds.AccessionNumber = ""
    ds.StudyID, ds.SeriesNumber, ds.InstanceNumber = "1", 1, 1
    ds.Manufacturer = "Generated"
    ds.ManufacturerModelName = "Film generator"


def _state_what(ds: Dataset, film: GeneratedFilm, writing: Writing) -> None:
    """What the film shows: part of the body, view, load, side and directions of the patient."""
    views = [foot.view for foot in film.feet]
    words = " and ".join(dict.fromkeys(_VIEW_WORDS[v] for v in views))
    standing = writing.loading and "dp" in views
    ds.SeriesDescription = " ".join(
        filter(None, ("Foot" if film.feet else "Extremity", words, "weight-bearing" if standing else ""))
    )
    ds.Modality = writing.kind
    ds.BodyPartExamined = "FOOT"
    ds.ViewPosition = writing.view_position

    ds.ImageType = ["ORIGINAL", "PRIMARY"]
    ds.BurnedInAnnotation = "YES" if any(not m.lead and m.text for m in film.marks) else "NO"
    ds.LossyImageCompression = "00"
    ds.ContentDate = ds.ContentTime = ""
    ds.PatientOrientation = patient_orientation(film.feet[0]) if film.feet else ["R", "F"]
    if writing.kind != "DX" and writing.laterality in ("R", "L", None):
        # The series speaks for the image; empty where nobody said (type 2C).
        ds.Laterality = writing.laterality or ""
    else:
        ds.ImageLaterality = writing.laterality or "U"


def _state_digital_xray(ds: Dataset, film: GeneratedFilm, writing: Writing) -> None:
    """What only Digital X-Ray objects state (PS3.3 A.26): presentation, detector, region, view."""
    views = [foot.view for foot in film.feet]
    ds.PresentationIntentType = "FOR PRESENTATION"
    ds.PixelIntensityRelationship = "LOG"
    ds.PixelIntensityRelationshipSign = 1 if writing.monochrome1 else -1
    ds.RescaleIntercept, ds.RescaleSlope, ds.RescaleType = "0", "1", "US"
    ds.PresentationLUTShape = "INVERSE" if writing.monochrome1 else "IDENTITY"
    ds.DetectorType, ds.PositionerType = "DIRECT", "NONE"
    ds.AnatomicRegionSequence = Sequence([_item(codes.SCT.Foot)])
    ds.AcquisitionContextSequence = Sequence()
    if len(set(views)) == 1:
        ds.ViewCodeSequence = Sequence([_item(_VIEW_CODES[views[0]])])
        ds.ViewCodeSequence[0].ViewModifierCodeSequence = Sequence()


def _state_spacing(ds: Dataset, film: GeneratedFilm, writing: Writing) -> None:
    """Distances of pixels at the detector and, where the system corrects for magnification, in the foot; mm."""
    if writing.imager_spacing:
        ds.ImagerPixelSpacing = [f"{film.pixel_mm:.4f}"] * 2
    if writing.pixel_spacing == "same":
        ds.PixelSpacing = [f"{film.pixel_mm:.4f}"] * 2
    elif writing.pixel_spacing == "corrected":
        ds.PixelSpacing = [f"{film.pixel_mm / writing.magnification:.6f}"] * 2
        ds.PixelSpacingCalibrationType = "GEOMETRY"
        ds.PixelSpacingCalibrationDescription = "Assumed height of the bones over the detector"
        ds.EstimatedRadiographicMagnificationFactor = f"{writing.magnification:.3f}"


def _store_pixels(ds: Dataset, film: GeneratedFilm, writing: Writing) -> None:
    """Pixels as :func:`stored_values` gives them, and the window that shows them as they are."""
    ds.SamplesPerPixel = 1
    ds.PhotometricInterpretation = "MONOCHROME1" if writing.monochrome1 else "MONOCHROME2"
    ds.Rows, ds.Columns = film.pixels.shape
    ds.BitsAllocated, ds.BitsStored, ds.HighBit = 16, writing.bits, writing.bits - 1
    ds.PixelRepresentation = 0
    if writing.window:
        # Linear function of PS3.3 C.11.2.1.2.1: low and high are the first values shown black and white.
        ds.WindowCenter = f"{writing.low + (writing.high - writing.low) / 2 + 0.5:g}"
        ds.WindowWidth = f"{writing.high - writing.low + 1:d}"
    ds.PixelData = stored_values(film, writing).tobytes()
    ds["PixelData"].VR = "OW"
