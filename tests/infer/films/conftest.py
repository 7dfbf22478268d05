"""Small DICOM films made on the spot with pydicom, and a reader whose limits admit small pictures."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import (
    DigitalXRayImageStorageForPresentation,
    ExplicitVRLittleEndian,
    generate_uid,
)

from raysplay.infer.films.decode import FilmReader
from raysplay.infer.films.settings import FilmLimits, film_settings

MakeDicom = Callable[..., Dataset]


@pytest.fixture(scope="session")
def limits() -> FilmLimits:
    return film_settings().model_copy(update={"min_side": 8, "decode_seconds": 20.0})


@pytest.fixture(scope="session")
def reader(limits: FilmLimits) -> Iterator[FilmReader]:
    with FilmReader(limits) as shared:
        yield shared


@pytest.fixture(scope="session")
def grey12() -> npt.NDArray[np.uint16]:
    """A 12-bit picture, 40 rows and 60 columns, that holds 0 and 4095: background, disc, noise."""
    rng = np.random.default_rng(7)
    row, column = np.mgrid[:40, :60]
    disc = np.clip(1.0 - ((row - 20) ** 2 + (column - 30) ** 2) / 300.0, 0.0, 1.0)
    grey = 300 + 3000 * disc + rng.normal(0, 40, disc.shape)
    grey[0, 0], grey[-1, -1] = 0, 4095
    return np.clip(grey, 0, 4095).astype(np.uint16)


@pytest.fixture(scope="session")
def make_dicom() -> MakeDicom:
    """Data set around ``pixels``; keywords set attributes, None deletes them."""

    def make(pixels: npt.NDArray[Any], **attributes: Any) -> Dataset:
        ds = Dataset()
        ds.file_meta = FileMetaDataset()
        ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
        ds.SOPClassUID = DigitalXRayImageStorageForPresentation
        ds.SOPInstanceUID = generate_uid()
        ds.Modality = "DX"
        ds.Rows, ds.Columns = pixels.shape[:2]
        ds.SamplesPerPixel = 1 if pixels.ndim == 2 else pixels.shape[2]
        if pixels.ndim == 3:
            ds.PlanarConfiguration = 0
        ds.PhotometricInterpretation = "MONOCHROME2" if pixels.ndim == 2 else "RGB"
        ds.BitsAllocated = 8 * pixels.dtype.itemsize
        ds.BitsStored = 8 if pixels.dtype.itemsize == 1 else 12
        ds.PixelRepresentation = int(pixels.dtype.kind == "i")
        ds.PixelData = pixels.tobytes()
        for keyword, value in attributes.items():
            if keyword == "TransferSyntaxUID":
                ds.file_meta.TransferSyntaxUID = value
            elif value is None:
                if keyword in ds:
                    delattr(ds, keyword)
            else:
                setattr(ds, keyword, value)
        if "HighBit" not in ds:
            ds.HighBit = ds.BitsStored - 1
        ds.file_meta.MediaStorageSOPClassUID = ds.get("SOPClassUID", "1.2.3")
        ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
        if "PixelData" in ds:
            ds["PixelData"].VR = "OB" if pixels.dtype.itemsize == 1 else "OW"
        return ds

    return make


@pytest.fixture
def write(tmp_path: Path) -> Callable[[Dataset], Path]:
    """Writes a data set as a file of its own and returns the path."""
    written: list[Path] = []

    def save(ds: Dataset) -> Path:
        path = tmp_path / f"film_{len(written)}.dcm"
        written.append(path)
        ds.save_as(path, enforce_file_format=True)
        return path

    return save
