"""A known foot in place of the networks, loadable in the process that measures: ``standin:known``.

The invented foot of the reference page, laid at the angles that the film's own size says (``ROWS + hva`` rows,
``COLUMNS + 2 * ima`` columns, one more for two feet): no grey value can change that.
"""

import io
import os
import time
from pathlib import Path

import numpy as np
import pydicom
from PIL import Image

from raysplay.configs.load import landmark_schema
from raysplay.infer.records import FootLandmarks, FoundFoot
from raysplay.measure.realigned import realigned
from raysplay.train.reference_page.foot import REFERENCE_FOOT

MM = 0.5
ROWS, COLUMNS = 560, 700
PLACES = {"R": np.array([230.0, 330.0]), "L": np.array([520.0, 330.0])}


def points_of(side, hva, ima):
    """Landmarks on the film, pixels (L, 2)."""
    schema = landmark_schema()
    foot = realigned(np.array([REFERENCE_FOOT[code] for code in schema.codes]), schema, hva=hva, ima=ima)
    return PLACES[side] + foot * [(1.0 if side == "R" else -1.0) / MM, -1.0 / MM]


class Known:
    digests = {"known": "0" * 64}  # noqa: RUF012

    def find(self, film):
        if (slow := Path(film.path).parents[1] / "slow").exists():
            time.sleep(float(slow.read_text()))
        rows, columns = film.pixels.shape
        view = {"dp": 0.97, "oblique": 0.02, "lateral": 0.005, "other": 0.005}
        feet = []
        for side in ("R", "L") if (columns - COLUMNS) % 2 else ("R",):
            points = points_of(side, rows - ROWS, (columns - COLUMNS) // 2)
            low, high = points.min(0) - 20.0, points.max(0) + 20.0
            scale = max(high - low) / 256.0
            across = (scale, low[0]) if side == "R" else (-scale, high[0])  # the crop shows every foot as a right one
            matrix = np.array([[across[0], 0.0, across[1]], [0.0, scale, low[1]], [0.0, 0.0, 1.0]])
            feet.append(FoundFoot(matrix, side, 0.99, 0.98, view))
        return feet

    def landmarks(self, film, foot):
        rows, columns = film.pixels.shape
        points = points_of(foot.side, rows - ROWS, (columns - COLUMNS) // 2)
        covariance = np.tile(0.3 * np.eye(2), (len(points), 1, 1))
        return FootLandmarks(foot, points, covariance, np.full(len(points), 0.95))


def known(threads=None, landmark_weights=None):
    if noted := os.environ.get("STANDIN_LOADED"):
        with open(noted, "a") as loads:
            print(os.getpid(), file=loads)
    return Known()


def pixels_of(hva, ima, both, seed):
    """Grey values whose bones are bright, in the size that says the angles; ``seed`` makes the bytes differ."""
    shape = ROWS + hva, COLUMNS + 2 * ima + both
    pixels = np.full(shape, 20, dtype=np.uint8)
    for side in ("R", "L") if both else ("R",):
        for x, y in points_of(side, hva, ima):
            x, y = round(x), round(y)
            pixels[max(y - 9, 0) : y + 9, max(x - 6, 0) : x + 6] = 190
    pixels[0, :4] = [(seed >> shift) & 0x7 for shift in (9, 6, 3, 0)]
    return pixels


def dicom(hva=30, ima=15, *, both=False, seed=0, patient="SKERRY-7", day="20260301"):
    """Bytes of a DX film; ``patient`` and ``day`` may be empty."""
    pixels = pixels_of(hva, ima, both, seed)
    ds = pydicom.Dataset()
    ds.file_meta = pydicom.dataset.FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = pydicom.uid.ExplicitVRLittleEndian
    ds.SOPClassUID = pydicom.uid.DigitalXRayImageStorageForPresentation
    ds.SOPInstanceUID = f"2.25.{1000 + seed}"
    ds.Modality, ds.PatientName = "DX", "Invented^Person"
    ds.PatientID = patient
    if day:
        ds.AcquisitionDate = ds.StudyDate = ds.ContentDate = day
    ds.Rows, ds.Columns = pixels.shape
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.BitsAllocated = ds.BitsStored = 8
    ds.HighBit, ds.PixelRepresentation = 7, 0
    ds.ImagerPixelSpacing = [MM, MM]
    content = pixels.tobytes()
    ds.PixelData = content + b"\0" * (len(content) % 2)
    stream = io.BytesIO()
    ds.save_as(stream, enforce_file_format=True)
    return stream.getvalue()


def picture(hva=30, ima=15, *, both=False, seed=0):
    """Bytes of a PNG: no person, no day."""
    stream = io.BytesIO()
    Image.fromarray(pixels_of(hva, ima, both, seed)).save(stream, "PNG")
    return stream.getvalue()


class Other(Known):
    digests = {"known": "1" * 64}  # noqa: RUF012


def other(threads=None, landmark_weights=None):
    """The same foot, by networks with other weights."""
    return Other()
