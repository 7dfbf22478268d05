"""Reads a radiograph from a DICOM file."""

from __future__ import annotations

import zlib
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from pydicom.dataset import Dataset
from pydicom.encaps import get_frame
from pydicom.multival import MultiValue
from pydicom.pixels.decoders.base import get_decoder
from pydicom.pixels.processing import apply_color_lut
from pydicom.uid import (
    UID,
    ComputedRadiographyImageStorage,
    DeflatedExplicitVRLittleEndian,
    DigitalXRayImageStorageForPresentation,
    DigitalXRayImageStorageForProcessing,
    JPEGBaseline8Bit,
    JPEGExtended12Bit,
    MediaStorageDirectoryStorage,
    MultiFrameGrayscaleByteSecondaryCaptureImageStorage,
    MultiFrameGrayscaleWordSecondaryCaptureImageStorage,
    MultiFrameTrueColorSecondaryCaptureImageStorage,
    SecondaryCaptureImageStorage,
)

from raysplay.infer.films.acquisition import read_body_part, read_laterality, read_loading, read_view
from raysplay.infer.films.codestreams import CUT_SHORT, OTHER_SIZE, check_stream
from raysplay.infer.films.defined_terms import modalities
from raysplay.infer.films.film import Damage, Film, FilmRejected
from raysplay.infer.films.greyscale import colour_to_grey, percentile_grey, to_grey
from raysplay.infer.films.header import read_header, texts
from raysplay.infer.films.jpeg import decode_jpeg, luminance, read_frame
from raysplay.infer.films.person import date_taken, person_code
from raysplay.infer.films.remark import Remark, RemarkKind
from raysplay.infer.films.settings import FilmLimits
from raysplay.infer.films.shutter import outside_shutter
from raysplay.infer.films.spacing import read_spacing
from raysplay.infer.films.torn import seen_damage
from raysplay.infer.reason import ReasonKind

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

_DEFLATED = f"{DeflatedExplicitVRLittleEndian}".encode("ascii")
_CHUNK = 1 << 20
_MOST_ENTRIES = 2**16

_JPEG = frozenset({JPEGBaseline8Bit, JPEGExtended12Bit})

# Decoders that fail with an exception come before the one that can end the process.
_PLUGIN_ORDER = ("pyjpegls", "pydicom", "pylibjpeg", "pillow", "gdcm")


def read_dicom(content: bytes, path: Path, limits: FilmLimits, *, bare: bool = False) -> Film:
    """Film in the bytes of a DICOM file; ``bare`` for a data set without preamble.

    Raises
    ------
    FilmRejected
        For whatever is no single grey radiograph of an allowed size, or cannot be decoded.
    """
    _check_deflated(content, limits)
    ds, unreadable, said_of_header = read_header(content, bare)
    remarks = list(said_of_header)
    remarks += _check_kind(ds)
    rows, columns = _number(ds, "Rows"), _number(ds, "Columns")
    limits.check_size(rows, columns)
    _check_header(ds, unreadable)
    photometric = str(ds.get("PhotometricInterpretation") or "").strip().upper()
    if photometric in ("MONOCHROME1", "MONOCHROME2"):
        if _number(ds, "SamplesPerPixel", default=1) != 1:
            raise FilmRejected("damaged header: a grey picture with several samples a pixel")
        masked, said = outside_shutter(ds, rows, columns)
        remarks += (Remark(RemarkKind.SHUTTER, one) for one in said)
        pixels, damage = _decode(ds, rows, columns, limits)
        grey, said_of_grey = to_grey(pixels, ds, limits.percentile_window, masked, beyond=limits.beyond_window)
        remarks += said_of_grey
    elif photometric in ("RGB", "PALETTE COLOR") or photometric.startswith("YBR_"):
        grey, damage = _grey_of_colour(ds, photometric, rows, columns, limits)
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
        damage=damage,
        remarks=tuple(remarks),
    )


def _check_header(ds: Dataset, unreadable: frozenset[str]) -> None:
    """Refuse several frames, depths that are not read, and grey values whose meaning cannot be read."""
    frames = _number(ds, "NumberOfFrames", default=1)
    if frames > 1:
        counted = f"{frames} frames" if frames < _MANY_FRAMES else "many frames"
        raise FilmRejected(f"a multi-frame object with {counted}, not a single film")
    bits_allocated, bits_stored = _number(ds, "BitsAllocated"), _number(ds, "BitsStored")
    if bits_allocated not in (8, 16) or not 8 <= bits_stored <= bits_allocated:
        raise FilmRejected(f"{bits_stored} bits a pixel ({bits_allocated} allocated); 8 to 16 are read")
    # PS3.5, 8.1.1. Below Bits Stored it is ignored; beyond, values would be shifted out of their words.
    if not 0 <= _number(ds, "HighBit", default=bits_stored - 1) < bits_allocated:
        raise FilmRejected("damaged header: HighBit lies outside the bits allocated")
    if not unreadable.isdisjoint(("RescaleSlope", "RescaleIntercept", "ModalityLUTSequence")):
        raise FilmRejected("damaged header: modality LUT or rescale values cannot be read")


def _check_deflated(content: bytes, limits: FilmLimits) -> None:
    """Refuse a deflated data set (PS3.5, A.5) that unpacks to more than a plain file may hold."""
    # File meta information begins with its length, which counts from behind this element (PS3.10, 7.1).
    start = 144 + int.from_bytes(content[140:144], "little")
    if content[132:140] != b"\x02\x00\x00\x00UL\x04\x00" or _DEFLATED not in content[144:start]:
        return
    unpacked, packed, size = zlib.decompressobj(-zlib.MAX_WBITS), content[start:], 0
    with suppress(zlib.error):  # reading it will say so
        while packed and not unpacked.eof:
            size += len(unpacked.decompress(packed, _CHUNK))
            packed = unpacked.unconsumed_tail
            if size > limits.max_file_bytes:
                raise FilmRejected(f"too large: unpacks to more than {limits.max_file_bytes} bytes")


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
        number = int(value)
    except Exception as error:
        raise FilmRejected(f"damaged header: {keyword} is missing or no number") from error
    if not -(2**31) <= number < 2**32:
        raise FilmRejected(f"damaged header: {keyword} is no number of four bytes")
    return number


def _decode(ds: Dataset, rows: int, columns: int, limits: FilmLimits) -> tuple[npt.NDArray[Any], Damage | None]:
    """Decoded pixels, shape (rows, columns) or (rows, columns, samples), colour as RGB; what looks damaged."""
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
    damage = None
    if syntax.is_encapsulated:
        stream = _stream(ds)
        check_stream(syntax, stream, rows, columns, _number(ds, "SamplesPerPixel", default=1))
        if syntax in _JPEG:
            decoded, damage = _decode_jpeg(stream, rows, columns, limits)
            if decoded is not None and _plain(ds, decoded):
                return decoded, damage

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
    return np.asarray(pixels), damage


def _stream(ds: Dataset) -> bytes:
    try:
        return get_frame(ds.PixelData, 0, number_of_frames=1)
    except Exception as error:
        raise FilmRejected(f"{CUT_SHORT} ({type(error).__name__})") from error


def _decode_jpeg(
    stream: bytes, rows: int, columns: int, limits: FilmLimits
) -> tuple[npt.NDArray[np.uint8] | None, Damage | None]:
    """Pixels of a JPEG stream of 8 bits, decoded strictly, and what looks damaged; None for one of 12 bits.

    No decoder that is installed by default reads 12 bits, and none of the others can be strict.
    """
    frame = read_frame(stream, limits)
    if (frame.rows, frame.columns) != (rows, columns):
        raise FilmRejected(OTHER_SIZE)
    if frame.precision != 8:
        return None, None
    pixels = decode_jpeg(stream, frame)
    return pixels, seen_damage(luminance(stream, frame, pixels), frame)


def _plain(ds: Dataset, pixels: npt.NDArray[np.uint8]) -> bool:
    """Whether pixels are grey values as the header describes them; of colour the library's decoders know more."""
    return pixels.ndim == 2 and _number(ds, "BitsAllocated") == 8 and not ds.get("PixelRepresentation")


def _check_length(ds: Dataset, rows: int, columns: int) -> None:
    samples = 2 if ds.PhotometricInterpretation == "YBR_FULL_422" else _number(ds, "SamplesPerPixel", 1)
    expected = rows * columns * samples * (_number(ds, "BitsAllocated") // 8)
    if len(ds.PixelData) < expected:
        there = len(ds.PixelData)
        said = f"truncated: {there} of {expected} bytes of pixel data"
        raise FilmRejected(said, ReasonKind.TRUNCATED, {"there": there, "expected": expected})


def _grey_of_colour(
    ds: Dataset, photometric: str, rows: int, columns: int, limits: FilmLimits
) -> tuple[npt.NDArray[np.float32], Damage | None]:
    pixels, damage = _decode(ds, rows, columns, limits)
    if photometric == "PALETTE COLOR":
        try:
            _check_segments(ds)
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
    return percentile_grey(grey, limits.percentile_window, beyond=limits.beyond_window), damage


def _check_segments(ds: Dataset) -> None:
    """Refuse colour tables in segments that unfold to more than a table holds, or repeat parts (PS3.3, C.7.9.2)."""
    for colour in ("Red", "Green", "Blue"):
        packed = ds.get(f"Segmented{colour}PaletteColorLookupTableData")
        if not packed:
            continue
        wide = ds[f"{colour}PaletteColorLookupTableDescriptor"].value[2] == 16
        order = "<" if UID(str(ds.file_meta.TransferSyntaxUID)).is_little_endian else ">"
        words = np.frombuffer(packed, f"{order}u{2 if wide else 1}").tolist()
        at, entries = 0, 0
        while at + 1 < len(words):
            kind, length = words[at], words[at + 1]
            entries += length
            at += 2 + (length if kind == 0 else 1)
            if kind > 1 or entries > _MOST_ENTRIES:
                raise ValueError("segments that are not read")
