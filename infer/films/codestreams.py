"""Checks the compressed data of a DICOM film for what decoders take without a word, before they are decoded.

Sizes that a stream declares for itself must be those of the header: a decoder reserves memory and time by them.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

from pydicom.uid import (
    HTJ2K,
    JPEG2000,
    UID,
    HTJ2KLossless,
    HTJ2KLosslessRPCL,
    JPEG2000Lossless,
    JPEGLSLossless,
    JPEGLSNearLossless,
    RLELossless,
)

from raysplay.infer.films.film import FilmRejected

CUT_SHORT = "the pixel data are truncated or damaged"

OTHER_SIZE = "the compressed picture has another size than the header says"

Size = tuple[int, int, int]
"""Rows, columns, samples a pixel."""

_PADDING = 1
_MOST_TILES = 65535  # T.800, A.4.2: tiles are numbered in two bytes


def check_stream(syntax: UID, stream: bytes, rows: int, columns: int, samples: int) -> None:
    """Refuse a stream that is cut short, holds more than the picture, or declares another size or number of samples.

    Raises
    ------
    FilmRejected
        With that reason; syntaxes that are not known here pass.
    """
    check = _CHECKS.get(syntax)
    if check is not None:
        check(stream, (rows, columns, samples))


def packed_length(data: bytes) -> int:
    """Bytes that run-length packets unpack to (PackBits: DICOM PS3.5, G.3.1; TIFF 6.0, section 9)."""
    length, at, end = 0, 0, len(data)
    while at < end:
        head = data[at]
        if head < 128:
            length += min(head + 1, end - at - 1)
            at += head + 2
        elif head > 128:
            length += 257 - head if at + 1 < end else 0
            at += 2
        else:
            at += 1
    return length


def _check_rle(stream: bytes, size: Size) -> None:
    """Every segment unpacks to one byte a pixel (PS3.5, G.3); a lost packet moves all that follow it."""
    count = int.from_bytes(stream[:4], "little")
    if not 1 <= count <= 15 or len(stream) < 64:
        raise FilmRejected(CUT_SHORT)
    starts = [int.from_bytes(stream[4 * i : 4 * i + 4], "little") for i in range(1, count + 1)]
    ends = [*starts, len(stream)]
    if starts[0] != 64 or any(after < start for start, after in pairwise(ends)):
        raise FilmRejected(CUT_SHORT)
    for start, after in pairwise(ends):
        # A zero that makes the length even unpacks to a byte only where another one follows.
        if not 0 <= packed_length(stream[start:after]) - size[0] * size[1] <= _PADDING:
            raise FilmRejected(CUT_SHORT)


def _check_jpeg_ls(stream: bytes, size: Size) -> None:
    """Size in the frame header and the end marker (ITU-T T.87, C.1); without the end a decoder may search for long."""
    at = stream.find(b"\xff\xf7")
    if stream[:2] != b"\xff\xd8" or at < 0 or b"\xff\xd9" not in stream[at:]:
        raise FilmRejected(CUT_SHORT)
    _check_size((_number(stream, at + 5, 2), _number(stream, at + 7, 2), _number(stream, at + 9, 1)), size)


def _check_jpeg_2000(stream: bytes, size: Size) -> None:
    """Size of the picture and of its tiles in the first segment (ITU-T T.800, A.5.1)."""
    at = stream.find(b"\xff\x4f\xff\x51")  # behind boxes where the stream is a whole file
    if at < 0 or len(stream) < at + 42:
        raise FilmRejected(CUT_SHORT)
    wide, high, left, top, tile_wide, tile_high = (_number(stream, at + 8 + 4 * i, 4) for i in range(6))
    _check_size((high - top, wide - left, _number(stream, at + 40, 2)), size)
    if tile_wide < 1 or tile_high < 1 or -(-wide // tile_wide) * -(-high // tile_high) > _MOST_TILES:
        raise FilmRejected(CUT_SHORT)


def _check_size(declared: Size, size: Size) -> None:
    if declared != size:
        raise FilmRejected(OTHER_SIZE)


def _number(stream: bytes, at: int, size: int) -> int:
    return int.from_bytes(stream[at : at + size], "big")


_CHECKS: dict[UID, Callable[[bytes, Size], None]] = {
    RLELossless: _check_rle,
    JPEGLSLossless: _check_jpeg_ls,
    JPEGLSNearLossless: _check_jpeg_ls,
    JPEG2000: _check_jpeg_2000,
    JPEG2000Lossless: _check_jpeg_2000,
    **dict.fromkeys((HTJ2KLossless, HTJ2KLosslessRPCL, HTJ2K), _check_jpeg_2000),
}
