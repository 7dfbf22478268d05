"""Reads a radiograph from a DICOM file."""

from __future__ import annotations

import zlib
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from pydicom.dataset import Dataset
from pydicom.encaps import get_frame
from pydicom.multival import MultiValue
from pydicom.pixels.decoders.base import get_decoder
from pydicom.pixels.processing import apply_color_lut, convert_color_space
from pydicom.uid import (
    HTJ2K,
    JPEG2000,
    UID,
    ComputedRadiographyImageStorage,
    DeflatedExplicitVRLittleEndian,
    DigitalXRayImageStorageForPresentation,
    DigitalXRayImageStorageForProcessing,
    HTJ2KLossless,
    HTJ2KLosslessRPCL,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGExtended12Bit,
    JPEGLossless,
    JPEGLosslessSV1,
    JPEGLSLossless,
    JPEGLSNearLossless,
    MediaStorageDirectoryStorage,
    MultiFrameGrayscaleByteSecondaryCaptureImageStorage,
    MultiFrameGrayscaleWordSecondaryCaptureImageStorage,
    MultiFrameTrueColorSecondaryCaptureImageStorage,
    SecondaryCaptureImageStorage,
)

from raysplay.infer.films.acquisition import read_body_part, read_laterality, read_loading, read_view
from raysplay.infer.films.burnt_in_text import stated_by
from raysplay.infer.films.codestreams import CUT_SHORT, OTHER_SIZE, check_stream
from raysplay.infer.films.defined_terms import modalities
from raysplay.infer.films.film import Damage, Film, FilmRejected
from raysplay.infer.films.greyscale import colour_to_grey, percentile_grey, photograph_to_grey, to_grey
from raysplay.infer.films.header import items, read_header, texts
from raysplay.infer.films.header_terms import stated_terms
from raysplay.infer.films.jpeg import LOSSLESS, decode_jpeg, luminance, read_frame
from raysplay.infer.films.jpeg_wide import decode_wide
from raysplay.infer.films.loading import settle
from raysplay.infer.films.person import age_band, date_taken, person_code, sex
from raysplay.infer.films.remark import PHOTOGRAPH, Remark, RemarkKind
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

_STORED_IN_COLOUR = Remark(RemarkKind.GREY_LEVELS, "a grey picture stored in colour was converted")

_MANY_FRAMES = 100_000
"""No number from here on is repeated: it is damage, and may be anything."""

_DEFLATED = f"{DeflatedExplicitVRLittleEndian}".encode("ascii")
_CHUNK = 1 << 20
_MOST_ENTRIES = 2**16

_JPEG = frozenset({JPEGBaseline8Bit, JPEGExtended12Bit, JPEGLossless, JPEGLosslessSV1})

# What to install where a decoder is missing; all of these come with the package, none is under the GPL.
_PACKAGES: dict[UID, str] = {
    **dict.fromkeys(_JPEG, "imagecodecs"),
    **dict.fromkeys((JPEGLSLossless, JPEGLSNearLossless), "pyjpegls"),
    **dict.fromkeys((JPEG2000Lossless, JPEG2000), "pylibjpeg-openjpeg"),
    **dict.fromkeys((HTJ2KLossless, HTJ2KLosslessRPCL, HTJ2K), "pylibjpeg-openjpeg"),
}

# Decoders that fail with an exception come before the one that can end the process.
_PLUGIN_ORDER = ("pyjpegls", "pydicom", "pylibjpeg", "pillow", "gdcm")


def read_dicom(content: bytes, path: Path, limits: FilmLimits, *, bare: bool = False, frame: int | None = None) -> Film:
    """Film in the bytes of a DICOM file; ``bare`` for a data set without preamble, ``frame`` counted from 1.

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
    frames = _number(ds, "NumberOfFrames", default=1)
    if frame is None and frames > 1:
        raise FilmRejected(_many_frames(frames, limits), ReasonKind.CONTAINER)
    if frame is not None:
        remarks += _choose_frame(ds, frame, frames)
    _check_header(ds, unreadable)
    photometric = str(ds.get("PhotometricInterpretation") or "").strip().upper()
    if photometric in ("MONOCHROME1", "MONOCHROME2"):
        if _number(ds, "SamplesPerPixel", default=1) != 1:
            raise FilmRejected("damaged header: a grey picture with several samples a pixel")
        masked, of_shutter = outside_shutter(ds, rows, columns)
        remarks += (Remark(RemarkKind.SHUTTER, one) for one in of_shutter)
        pixels, damage = _decode(ds, rows, columns, limits, frame or 1)
        grey, said_of_grey = to_grey(pixels, ds, limits.percentile_window, masked, beyond=limits.beyond_window)
        remarks += said_of_grey
    elif photometric in ("RGB", "PALETTE COLOR") or photometric.startswith("YBR_"):
        grey, damage, of_colour = _grey_of_colour(ds, photometric, rows, columns, limits, frame or 1)
        remarks.append(of_colour)
    else:
        raise FilmRejected("the photometric interpretation is missing or unknown")

    spacing, said_of_spacing = read_spacing(ds, unreadable)
    laterality, said_of_side = read_laterality(ds)
    stated, said_of_loading = read_loading(ds)
    remarks += (*said_of_spacing, *said_of_side, *said_of_loading, *read_body_part(ds), *stated_by(ds))
    return Film(
        path=path,
        pixels=grey,
        spacing=spacing,
        laterality=laterality,
        view=read_view(ds),
        person=person_code(ds, limits.person_key),
        taken=date_taken(ds),
        sex=sex(ds),
        age=age_band(ds),
        terms=stated_terms(ds),
        loading=settle(stated),
        loading_stated=stated,
        damage=damage,
        remarks=tuple(remarks),
    )


def _many_frames(frames: int, limits: FilmLimits) -> str:
    """Why an object of several frames is no film by itself."""
    counted = f"{frames} frames" if frames < _MANY_FRAMES else "many frames"
    said = f"a multi-frame object with {counted}, not a single film"
    if limits.max_frames < frames < _MANY_FRAMES:
        said = f"{said}: up to {limits.max_frames} are read"
    return said


def _check_header(ds: Dataset, unreadable: frozenset[str]) -> None:
    """Refuse depths that are not read, and grey values whose meaning cannot be read."""
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
        raise FilmRejected("a DICOM directory (DICOMDIR), not a film", ReasonKind.CONTAINER)
    if sop_class and sop_class not in _RADIOGRAPHS:
        raise FilmRejected(f"not a projection radiograph ({known})", ReasonKind.OTHER_OBJECT)
    modality = next((text.upper() for text in texts(ds, "Modality")), "")
    remarks: tuple[Remark, ...] = ()
    if modality not in _MODALITIES:
        named = modality if modality in modalities() else "unknown"
        if named != "unknown" or sop_class not in _SAYS_RADIOGRAPH:
            raise FilmRejected(f"not a projection radiograph (modality {named})", ReasonKind.OTHER_OBJECT)
        remarks = (Remark(RemarkKind.UNREADABLE_HEADER, "the modality is no term of the standard and was ignored"),)
    if "FloatPixelData" in ds or "DoubleFloatPixelData" in ds:
        raise FilmRejected("pixels stored as floating-point numbers, which are not read")
    if not ds.get("PixelData"):
        ended = "the file has no pixel data"
        if "EncryptedAttributesSequence" in ds:
            ended += " outside its encrypted part"
            raise FilmRejected(ended, ReasonKind.ENCRYPTED)
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


def _choose_frame(ds: Dataset, frame: int, frames: int) -> tuple[Remark, ...]:
    """Refuse a frame that is not there; leave of what the header says frame by frame the words on this one."""
    if not 1 <= frame <= max(frames, 1):
        raise FilmRejected(f"the object has no frame {frame}", ReasonKind.MISSING)
    each = list(items(ds, "PerFrameFunctionalGroupsSequence"))
    if each:
        ds.PerFrameFunctionalGroupsSequence = each[frame - 1 : frame]
    return (Remark(RemarkKind.FRAME, f"frame {frame} of {frames}"),) if frames > 1 else ()


def _decode(
    ds: Dataset, rows: int, columns: int, limits: FilmLimits, frame: int
) -> tuple[npt.NDArray[Any], Damage | None]:
    """Decoded pixels, shape (rows, columns) or (rows, columns, samples), colour as RGB; what looks damaged."""
    syntax = UID(str(ds.file_meta.TransferSyntaxUID))
    try:
        decoder = get_decoder(syntax)
    except NotImplementedError:
        named = syntax.name if syntax.is_valid and syntax.name != str(syntax) else "unknown"
        raise FilmRejected(f"the transfer syntax ({named}) cannot be decoded") from None
    if not syntax.is_encapsulated:
        _check_length(ds, rows, columns)
    damage = None
    if syntax.is_encapsulated:
        stream = _stream(ds, frame)
        check_stream(syntax, stream, rows, columns, _number(ds, "SamplesPerPixel", default=1))
        if syntax in _JPEG:
            decoded, damage, final = _decode_jpeg(stream, rows, columns, limits, syntax)
            if final or _plain(ds, decoded):
                return _as_stored(ds, decoded, syntax), damage
        if not decoder.is_available:
            raise _no_decoder(syntax)

    plugins = [""]
    if syntax.is_encapsulated:
        plugins = [name for name in _PLUGIN_ORDER if name in decoder.available_plugins]
    options: Any = {"correct_unused_bits": False}  # the grey-scale table does it, and says so
    failure: Exception | None = None
    for plugin in plugins:
        try:
            pixels, _ = decoder.as_array(ds, index=frame - 1, decoding_plugin=plugin, **options)
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


def _no_decoder(syntax: UID) -> FilmRejected:
    said = f"no decoder is installed for {syntax.name}: install {_PACKAGES.get(syntax, 'pylibjpeg')}"
    return FilmRejected(said, ReasonKind.NO_DECODER)


def _stream(ds: Dataset, frame: int) -> bytes:
    try:
        offsets = None
        if "ExtendedOffsetTable" in ds and "ExtendedOffsetTableLengths" in ds:
            offsets = ds.ExtendedOffsetTable, ds.ExtendedOffsetTableLengths
        frames = max(1, _number(ds, "NumberOfFrames", default=1))
        return get_frame(ds.PixelData, frame - 1, number_of_frames=frames, extended_offsets=offsets)
    except Exception as error:
        raise FilmRejected(f"{CUT_SHORT} ({type(error).__name__})") from error


def _decode_jpeg(
    stream: bytes, rows: int, columns: int, limits: FilmLimits, syntax: UID
) -> tuple[npt.NDArray[Any], Damage | None, bool]:
    """Pixels of a JPEG stream and what looks damaged; whether they are as the stream has them, without a guess at
    colours."""
    frame = read_frame(stream, limits)
    if (frame.rows, frame.columns) != (rows, columns):
        raise FilmRejected(OTHER_SIZE)
    if frame.precision == 8 and frame.process != LOSSLESS:
        pixels = decode_jpeg(stream, frame)
        return pixels, seen_damage(luminance(stream, frame, pixels), frame), False
    try:
        wide = decode_wide(stream, frame)
    except ImportError:
        raise _no_decoder(syntax) from None
    if frame.process == LOSSLESS:  # coded pixel by pixel: there are no blocks to look at
        return wide, None, True
    grey = wide if wide.ndim == 2 else wide[..., 0]
    shift = frame.precision - 8
    return wide, seen_damage((grey >> shift).astype(np.uint8), replace(frame, level=frame.level / (1 << shift))), True


def _as_stored(ds: Dataset, pixels: npt.NDArray[Any], syntax: UID) -> npt.NDArray[Any]:
    """Decoded samples in the words and colours that the header describes."""
    samples = 1 if pixels.ndim == 2 else pixels.shape[2]
    if samples != _number(ds, "SamplesPerPixel", default=1):
        raise FilmRejected(OTHER_SIZE)
    bits = _number(ds, "BitsAllocated")
    if bits == 8 and pixels.size and int(pixels.max()) > 255:
        raise FilmRejected("the decoded picture does not match its header")
    pixels = pixels.astype(np.uint8 if bits == 8 else np.uint16)
    photometric = str(ds.PhotometricInterpretation).strip().upper()
    if samples == 3 and photometric.startswith("YBR_FULL"):
        stored = _number(ds, "BitsStored")
        pixels = convert_color_space((pixels >> max(0, stored - 8)).astype(np.uint8), "YBR_FULL", "RGB")
        pixels = pixels if bits == 8 else pixels.astype(np.uint16) << max(0, stored - 8)
    if ds.get("PixelRepresentation") and samples == 1:
        pixels = pixels.view(f"i{pixels.dtype.itemsize}")
    return pixels


def _plain(ds: Dataset, pixels: npt.NDArray[Any]) -> bool:
    """Whether pixels are grey values as the header describes them; of colour the library's decoders know more."""
    return pixels.ndim == 2 and _number(ds, "BitsAllocated") == 8 and not ds.get("PixelRepresentation")


def _check_length(ds: Dataset, rows: int, columns: int) -> None:
    samples = 2 if ds.PhotometricInterpretation == "YBR_FULL_422" else _number(ds, "SamplesPerPixel", 1)
    frames = max(1, _number(ds, "NumberOfFrames", default=1))
    expected = frames * rows * columns * samples * (_number(ds, "BitsAllocated") // 8)
    if len(ds.PixelData) < expected:
        there = len(ds.PixelData)
        said = f"truncated: {there} of {expected} bytes of pixel data"
        raise FilmRejected(said, ReasonKind.TRUNCATED, {"there": there, "expected": expected})


def _grey_of_colour(
    ds: Dataset, photometric: str, rows: int, columns: int, limits: FilmLimits, frame: int
) -> tuple[npt.NDArray[np.float32], Damage | None, Remark]:
    pixels, damage = _decode(ds, rows, columns, limits, frame)
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
    pixels, said = pixels.astype(np.uint8, copy=False), _STORED_IN_COLOUR
    grey = colour_to_grey(pixels, limits.colour_tolerance, limits.colour_share)
    if grey is None:
        grey, said = photograph_to_grey(pixels, limits.photograph_tint, *limits.photograph_spread), PHOTOGRAPH
        if grey is None:
            raise FilmRejected("a colour picture, not a radiograph", ReasonKind.OTHER_FILE)
    return percentile_grey(grey, limits.percentile_window, beyond=limits.beyond_window), damage, said


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
