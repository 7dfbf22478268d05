"""Reads a radiograph from a DICOM file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from pydicom.dataset import Dataset
from pydicom.multival import MultiValue
from pydicom.pixels.decoders.base import get_decoder
from pydicom.pixels.processing import apply_color_lut
from pydicom.uid import (
    UID,
    ComputedRadiographyImageStorage,
    DigitalXRayImageStorageForPresentation,
    DigitalXRayImageStorageForProcessing,
    MediaStorageDirectoryStorage,
    MultiFrameGrayscaleByteSecondaryCaptureImageStorage,
    MultiFrameGrayscaleWordSecondaryCaptureImageStorage,
    MultiFrameTrueColorSecondaryCaptureImageStorage,
    SecondaryCaptureImageStorage,
)

from raysplay.infer.films.acquisition import read_body_part, read_laterality, read_loading, read_view
from raysplay.infer.films.defined_terms import modalities
from raysplay.infer.films.film import Film, FilmRejected
from raysplay.infer.films.greyscale import colour_to_grey, percentile_grey, to_grey
from raysplay.infer.films.header import read_header, texts
from raysplay.infer.films.limits import FilmLimits
from raysplay.infer.films.person import date_taken, person_code
from raysplay.infer.films.remark import Remark, RemarkKind
from raysplay.infer.films.shutter import outside_shutter
from raysplay.infer.films.spacing import read_spacing

_RADIOGRAPHS = frozenset(
    {
        ComputedRadiographyImageStorage,
        DigitalXRayImageStorageForPresentation,
        DigitalXRayImageStorageForProcessing,
        SecondaryCaptureImageStorage,
        MultiFrameGrayscaleByteSecondaryCaptureImageStorage,
        MultiFrameGrayscaleWordSecondaryCaptureImageStorage,
        MultiFrameTrueColorSecondaryCaptureImageStorage,
    }
)
# Objects of these classes are radiographs whatever their modality says.
_SAYS_RADIOGRAPH = frozenset(
    {
        ComputedRadiographyImageStorage,
        DigitalXRayImageStorageForPresentation,
        DigitalXRayImageStorageForProcessing,
    }
)
# CR, DX, RG (film), OT and SC by PS3.3, C.7.3.1.1.1; DR and XR are common though undefined.
_MODALITIES = frozenset({"", "CR", "DX", "RG", "OT", "SC", "DR", "XR"})

_MANY_FRAMES = 100_000
"""No number from here on is repeated: it is damage, and may be anything."""

# Decoders that fail with an exception come before the one that can end the process.
_PLUGIN_ORDER = ("pyjpegls", "pydicom", "pylibjpeg", "pillow", "gdcm")


def read_dicom(content: bytes, path: Path, limits: FilmLimits, *, bare: bool = False) -> Film:
    """Film in the bytes of a DICOM file; ``bare`` for a data set without preamble.

    Raises
    ------
    FilmRejected
        For whatever is no single grey radiograph of an allowed size, or cannot be decoded.
    """
    ds, unreadable, said_of_header = read_header(content, bare)
    remarks = list(said_of_header)
    remarks += _check_kind(ds)
    rows, columns = _number(ds, "Rows"), _number(ds, "Columns")
    limits.check_size(rows, columns)
    frames = _number(ds, "NumberOfFrames", default=1)
    if frames > 1:
        counted = f"{frames} frames" if frames < _MANY_FRAMES else "many frames"
        raise FilmRejected(f"a multi-frame object with {counted}, not a single film")
    bits_allocated, bits_stored = _number(ds, "BitsAllocated"), _number(ds, "BitsStored")
    if bits_allocated not in (8, 16) or not 8 <= bits_stored <= bits_allocated:
        raise FilmRejected(f"{bits_stored} bits a pixel ({bits_allocated} allocated); 8 to 16 are read")

    photometric = str(ds.get("PhotometricInterpretation") or "").strip().upper()
    if not unreadable.isdisjoint(("RescaleSlope", "RescaleIntercept", "ModalityLUTSequence")):
        raise FilmRejected("damaged header: modality LUT or rescale values cannot be read")
    if photometric in ("MONOCHROME1", "MONOCHROME2"):
        if _number(ds, "SamplesPerPixel", default=1) != 1:
            raise FilmRejected("damaged header: a grey picture with several samples a pixel")
        masked, said = outside_shutter(ds, rows, columns)
        remarks += (Remark(RemarkKind.SHUTTER, one) for one in said)
        grey, said = to_grey(
            _decode(ds, rows, columns), ds, limits.percentile_window, masked, beyond=limits.beyond_window
        )
        remarks += (Remark(RemarkKind.GREY_LEVELS, one) for one in said)
    elif photometric in ("RGB", "PALETTE COLOR") or photometric.startswith("YBR_"):
        grey = _grey_of_colour(ds, photometric, rows, columns, limits)
        remarks.append(Remark(RemarkKind.GREY_LEVELS, "a grey picture stored in colour was converted"))
    else:
        raise FilmRejected("the photometric interpretation is missing or unknown")

    spacing, said_of_spacing = read_spacing(ds, unreadable)
    laterality, said_of_side = read_laterality(ds)
    loading, said_of_loading = read_loading(ds)
    remarks += (*said_of_spacing, *said_of_side, *said_of_loading, *read_body_part(ds))
    return Film(
        path=path,
        pixels=grey,
        spacing=spacing,
        laterality=laterality,
        view=read_view(ds),
        person=person_code(ds, limits.person_key),
        taken=date_taken(ds),
        loading=loading,
        remarks=tuple(remarks),
    )


def _check_kind(ds: Dataset) -> tuple[Remark, ...]:
    """Refuse what is no radiograph; remark on a modality that says nothing where the class of the object does."""
    stated = [UID(text) for text in (*texts(ds, "SOPClassUID"), *texts(ds.file_meta, "MediaStorageSOPClassUID"))]
    sop_class = next((uid for uid in stated if uid.name != str(uid)), stated[0] if stated else UID(""))
    known = sop_class.name if sop_class.is_valid and sop_class.name != str(sop_class) else "unknown kind"
    if sop_class == MediaStorageDirectoryStorage or "DirectoryRecordSequence" in ds:
        raise FilmRejected("a DICOM directory (DICOMDIR), not a film")
    if sop_class and sop_class not in _RADIOGRAPHS:
        raise FilmRejected(f"not a projection radiograph ({known})")
    modality = next((text.upper() for text in texts(ds, "Modality")), "")
    remarks: tuple[Remark, ...] = ()
    if modality not in _MODALITIES:
        named = modality if modality in modalities() else "unknown"
        if named != "unknown" or sop_class not in _SAYS_RADIOGRAPH:
            raise FilmRejected(f"not a projection radiograph (modality {named})")
        remarks = (Remark(RemarkKind.UNREADABLE_HEADER, "the modality is no term of the standard and was ignored"),)
    if "FloatPixelData" in ds or "DoubleFloatPixelData" in ds:
        raise FilmRejected("pixels stored as floating-point numbers, which are not read")
    if not ds.get("PixelData"):
        ended = "the file has no pixel data"
        if "EncryptedAttributesSequence" in ds:
            ended += " outside its encrypted part"
        elif sop_class:
            ended += " (truncated or damaged)"
        raise FilmRejected(ended)
    return remarks


def _number(ds: Dataset, keyword: str, default: int | None = None) -> int:
    try:
        value: Any = ds.get(keyword)
        if value is None or value == "":
            value = default
        if isinstance(value, MultiValue):
            value = value[0]
        return int(value)
    except Exception as error:
        raise FilmRejected(f"damaged header: {keyword} is missing or no number") from error


def _decode(ds: Dataset, rows: int, columns: int) -> npt.NDArray[Any]:
    """Decoded pixels, shape (rows, columns) or (rows, columns, samples), colour as RGB."""
    syntax = UID(str(ds.file_meta.TransferSyntaxUID))
    try:
        decoder = get_decoder(syntax)
    except NotImplementedError:
        named = syntax.name if syntax.is_valid and syntax.name != str(syntax) else "unknown"
        raise FilmRejected(f"the transfer syntax ({named}) cannot be decoded") from None
    if syntax.is_encapsulated and not decoder.is_available:
        raise FilmRejected(f"no decoder is installed for {syntax.name}")
    if not syntax.is_encapsulated:
        _check_length(ds, rows, columns)

    plugins = [""]
    if syntax.is_encapsulated:
        plugins = [name for name in _PLUGIN_ORDER if name in decoder.available_plugins]
    options: Any = {"correct_unused_bits": False}  # the grey-scale table does it, and says so
    failure: Exception | None = None
    for plugin in plugins:
        try:
            pixels, _ = decoder.as_array(ds, index=0, decoding_plugin=plugin, **options)
            break
        except MemoryError:
            raise
        except Exception as error:
            failure = failure or error
    else:
        raise FilmRejected(f"the pixel data cannot be decoded ({syntax.name}, {type(failure).__name__})") from failure
    if pixels.shape[:2] != (rows, columns) or pixels.dtype.kind not in "iu" or pixels.dtype.itemsize > 2:
        raise FilmRejected("the decoded picture does not match its header")
    return np.asarray(pixels)


def _check_length(ds: Dataset, rows: int, columns: int) -> None:
    samples = 2 if ds.PhotometricInterpretation == "YBR_FULL_422" else _number(ds, "SamplesPerPixel", 1)
    expected = rows * columns * samples * (_number(ds, "BitsAllocated") // 8)
    if len(ds.PixelData) < expected:
        raise FilmRejected(f"truncated: {len(ds.PixelData)} of {expected} bytes of pixel data")


def _grey_of_colour(
    ds: Dataset, photometric: str, rows: int, columns: int, limits: FilmLimits
) -> npt.NDArray[np.float32]:
    pixels = _decode(ds, rows, columns)
    if photometric == "PALETTE COLOR":
        try:
            pixels = apply_color_lut(pixels, ds)
        except Exception as error:
            raise FilmRejected(f"the colour table is unusable ({type(error).__name__})") from error
    if pixels.ndim != 3 or pixels.shape[2] < 3:
        raise FilmRejected("damaged header: a colour picture without three samples a pixel")
    if pixels.dtype.itemsize == 2:
        bits = 16 if photometric == "PALETTE COLOR" else _number(ds, "BitsStored")
        pixels = np.clip(pixels.astype(np.int32) >> (bits - 8), 0, 255).astype(np.uint8)
    grey = colour_to_grey(pixels.astype(np.uint8, copy=False), limits.colour_tolerance, limits.colour_share)
    if grey is None:
        raise FilmRejected("a colour picture, not a radiograph")
    return percentile_grey(grey, limits.percentile_window, beyond=limits.beyond_window)
