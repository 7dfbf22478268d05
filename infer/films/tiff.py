"""Checks the compressed parts of a TIFF picture (TIFF 6.0): the library that decodes them passes over damage."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from raysplay.infer.films.codestreams import packed_length
from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.jpeg import JpegFrame, decode_jpeg, read_frame
from raysplay.infer.films.settings import FilmLimits

_COMPRESSION, _JPEG_TABLES = 259, 347
_STRIPS, _TILES = (273, 279), (324, 325)  # where parts begin, how many bytes they have
_WIDTH, _LENGTH, _BITS, _SAMPLES, _ROWS_PER_STRIP, _PLANAR = 256, 257, 258, 277, 278, 284
_JPEG, _DEFLATE, _PACKED = 7, (8, 32946), 32773

_CHUNK = 1 << 20
_BYTES_A_PIXEL = 8

DAMAGED = "the TIFF picture is truncated or damaged"


def check_parts(content: bytes, tags: Mapping[int, Any], limits: FilmLimits) -> JpegFrame | None:
    """Refuse a TIFF picture of which a strip or tile is damaged, as far as its compression can tell.

    Parameters
    ----------
    content : bytes
        The file.
    tags : mapping of int to value
        Its one directory.

    Returns
    -------
    JpegFrame or None
        Headers of the first part where parts are JPEG streams.

    Raises
    ------
    FilmRejected
    """
    compression = tags.get(_COMPRESSION)
    if compression == _JPEG:
        tables = tags.get(_JPEG_TABLES, b"\xff\xd8\xff\xd9")
        frames = [_check_jpeg(part, tables, limits) for part in _parts(content, tags)]
        return frames[0] if frames else None
    if compression in _DEFLATE:
        for part in _parts(content, tags):
            _check_deflated(part, limits)
    if compression == _PACKED and _TILES[0] not in tags:
        for part, size in zip(_parts(content, tags), _strip_bytes(tags), strict=False):
            if packed_length(part) != size:
                raise FilmRejected(DAMAGED)
    return None


def _parts(content: bytes, tags: Mapping[int, Any]) -> list[bytes]:
    starts, sizes = (_numbers(tags.get(tag)) for tag in (_TILES if _TILES[0] in tags else _STRIPS))
    if len(starts) != len(sizes) or sum(sizes) > len(content) or min((*starts, *sizes), default=0) < 0:
        raise FilmRejected(DAMAGED)
    return [content[start : start + size] for start, size in zip(starts, sizes, strict=True)]


def _numbers(value: Any) -> Sequence[int]:
    if value is None:
        raise FilmRejected(DAMAGED)
    return [int(one) for one in value] if isinstance(value, tuple) else [int(value)]


def _strip_bytes(tags: Mapping[int, Any]) -> Iterator[int]:
    """Bytes that the strips unpack to, one after the other; none where colours lie in planes of their own."""
    if tags.get(_PLANAR, 1) != 1:
        return
    rows, bits = tags[_LENGTH], _numbers(tags.get(_BITS, 1))
    samples = tags.get(_SAMPLES, 1)
    row = (tags[_WIDTH] * (sum(bits) if len(bits) == samples else bits[0] * samples) + 7) // 8
    each = min(tags.get(_ROWS_PER_STRIP, rows), rows)
    for first in range(0, rows, max(each, 1)):
        yield min(each, rows - first) * row


def _check_jpeg(part: bytes, tables: bytes, limits: FilmLimits) -> JpegFrame:
    """A part is a stream whose tables may stand in a tag of their own (TIFF Technical Note 2)."""
    stream = tables[:-2] + part[2:]
    frame = read_frame(stream, limits)
    if frame.rows * frame.columns > limits.max_pixels:
        raise FilmRejected(DAMAGED)
    decode_jpeg(stream, frame)
    return frame


def _check_deflated(part: bytes, limits: FilmLimits) -> None:
    """The whole part, with the sum at its end (RFC 1950)."""
    unpacked = zlib.decompressobj()
    size = 0
    try:
        while part and not unpacked.eof and size <= _BYTES_A_PIXEL * limits.max_pixels:
            size += len(unpacked.decompress(part, _CHUNK))
            part = unpacked.unconsumed_tail
    except zlib.error:
        raise FilmRejected(DAMAGED) from None
    if not unpacked.eof:
        raise FilmRejected(DAMAGED)
