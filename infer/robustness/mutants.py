"""What hostile and broken files cost: ``raysplay mutants --out DIR``.

Small films of every format and transfer syntax, ZIP archives, objects of several frames and a DICOMDIR are broken in
many ways (bytes, lengths, tags, value representations, declared numbers, nested sequences, compressed data,
directories of archives, cut files) and listed and read as a run would do it. Every file must yield films or reasons,
soon, whatever it says of itself. A seed and a number make one mutant, so that each can be made again.
"""

from __future__ import annotations

import csv
import io
import re
import struct
import tempfile
import time
import warnings
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import typer
from imagecodecs import htj2k_encode, jpeg2k_encode, jpeg8_encode, jpegls_encode
from PIL import Image
from pydicom import dcmread
from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.uid import (
    HTJ2K,
    JPEG2000,
    UID,
    DeflatedExplicitVRLittleEndian,
    DigitalXRayImageStorageForPresentation,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    HTJ2KLossless,
    HTJ2KLosslessRPCL,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGExtended12Bit,
    JPEGLossless,
    JPEGLosslessSV1,
    JPEGLSLossless,
    JPEGLSNearLossless,
    MediaStorageDirectoryStorage,
    MultiFrameGrayscaleWordSecondaryCaptureImageStorage,
    RLELossless,
)

from raysplay.infer.films.candidate import Candidate
from raysplay.infer.films.decode import FilmReader
from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.inside import films_inside
from raysplay.infer.films.settings import FilmLimits, film_settings
from raysplay.infer.films.zipped import is_zip

TABLE, SLOW = "mutants.csv", "slow"
"""What the run writes: one row a mutant; a folder with those that took long."""

_ROWS_READ = 20
"""Of a file that holds many: a mutant may hold very many."""

LONG = 2.0
"""Seconds from which a mutant is kept."""

ROWS, COLUMNS = 160, 136

_TIFF = ("tiff_lzw", "tiff_adobe_deflate", "packbits", "jpeg")

Picture = npt.NDArray[Any]


def originals() -> dict[str, bytes]:
    """A small sound film in every format that is read, by name."""
    rng = np.random.default_rng(4)
    row, column = np.mgrid[:ROWS, :COLUMNS]
    disc = np.clip(1.2 - ((row - 80) ** 2 / 3600 + (column - 60) ** 2 / 2000), 0.05, 1.0)
    grey = np.clip(disc * 0.9 + rng.normal(0, 0.01, disc.shape), 0, 1)
    eight, twelve = (grey * 255).astype(np.uint8), (grey * 4095).astype(np.uint16)
    made = {
        "native": _dicom(twelve, ExplicitVRLittleEndian),
        "implicit": _dicom(twelve, ImplicitVRLittleEndian),
        "big-endian": _dicom(twelve, ExplicitVRBigEndian),
        "deflated": _dicom(twelve, DeflatedExplicitVRLittleEndian),
        "palette": _dicom(eight, ExplicitVRLittleEndian, palette=True),
        "rle": _dicom(twelve, RLELossless),
        "jpeg-baseline": _dicom(eight, JPEGBaseline8Bit),
        "jpeg-ls": _dicom(twelve, JPEGLSLossless),
        "jpeg-2000": _dicom(twelve, JPEG2000Lossless),
        "jpeg-extended": _dicom(twelve, JPEGExtended12Bit, jpeg8_encode(twelve, level=90, bitspersample=12)),
        "jpeg-lossless": _dicom(twelve, JPEGLossless, _lossless(twelve, 6)),
        "jpeg-lossless-1": _dicom(twelve, JPEGLosslessSV1, _lossless(twelve, 1)),
        "jpeg-ls-near": _dicom(twelve, JPEGLSNearLossless, jpegls_encode(twelve, level=2)),
        "jpeg-2000-lossy": _dicom(eight, JPEG2000, jpeg2k_encode(eight, level=40, reversible=False, codecformat="J2K")),
        "htj2k": _dicom(twelve, HTJ2KLossless, htj2k_encode(twelve, reversible=True)),
        "htj2k-rpcl": _dicom(twelve, HTJ2KLosslessRPCL, htj2k_encode(twelve, reversible=True)),
        "htj2k-lossy": _dicom(twelve, HTJ2K, htj2k_encode(twelve, level=0.001, reversible=False)),
    }
    written: list[tuple[str, str, dict[str, Any]]] = [
        ("jpeg", "JPEG", {"quality": 80}),
        ("jpeg-progressive", "JPEG", {"quality": 80, "progressive": True}),
        ("jpeg-restart", "JPEG", {"quality": 80, "restart_marker_rows": 1}),
        ("png", "PNG", {}),
        ("tiff", "TIFF", {}),
        *((f"tiff-{one}", "TIFF", {"compression": one}) for one in _TIFF),
    ]
    made |= {name: _picture(Image.fromarray(eight), kind, **options) for name, kind, options in written}
    made["jpeg-colour"] = _picture(Image.fromarray(eight).convert("RGB"), "JPEG")
    made["png-16"] = _picture(Image.fromarray(twelve * 16), "PNG")
    return made


def _lossless(pixels: Picture, predictor: int) -> bytes:
    return bytes(jpeg8_encode(pixels, lossless=True, predictor=predictor, bitspersample=12))


def everything() -> dict[str, bytes]:
    """All that is mutated."""
    made = originals()
    return {**made, **holders(made)}


def holders(made: Mapping[str, bytes]) -> dict[str, bytes]:
    """Files that hold or list films, by name: archives, an object of three frames, a DICOMDIR."""
    films = {"IM/1": made["jpeg-lossless"], "IM/2.png": made["png"], "DICOMDIR": _directory(), "note.txt": b"words"}
    ds = dcmread(io.BytesIO(made["native"]))
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = MultiFrameGrayscaleWordSecondaryCaptureImageStorage
    ds.NumberOfFrames, ds.PixelData = 3, ds.PixelData * 3
    frames = _written(ds)
    inner = _zip({"IM/1": made["png"]}, zipfile.ZIP_DEFLATED)
    return {
        "zip-stored": _zip(films, zipfile.ZIP_STORED),
        "zip-deflated": _zip({**films, "cine": frames, "inner.zip": inner}, zipfile.ZIP_DEFLATED),
        "frames": frames,
        "dicomdir": _directory(),
    }


def _zip(members: Mapping[str, bytes], method: int) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", method) as archive:
        for name, content in members.items():
            archive.writestr(zipfile.ZipInfo(name, (2026, 1, 1, 0, 0, 0)), content, method)
    return stream.getvalue()


def _directory() -> bytes:
    """A DICOMDIR of three records, one of them without a file (PS3.3, F.3)."""
    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = UID(ExplicitVRLittleEndian)
    ds.file_meta.MediaStorageSOPClassUID = MediaStorageDirectoryStorage
    ds.file_meta.MediaStorageSOPInstanceUID = UID("2.25.5")
    ds.FileSetID = "SAMPLE"
    records = []
    for file in (["IM", "1"], ["IM", "3"], None):
        record = Dataset()
        record.OffsetOfTheNextDirectoryRecord, record.RecordInUseFlag = 0, 0xFFFF
        record.DirectoryRecordType = "IMAGE" if file else "PATIENT"
        if file:
            record.ReferencedFileID = file
        records.append(record)
    ds.DirectoryRecordSequence = records
    return _written(ds)


def _picture(picture: Image.Image, kind: str, **options: Any) -> bytes:
    stream = io.BytesIO()
    picture.save(stream, kind, **options)
    return stream.getvalue()


def _dicom(pixels: Picture, syntax: UID, stream: bytes | bytearray | None = None, *, palette: bool = False) -> bytes:
    """A film with every kind of statement that reading it looks at; ``stream``: its pixels as they are encoded."""
    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = UID(ExplicitVRLittleEndian)
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = DigitalXRayImageStorageForPresentation
    ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = UID("2.25.4")
    ds.Modality, ds.ImageLaterality, ds.ViewPosition = "DX", "L", "AP"
    ds.Rows, ds.Columns, ds.SamplesPerPixel = *pixels.shape, 1
    ds.PhotometricInterpretation = "PALETTE COLOR" if palette else "MONOCHROME2"
    bits = 8 if pixels.itemsize == 1 else 12
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 8 * pixels.itemsize, bits, bits - 1, 0
    ds.NumberOfFrames = 1
    ds.PixelPaddingValue = 0
    ds.ImagerPixelSpacing = [0.2, 0.2]
    ds.WindowCenter, ds.WindowWidth = [2 ** (bits - 1), 100], [2**bits, 50]
    ds.RescaleIntercept, ds.RescaleSlope, ds.RescaleType = 0, 1, "US"
    ds.ShutterShape = ["RECTANGULAR", "CIRCULAR", "POLYGONAL"]
    ds.ShutterLeftVerticalEdge, ds.ShutterRightVerticalEdge = 1, COLUMNS
    ds.ShutterUpperHorizontalEdge, ds.ShutterLowerHorizontalEdge = 1, ROWS
    ds.CenterOfCircularShutter, ds.RadiusOfCircularShutter = [ROWS // 2, COLUMNS // 2], ROWS
    ds.VerticesOfThePolygonalShutter = [1, 1, 1, COLUMNS, ROWS, COLUMNS, ROWS, 1]
    for element, form, value in ((0x10, "US", ROWS), (0x11, "US", COLUMNS), (0x40, "CS", "G"), (0x50, "SS", [1, 1])):
        ds.add_new((0x6000, element), form, value)
    table = Dataset()
    table.add(DataElement("LUTDescriptor", "US", [2**bits, 0, bits]))
    table.add(DataElement("LUTData", "OW", np.arange(2**bits, dtype="<u2").tobytes()))
    ds.VOILUTSequence = [table]
    code = Dataset()
    code.CodeValue, code.CodingSchemeDesignator, code.CodeMeaning = "1", "99", "plain"
    ds.ViewCodeSequence = [code]
    ds.private_block(0x0011, "SAMPLE", create=True).add_new(1, "LO", "private")
    if palette:
        for colour in ("Red", "Green", "Blue"):
            setattr(ds, f"{colour}PaletteColorLookupTableDescriptor", [256, 0, 16])
            if colour == "Red":
                packed = struct.pack("<8H", 0, 1, 0, 1, 255, 65280, 0, 0)
            setattr(ds, f"Segmented{colour}PaletteColorLookupTableData", packed[:12])
    ds.PixelData = pixels.tobytes()
    ds["PixelData"].VR = "OB" if pixels.itemsize == 1 else "OW"
    if stream is not None:
        ds.file_meta.TransferSyntaxUID = syntax
        ds.PixelData = encapsulate([bytes(stream)])
    elif syntax == JPEGBaseline8Bit:
        ds.file_meta.TransferSyntaxUID = syntax
        ds.PixelData = encapsulate([_picture(Image.fromarray(pixels), "JPEG", quality=80)])
    elif syntax.is_encapsulated:
        plugin = "pylibjpeg" if syntax == JPEG2000Lossless else ""
        ds.compress(syntax, generate_instance_uid=False, encoding_plugin=plugin)
    else:
        ds.file_meta.TransferSyntaxUID = syntax
        if syntax == ExplicitVRBigEndian:
            ds.PixelData = pixels.astype(pixels.dtype.newbyteorder(">")).tobytes()
            table.LUTData = np.arange(2**bits, dtype=">u2").tobytes()
    return _written(ds)


def _written(ds: Dataset) -> bytes:
    stream = io.BytesIO()
    ds.save_as(stream, enforce_file_format=True)
    return stream.getvalue()


# What may stand where a number is expected.
_NUMBERS = (0, 1, 2, 7, 8, 9, 15, 16, 17, 31, 32, 33, 64, 255, 256, 4095, 32767, 32768, 65535, 65536, 10**6)
_FAR = (2**31 - 1, 2**31, 2**32 - 1)
_TEXTS = (
    "",
    "-1",
    "0",
    "1e308",
    "-1e308",
    "1e-308",
    "nan",
    "inf",
    "999999999999",
    "0.1",
    "x",
    "1" * 16,
    "-99999999999",
)
_DECLARING = (
    *("Rows", "Columns", "BitsAllocated", "BitsStored", "HighBit", "SamplesPerPixel", "PixelRepresentation"),
    *("NumberOfFrames", "PlanarConfiguration", "WindowCenter", "WindowWidth", "RescaleSlope", "RescaleIntercept"),
    *("PixelPaddingValue", "PixelPaddingRangeLimit", "ImagerPixelSpacing", "PixelSpacing", "PixelAspectRatio"),
    *("ShutterShape", "ShutterLeftVerticalEdge", "ShutterLowerHorizontalEdge", "RadiusOfCircularShutter"),
    *("CenterOfCircularShutter", "VerticesOfThePolygonalShutter"),
    *("RedPaletteColorLookupTableDescriptor", "SegmentedRedPaletteColorLookupTableData", "PhotometricInterpretation"),
    *("EstimatedRadiographicMagnificationFactor", "DistanceSourceToDetector", "Modality", "SpecificCharacterSet"),
)


def mutant(made: Mapping[str, bytes], seed: int, number: int) -> tuple[str, bytes]:
    """Name of the original and its mutant of this number; some numbers in each hundred mutate headers knowingly."""
    rng = np.random.default_rng([seed, number])
    names = sorted(made)
    name = names[int(rng.integers(len(names)))]
    content = made[name]
    for _ in range(int(rng.integers(1, 4))):
        changes = _CHANGES[_kind(content)]
        change = changes[int(rng.integers(len(changes)))]
        # Whatever a library refuses to write was no mutant; the next change may be one.
        with suppress(Exception), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            content = change(content, rng) or content
        if change is _nested:
            break  # to write thousands of nested sequences anew would take pydicom gigabytes
    return name, content


def _kind(content: bytes) -> str:
    return "dicom" if content[128:132] == b"DICM" else "png" if content[1:4] == b"PNG" else _zip_or_other(content)


def _zip_or_other(content: bytes) -> str:
    return "zip" if is_zip(content) else "other"


def _place(content: bytes, rng: np.random.Generator) -> int:
    """Headers more often than the data behind them."""
    head = min(len(content), 1500)
    return int(rng.integers(0, head if rng.random() < 0.7 else len(content)))


def _other_byte(content: bytes, rng: np.random.Generator) -> bytes:
    at = _place(content, rng)
    return content[:at] + bytes([int(rng.integers(256))]) + content[at + 1 :]


def _turned_bit(content: bytes, rng: np.random.Generator) -> bytes:
    at = _place(content, rng)
    return content[:at] + bytes([content[at] ^ 1 << int(rng.integers(8))]) + content[at + 1 :]


def _extreme(content: bytes, rng: np.random.Generator) -> bytes:
    at, size = _place(content, rng), int(rng.choice([1, 2, 4]))
    value = int(rng.choice([*_NUMBERS, *_FAR])) % (1 << 8 * size)
    return content[:at] + value.to_bytes(size, "little" if rng.random() < 0.6 else "big") + content[at + size :]


def _lost(content: bytes, rng: np.random.Generator) -> bytes:
    at = _place(content, rng)
    return content[:at] + content[at + int(rng.integers(1, 40)) :]


def _twice(content: bytes, rng: np.random.Generator) -> bytes:
    at, size = _place(content, rng), int(rng.choice([1, 4, 12, 40, 400]))
    return content[:at] + content[at : at + size] * int(rng.choice([1, 2, 50])) + content[at:]


def _cut(content: bytes, rng: np.random.Generator) -> bytes:
    return content[: int(rng.integers(1, len(content)))]


def _moved(content: bytes, rng: np.random.Generator) -> bytes:
    source, target, size = _place(content, rng), _place(content, rng), int(rng.integers(2, 64))
    return content[:target] + content[source : source + size] + content[target + size :]


def _other_number(content: bytes, rng: np.random.Generator) -> bytes:
    """A declared number of a DICOM film is another, stands in another form, or stands there very often."""
    film = ds = dcmread(io.BytesIO(content))
    keyword = str(rng.choice(_DECLARING))
    if rng.random() < 0.15:
        ds, keyword = film.VOILUTSequence[0], str(rng.choice(["LUTDescriptor", "LUTData"]))
    form = str(rng.choice(["US", "UL", "UL", "UL", "DS", "IS", "FD", "SS", "LO", "OW", "UN"]))
    times = int(rng.choice([1, 1, 1, 2, 3, 1000, 30000]))
    value: Any
    match form:
        case "US" | "SS":
            value = [int(rng.choice(_NUMBERS)) % 2 ** (16 if form == "US" else 15)] * times
        case "UL":
            value = [int(rng.choice(_FAR if rng.random() < 0.5 else _NUMBERS))] * times
            if keyword.endswith("Descriptor"):
                value = [256, 0, *value]
        case "FD":
            value = [float(rng.choice([0.0, -1.0, 1e308, np.inf, np.nan, 3.0]))] * times
        case "OW" | "UN":
            value = rng.integers(0, 4, 2 * times, dtype=np.uint8).tobytes()
        case _:
            value = ("\\".join([str(rng.choice(_TEXTS))] * times)).encode()
            form = "UN" if times > 1000 else form
    ds.add(DataElement(keyword, form, value, already_converted=form not in ("US", "UL", "SS", "FD")))
    return _written(film)


def _element(content: bytes, rng: np.random.Generator) -> tuple[int, int]:
    """Place and header size of an element of an explicit little-endian file, by its looks."""
    places = [i for i in range(132, min(len(content), 4000) - 8, 2) if content[i + 4 : i + 6] in _FORMS]
    at = places[int(rng.integers(len(places)))]
    return at, 12 if content[at + 4 : at + 6] in _LONG_FORMS else 8


_LONG_FORMS = (b"OB", b"OW", b"SQ", b"UN", b"UT")
_FORMS = (
    *_LONG_FORMS,
    *(b"AE", b"AS", b"AT", b"CS", b"DA", b"DS", b"DT", b"FD", b"FL", b"IS", b"LO", b"LT", b"PN", b"SH", b"SL", b"SS"),
    *(b"ST", b"TM", b"UI", b"UL", b"US"),
)


def _other_length(content: bytes, rng: np.random.Generator) -> bytes:
    at, head = _element(content, rng)
    size = 4 if head == 12 else 2
    value = int(rng.choice([0, 1, 2, 3, 7, 1000, 65535, 65534, 2**31 - 1, 2**32 - 1, 2**32 - 2])) % (1 << 8 * size)
    return content[: at + head - size] + value.to_bytes(size, "little") + content[at + head :]


def _other_tag(content: bytes, rng: np.random.Generator) -> bytes:
    at, _ = _element(content, rng)
    group = int(rng.choice([0x0002, 0x0008, 0x0018, 0x0020, 0x0028, 0x6000, 0x7FE0, 0xFFFE, int(rng.integers(65536))]))
    element = int(rng.choice([0x0010, 0x0011, 0x0100, 0x0101, 0x0102, 0xE000, 0xE00D, int(rng.integers(65536))]))
    return content[:at] + struct.pack("<HH", group, element) + content[at + 4 :]


def _other_form(content: bytes, rng: np.random.Generator) -> bytes:
    at, _ = _element(content, rng)
    return content[: at + 4] + _FORMS[int(rng.integers(len(_FORMS)))] + content[at + 6 :]


def _nested(content: bytes, rng: np.random.Generator) -> bytes:
    """Sequences in sequences, or many items side by side (PS3.5, 7.5)."""
    at, _ = _element(content, rng)
    opened = b"\x08\x00\x15\x11SQ\x00\x00\xff\xff\xff\xff" + b"\xfe\xff\x00\xe0\xff\xff\xff\xff"
    closed = b"\xfe\xff\x0d\xe0\x00\x00\x00\x00" + b"\xfe\xff\xdd\xe0\x00\x00\x00\x00"
    deep = int(rng.choice([3, 60, 700, 3000]))
    if rng.random() < 0.5:
        return content[:at] + opened * deep + closed * deep + content[at:]
    return content[:at] + opened[:12] + b"\xfe\xff\x00\xe0\x00\x00\x00\x00" * deep * 5 + closed[8:] + content[at:]


def _other_chunk(content: bytes, rng: np.random.Generator) -> bytes:
    """Another byte in a chunk of a PNG picture, with the sum that suits (PNG, 5.3)."""
    chunks = list(_chunks(content))
    start, size = chunks[int(rng.integers(len(chunks)))]
    if not size:
        return content
    at = start + 8 + int(rng.integers(size))
    changed = bytearray(content)
    changed[at] = int(rng.integers(256))
    struct.pack_into(">I", changed, start + 8 + size, zlib.crc32(changed[start + 4 : start + 8 + size]))
    return bytes(changed)


def _chunks(content: bytes) -> Iterator[tuple[int, int]]:
    at = 8
    while at + 12 <= len(content):
        size = struct.unpack_from(">I", content, at)[0]
        if at + 12 + size > len(content):
            return
        yield at, size
        at += 12 + size


def _in_pixels(content: bytes, rng: np.random.Generator) -> bytes:
    """Something behind the header of the pixel data: in the compressed data, most of the time."""
    start = max(content.rfind(b"\xe0\x7f\x10\x00"), content.rfind(b"\x7f\xe0\x00\x10"), 0)
    change = _PIXEL_CHANGES[int(rng.integers(len(_PIXEL_CHANGES)))]
    return content[:start] + change(content[start:], rng)


def _in_directory(content: bytes, rng: np.random.Generator) -> bytes:
    """Another value in a header, or in the directory, of a ZIP archive (APPNOTE.TXT, 4.3)."""
    signs = (b"PK\x03\x04", b"PK\x01\x02", b"PK\x05\x06")
    places = [found.start() for sign in signs for found in re.finditer(re.escape(sign), content)]
    at = places[int(rng.integers(len(places)))] + int(rng.integers(4, 46))
    size = int(rng.choice([1, 2, 4]))
    value = int(rng.choice([*_NUMBERS, *_FAR, int(rng.integers(2**31))])) % (1 << 8 * size)
    return content[:at] + value.to_bytes(size, "little") + content[at + size :]


_PIXEL_CHANGES = (_other_byte, _turned_bit, _extreme, _lost, _twice, _cut, _moved)

Change = Callable[[bytes, np.random.Generator], bytes]
_ANY: Sequence[Change] = (_other_byte, _turned_bit, _extreme, _extreme, _lost, _twice, _cut, _moved)
_CHANGES: Mapping[str, Sequence[Change]] = {
    "dicom": (
        *_ANY,
        *[_other_number] * 5,
        _other_length,
        _other_length,
        _other_tag,
        _other_form,
        _nested,
        *[_in_pixels] * 4,
    ),
    "zip": (*_ANY, *[_in_directory] * 8),
    "png": (*_ANY, *[_other_chunk] * 4),
    "other": _ANY,
}


@dataclass(frozen=True)
class Fate:
    """What became of a mutant: the reason or ``film``, the seconds until it was known, the largest memory in use (MB).

    Memory is nan where the system does not tell.
    """

    number: int
    original: str
    outcome: str
    seconds: float
    megabytes: float


def read_mutants(
    numbers: Sequence[int], seed: int, films: FilmReader, folder: Path, made: Mapping[str, bytes] | None = None
) -> Iterator[tuple[Fate, bytes]]:
    """Read mutants one after another; whatever is no :class:`FilmRejected` is passed on."""
    made, limits = made or everything(), film_settings()
    path = folder / "mutant"
    for number in numbers:
        name, content = mutant(made, seed, number)
        path.write_bytes(content)
        _forget_peak(films.child_pid)
        began = time.perf_counter()
        try:
            outcome = _outcome(path, films, limits)
        except FilmRejected as refused:
            outcome = str(refused)
        seconds = time.perf_counter() - began
        yield Fate(number, name, outcome, seconds, _peak(films.child_pid)), content


def _outcome(path: Path, films: FilmReader, limits: FilmLimits) -> str:
    """What becomes of a file that is listed and read."""
    listed = list(islice(films_inside(Candidate(path, path.name), limits, follow_directory=True), _ROWS_READ))
    outcomes = []
    for candidate in listed:
        try:
            if candidate.problem is not None:
                raise candidate.problem
            film = films.read(candidate.path)
            outcomes.append("film" if np.isfinite(film.pixels).all() else "film with impossible grey values")
        except FilmRejected as refused:
            outcomes.append(str(refused))
    if len(outcomes) == 1:
        return outcomes[0]
    impossible = next((one for one in outcomes if one.startswith(("film with", "the decoder"))), "")
    return impossible or f"{len(outcomes)} rows: {outcomes.count('film')} films"


def _forget_peak(pid: int | None) -> None:
    with suppress(OSError):  # Linux only
        Path(f"/proc/{pid}/clear_refs").write_text("5")


def _peak(pid: int | None) -> float:
    with suppress(OSError):
        for line in Path(f"/proc/{pid}/status").read_text().splitlines():
            if line.startswith("VmHWM"):
                return int(line.split()[1]) / 1000
    return float("nan")


def _largest(fates: Sequence[Fate]) -> str:
    told = sorted((fate for fate in fates if fate.megabytes == fate.megabytes), key=lambda one: -one.megabytes)
    return ", ".join(f"{fate.megabytes:.0f} MB ({fate.number})" for fate in told[:3])


def _sort(outcome: str) -> str:
    """A reason without its numbers."""
    return "".join("#" if letter.isdigit() else letter for letter in outcome.split(" (")[0])


def report(out: Path, number: int = 20000, seed: int = 1) -> None:
    """Read broken files and count what becomes of them; the slowest ten are named.

    Parameters
    ----------
    out : Path
        Made where it is missing; takes the table and the slow files.
    number : int
        Of broken files.
    seed : int
        Fixes every one of them.
    """
    (out / SLOW).mkdir(parents=True, exist_ok=True)
    fates: list[Fate] = []
    limits: FilmLimits = film_settings()
    with (
        FilmReader(limits) as films,
        tempfile.TemporaryDirectory() as scratch,
        open(out / TABLE, "w", encoding="utf-8", newline="") as stream,
    ):
        table = csv.writer(stream)
        table.writerow(["number", "original", "seconds", "megabytes", "outcome"])
        for fate, content in read_mutants(range(number), seed, films, Path(scratch)):
            fates.append(fate)
            row = [fate.number, fate.original, f"{fate.seconds:.3f}", f"{fate.megabytes:.0f}", fate.outcome]
            table.writerow(row)
            if fate.seconds >= LONG:
                (out / SLOW / f"{fate.number}-{fate.original}").write_bytes(content)
    for outcome, count in Counter(_sort(fate.outcome) for fate in fates).most_common():
        typer.echo(f"{count:6d}  {outcome}")
    typer.echo("slowest:")
    for fate in sorted(fates, key=lambda one: -one.seconds)[:10]:
        typer.echo(f"  {fate.seconds:6.2f} s  {fate.number}  {fate.original}  {fate.outcome}")
    typer.echo("largest in memory, where it was told: " + _largest(fates))
    for limit in (1, 5):
        typer.echo(f"over {limit} s: {sum(fate.seconds > limit for fate in fates)} of {len(fates)}")
